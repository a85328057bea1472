"""The grammar of text lines, one line at a time: what decides whether a line is good.

Enters: one line without its line end. Leaves: a record, a header, or why it is skipped. The
fast path (:mod:`vaclog.wire.line_table`) accepts only lines that this one reads the same way.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from vaclog.wire.framing import crc16
from vaclog.wire.messages import GapKind, PulseKind

KIND_PRESSURE = 0
KIND_MARKER = 5

KIND_OF_LETTER = {
    ord("P"): KIND_PRESSURE,
    ord("S"): int(PulseKind.SPARK),
    ord("C"): int(PulseKind.COIL),
    ord("R"): int(PulseKind.MARK),
    ord("B"): int(PulseKind.BODY),
    ord("M"): KIND_MARKER,
}

TICK_LIMIT = 1 << 32
BODY_LIMIT = 1 << 31
"""Body counts are carried as int32; what does not fit is out of range."""

_CHECKED = re.compile(rb"(.*) \*([0-9A-Fa-f]{4})", re.DOTALL)
_ONE_NUMBER = re.compile(rb"[SCR] ([0-9]+)")
_PRESSURE = re.compile(rb"P ([0-9]+) (-?[0-9]+)")
_BODY = re.compile(rb"B ([0-9]+) ([+-]?[0-9]+)")
_MARKER = re.compile(rb"M ([0-9]+)(?: (.*))?", re.DOTALL)
_HEADER = re.compile(rb"(?:\xef\xbb\xbf)?#\s*vaclog-lines ([0-9]+)(?: (.*))?", re.DOTALL)

_MAX_DIGITS = 40  # int() of a long run of digits is slow; no number here has that many


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """A line that can be read."""

    kind: int
    tick: int
    value: int = 0
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Skip:
    """Why a line is skipped."""

    kind: GapKind
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """The header line; `problem` says what is missing or wrong, "" if nothing."""

    version: int
    tick_ns: int = 0
    adc_bits: int = 0
    device: str = ""
    problem: str = ""


def parse_line(line: bytes, count_limit: int) -> Record | Skip | None:  # noqa: PLR0911
    """Read one line; None for a comment or an empty line.

    Parameters
    ----------
    line
        Without its line end.
    count_limit
        Pressure counts must be below this.
    """
    if not line or line.startswith(b"#"):
        return None
    if checked := _CHECKED.fullmatch(line):
        line = checked[1]
        if crc16(line) != int(checked[2], 16):
            return Skip(kind=GapKind.CHECKSUM, detail="checksum does not match")
    pattern = {b"P": _PRESSURE, b"B": _BODY, b"M": _MARKER}.get(line[:1], _ONE_NUMBER)
    match = pattern.fullmatch(line)
    if match is None or len(match[1]) > _MAX_DIGITS:
        return Skip(kind=GapKind.CONTENT, detail="unreadable line")
    tick, kind = int(match[1]), KIND_OF_LETTER[line[0]]
    if tick >= TICK_LIMIT:
        return Skip(kind=GapKind.CONTENT, detail="tick does not fit 32 bits")
    if kind == KIND_MARKER:
        return Record(kind=kind, tick=tick, text=(match[2] or b"").decode("utf-8", "replace"))
    value = 0
    if pattern is not _ONE_NUMBER:
        value = int(match[2]) if len(match[2]) <= _MAX_DIGITS else BODY_LIMIT
    low, limit = (0, count_limit) if kind == KIND_PRESSURE else (-BODY_LIMIT, BODY_LIMIT)
    if not low <= value < limit:
        return Skip(kind=GapKind.RANGE, detail="count out of range")
    return Record(kind=kind, tick=tick, value=value)


def parse_header(line: bytes) -> Header | None:
    """Read the header line; None if `line` is none. Keys that are not known are ignored."""
    if checked := _CHECKED.fullmatch(line):
        if crc16(checked[1]) != int(checked[2], 16):
            return None
        line = checked[1]
    match = _HEADER.fullmatch(line)
    if match is None or len(match[1]) > _MAX_DIGITS:
        return None
    version = int(match[1])
    if version < 1:
        return Header(version=version, problem="versions of text lines begin with 1")
    keys: dict[str, str] = {}
    for field in (match[2] or b"").decode("utf-8", "replace").split():
        key, _, value = field.partition("=")
        keys.setdefault(key, value)
    numbers: dict[str, int] = {}
    for key, low, high in (("tick_ns", 1, 1_000_000_000), ("adc_bits", 1, 32)):
        text = keys.get(key)
        if text is None:
            return Header(version=version, problem=f"the header has no {key}")
        if not re.fullmatch("[0-9]{1,10}", text) or not low <= int(text) <= high:
            problem = f"{key}={text} in the header is not a whole number from {low} to {high}"
            return Header(version=version, problem=problem)
        numbers[key] = int(text)
    return Header(
        version=version,
        tick_ns=numbers["tick_ns"],
        adc_bits=numbers["adc_bits"],
        device=keys.get("device", ""),
    )
