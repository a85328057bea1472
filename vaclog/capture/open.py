"""Opens whatever can be replayed; the content tells what it is.

Enters: a file: a capture, a bare binary stream, text lines, or CSV with its mapping. Leaves:
records. Only a capture has cards and arrival times; the others become chunks without time.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Protocol, TypeAlias

from vaclog.capture.container import MAGIC
from vaclog.capture.csv_mapping import EXAMPLE, CsvMapping, load_mapping
from vaclog.capture.csv_source import csv_lines
from vaclog.capture.reader import CaptureFile
from vaclog.cards import RigCard
from vaclog.errors import CaptureError, FutureVersionError
from vaclog.records import Chunk, Record
from vaclog.wire.detect import StreamDecoder
from vaclog.wire.messages import Hello

FileKind: TypeAlias = Literal["capture", "binary", "lines", "csv"]

BLOCK = 256 * 1024
"""Bare files are read in blocks of this: smaller ones cost the decoder a quarter more time,
larger ones gain nothing (tests/bench/decode_bench.py), and it is but 90 s of binary data."""

LOOK_BYTES = 1 << 20
"""How far into a file the first frame or header is looked for."""


class _Content(Protocol):
    @property
    def records(self) -> Iterator[Record]: ...
    def notices(self) -> list[str]: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenedCapture:
    """A file that can be replayed.

    Attributes
    ----------
    path, kind, size_bytes
        The file, what it is, and its size.
    """

    path: Path
    kind: FileKind
    size_bytes: int
    _content: _Content

    @property
    def records(self) -> Iterator[Record]:
        """Read the records from the beginning."""
        return self._content.records

    def notices(self) -> list[str]:
        """Return what a person should know, once the records have been read."""
        return self._content.notices()


def open_capture(
    path: Path | str, *, mapping: Path | str | None = None, rig: RigCard | None = None
) -> OpenedCapture:
    """Open a file for replay.

    Parameters
    ----------
    path
        The file.
    mapping
        Column mapping of a CSV file; without it, a TOML file of the same name beside it.
    rig
        Rig card that the pressure of a CSV file is written on; default: the card's defaults.

    Raises
    ------
    CaptureError
        Missing, empty or unknown file; CSV without mapping or without a mapped column.
    FutureVersionError
        The file, or the device that wrote it, is newer than this program.
    CardError
        The mapping has an unknown key or a bad value.
    """
    path = Path(path)
    start = _first_bytes(path)
    size = path.stat().st_size
    if start[: len(MAGIC)] == MAGIC[: len(start)]:
        capture = CaptureFile(path)
        _refuse_newer_device(path, capture)
        return OpenedCapture(path=path, kind="capture", size_bytes=size, _content=capture)
    if mapping is None:
        kind = _wire_kind(path)
        if kind is not None:
            return OpenedCapture(path=path, kind=kind, size_bytes=size, _content=_Bare(path))
        mapping = _mapping_beside(path)
    if mapping is not None:
        content = _Csv(path, load_mapping(Path(mapping)), rig or RigCard())
        return OpenedCapture(path=path, kind="csv", size_bytes=size, _content=content)
    if _looks_like_csv(start):
        raise CaptureError(
            f"{path} looks like CSV, but nothing says which column is what.",
            step=f"Write this, with the names of your columns, into {path.stem}.toml beside it "
            f"(or give a file with --mapping FILE):\n{EXAMPLE}",
        )
    raise CaptureError(
        f"{path} is no capture, no stream of frames, no text lines and no CSV: it begins with "
        f"{start[:16].hex(' ')} ({start[:16]!r}).",
        cause="It is another kind of file, or was recorded at a wrong baud rate.",
        step="Text lines begin with `# vaclog-lines 1 tick_ns=... adc_bits=...`; captures come "
        "from `vaclog listen`.",
    )


def _first_bytes(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            start = file.read(4096)
    except OSError as error:
        raise CaptureError(
            f"{path} cannot be read: {error.strerror}.", step="Check the name and the folder."
        ) from error
    if not start:
        raise CaptureError(
            f"{path} is empty (0 bytes).",
            cause="Recording ended before anything came, or the disk was full.",
            step="Record again; `vaclog ports` shows what is connected.",
        )
    return start


def _blocks(path: Path) -> Iterator[bytes]:
    with path.open("rb") as file:
        while block := file.read(BLOCK):
            yield block


def _wire_kind(path: Path) -> Literal["binary", "lines"] | None:
    """Return which protocol the file speaks; complain where it cannot be decoded."""
    decoder, header, seen = StreamDecoder(), False, 0
    for block in _blocks(path):
        seen += len(block)
        header |= any(isinstance(message, Hello) for message in decoder.feed(block))
        if decoder.format is not None or seen >= LOOK_BYTES:
            break
    else:
        header |= any(isinstance(message, Hello) for message in decoder.finish())
    if decoder.future_version is not None:
        raise _newer(path, decoder.future_version)
    if decoder.format == "lines" and not header:
        problem = decoder.header_problem
        raise CaptureError(
            f"{path}, line 1: {problem}."
            if problem
            else f"{path}: these are text lines, but no header line says how long a tick is.",
            cause="The sketch prints no header, or recording began after it was printed.",
            step="Put it in as first line: # vaclog-lines 1 tick_ns=500 adc_bits=10 (with the "
            "numbers of your device).",
        )
    return decoder.format


def _newer(path: Path, version: int) -> FutureVersionError:
    return FutureVersionError(
        f"{path}: the device speaks version {version} of the protocol; this vaclog knows 1.",
        step="Update vaclog.",
    )


def _refuse_newer_device(path: Path, capture: CaptureFile) -> None:
    """Look at the first bytes that a device sent, as far as one block goes."""
    decoder, seen = StreamDecoder(), 0
    for record in capture.records:
        if isinstance(record, Chunk):
            decoder.feed(record.data)
            seen += len(record.data)
        if decoder.future_version is not None:
            raise _newer(path, decoder.future_version)
        if seen >= BLOCK:
            return


def _mapping_beside(path: Path) -> Path | None:
    """Return a TOML file of the same name that is a mapping and not, say, a card."""
    for beside in (path.with_suffix(".toml"), path.with_name(path.name + ".toml")):
        try:
            if beside.is_file() and "columns" in tomllib.loads(beside.read_text("utf-8-sig")):
                return beside
        except (OSError, ValueError):
            continue
    return None


def _looks_like_csv(start: bytes) -> bool:
    """Whether the first lines are text with the same number of delimiters, at least one."""
    if b"\0" in start:
        return False
    lines = start.decode("utf-8", "replace").splitlines()[:4]
    if len(lines) < 2 or "\ufffd" in "".join(lines[:-1]):
        return False
    return any(lines[0].count(delimiter) == lines[1].count(delimiter) > 0 for delimiter in ",;\t")


class _Bare:
    """A stream without container."""

    def __init__(self, path: Path) -> None:
        self._path = path

    @property
    def records(self) -> Iterator[Record]:
        for block in _blocks(self._path):
            yield Chunk(at_us=None, data=block)

    def notices(self) -> list[str]:
        return []


class _Csv:
    """A CSV file as text lines."""

    def __init__(self, path: Path, mapping: CsvMapping, rig: RigCard) -> None:
        self._path = path
        self._mapping = mapping
        self._rig = rig

    @property
    def records(self) -> Iterator[Record]:
        for block in csv_lines(self._path, self._mapping, self._rig.pressure):
            yield Chunk(at_us=None, data=block)

    def notices(self) -> list[str]:
        return []
