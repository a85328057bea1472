"""Reads a block of text lines as columns.

Enters: whole lines as bytes. Leaves: a table of records, and the lines that were skipped.

All lines are read at once with numpy: where lines and fields begin and end, then one digit
place of one field at a time over all lines. A line that does not fit this mould (a marker, a
comment, garbage, an odd number) is read by :func:`vaclog.wire.line_grammar.parse_line`,
which alone decides whether it is good.
"""

from __future__ import annotations

from binascii import crc_hqx
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vaclog.wire.framing import CRC_INIT
from vaclog.wire.line_grammar import KIND_OF_LETTER, KIND_PRESSURE, Record, Skip, parse_line
from vaclog.wire.messages import GapKind, PulseKind

_NEWLINE, _RETURN, _SPACE, _STAR, _MINUS = b"\n\r *-"
_ZERO = ord("0")
_CHECK = 6  # length of " *HHHH"

_WORTHWHILE = 40
"""Fewer lines than this are read sooner one by one (measured; a live port sends few a read)."""

_NOT_FAST = 255
_KIND = np.full(256, _NOT_FAST, np.uint8)
_SPACES = np.zeros(256, np.uint8)
for _letter in b"PBSCR":
    _KIND[_letter] = KIND_OF_LETTER[_letter]
    _SPACES[_letter] = 2 if _letter in b"PB" else 1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LineTable:
    """Records read from lines, in order.

    Attributes
    ----------
    kinds
        uint8 [n], 0 pressure, 1–4 :class:`~vaclog.wire.messages.PulseKind`, 5 marker.
    ticks, values
        int64 [n].
    lines, offsets
        int64 [n], line number and offset in the stream.
    texts
        Marker text by line number.
    """

    kinds: NDArray[np.uint8]
    ticks: NDArray[np.int64]
    values: NDArray[np.int64]
    lines: NDArray[np.int64]
    offsets: NDArray[np.int64]
    texts: dict[int, str]

    @classmethod
    def empty(cls) -> LineTable:
        none = np.empty(0, np.int64)
        return cls(
            kinds=np.empty(0, np.uint8), ticks=none, values=none, lines=none, offsets=none, texts={}
        )

    def __len__(self) -> int:
        return len(self.ticks)

    def pick(self, rows: list[int]) -> LineTable:
        """Return some of the rows, with their own texts only."""
        lines = self.lines[rows]
        return LineTable(
            kinds=self.kinds[rows],
            ticks=self.ticks[rows],
            values=self.values[rows],
            lines=lines,
            offsets=self.offsets[rows],
            texts={n: self.texts[n] for n in lines.tolist() if n in self.texts},
        )

    def then(self, other: LineTable) -> LineTable:
        """Return the rows of both, one after the other."""
        return LineTable(
            kinds=np.concatenate((self.kinds, other.kinds)),
            ticks=np.concatenate((self.ticks, other.ticks)),
            values=np.concatenate((self.values, other.values)),
            lines=np.concatenate((self.lines, other.lines)),
            offsets=np.concatenate((self.offsets, other.offsets)),
            texts=self.texts | other.texts,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SkippedLine:
    """A line that could not be used."""

    line: int
    offset: int
    skip: Skip


def parse_table(
    block: bytes, *, first_line: int, offset: int, count_limit: int, max_line: int
) -> tuple[LineTable, list[SkippedLine], int]:
    """Read a block of whole lines.

    Parameters
    ----------
    block
        Ends with a newline.
    first_line, offset
        Number and stream offset of its first line.
    count_limit
        Pressure counts must be below this.
    max_line
        Longer lines are skipped unread.

    Returns
    -------
    The records, the skipped lines in order, and the number of lines.
    """
    text = np.frombuffer(block, np.uint8)
    ends = np.flatnonzero(text == _NEWLINE)
    starts = np.concatenate((np.zeros(1, ends.dtype), ends[:-1] + 1))
    stops = ends - ((ends > starts) & (text[ends - 1] == _RETURN))
    if len(ends) >= _WORTHWHILE:
        good, kinds, ticks, values = _read_fast(block, text, starts, stops, count_limit)
    else:
        good, kinds = np.zeros(len(ends), bool), np.zeros(len(ends), np.uint8)
        ticks, values = np.zeros(len(ends), np.int64), np.zeros(len(ends), np.int64)
    texts: dict[int, str] = {}
    skipped: list[SkippedLine] = []
    for row in np.flatnonzero(~good).tolist():
        start, stop = int(starts[row]), int(stops[row])
        if stop - start > max_line:
            result: Record | Skip | None = too_long(max_line)
        else:
            result = parse_line(block[start:stop], count_limit)
        if isinstance(result, Record):
            good[row] = True
            kinds[row], ticks[row], values[row] = result.kind, result.tick, result.value
            if result.text:
                texts[first_line + row] = result.text
        elif result is not None:
            skipped.append(SkippedLine(line=first_line + row, offset=offset + start, skip=result))
    rows = np.flatnonzero(good)
    table = LineTable(
        kinds=kinds[rows],
        ticks=ticks[rows],
        values=values[rows],
        lines=rows + first_line,
        offsets=starts[rows] + offset,
        texts=texts,
    )
    return table, skipped, len(ends)


def too_long(max_line: int) -> Skip:
    """Return why a line that never ends is skipped."""
    return Skip(kind=GapKind.CONTENT, detail=f"line longer than {max_line} bytes")


def _read_fast(
    block: bytes,
    text: NDArray[np.uint8],
    starts: NDArray[np.intp],
    stops: NDArray[np.intp],
    count_limit: int,
) -> tuple[NDArray[np.bool_], NDArray[np.uint8], NDArray[np.int64], NDArray[np.int64]]:
    """Return which lines fit the mould, and kind, tick and value of those."""
    letters = text[starts]
    kinds = _KIND[letters]
    good = kinds != _NOT_FAST
    bodies = _take_off_checks(block, text, starts, stops, good)
    spaces = np.flatnonzero(text == _SPACE)
    first = np.searchsorted(spaces, starts)
    count = np.searchsorted(spaces, bodies) - first
    good &= count == _SPACES[letters]
    # The padding keeps lines that are no candidates from reaching past the end.
    spaces = np.concatenate((spaces, np.full(2, len(text) - 1, spaces.dtype)))
    good &= spaces[first] == starts + 1
    two = count == 2
    tick_stops = np.where(two, spaces[np.minimum(first + 1, len(spaces) - 1)], bodies)
    ticks, whole = _digits(text, starts + 2, tick_stops, 10)
    good &= whole & (ticks < 1 << 32)
    values = np.zeros(len(starts), np.int64)
    two &= good
    if two.any():
        begin, end = tick_stops[two] + 1, bodies[two]
        negative = (text[begin] == _MINUS) & (kinds[two] == PulseKind.BODY)
        number, whole = _digits(text, begin + negative, end, 9)
        in_range = (number < count_limit) | (kinds[two] != KIND_PRESSURE)
        values[two] = np.where(negative, -number, number)
        good[two] = whole & in_range
    return good, kinds, ticks, values


def _take_off_checks(
    block: bytes,
    text: NDArray[np.uint8],
    starts: NDArray[np.intp],
    stops: NDArray[np.intp],
    good: NDArray[np.bool_],
) -> NDArray[np.intp]:
    """Return where each line ends without its checksum; clear `good` where that is wrong."""
    bodies = stops.copy()
    has = good & (stops - starts > _CHECK)
    has[has] = text[stops[has] - (_CHECK - 1)] == _STAR
    if not has.any():
        return bodies
    bodies[has] -= _CHECK
    good[has] = [
        block[body : body + _CHECK] == b" *%04X" % crc_hqx(block[start:body], CRC_INIT)
        for start, body in zip(starts[has].tolist(), bodies[has].tolist(), strict=True)
    ]
    return bodies


def _digits(
    text: NDArray[np.uint8], starts: NDArray[np.intp], stops: NDArray[np.intp], places: int
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Read decimal numbers at text[starts:stops]; False where one is no run of 1…`places`."""
    length = stops - starts
    whole = (length >= 1) & (length <= places)
    numbers = np.zeros(len(starts), np.int64)
    longest = int(length[whole].max(initial=0))
    shortest = int(length[whole].min(initial=places))
    last = np.where(whole, stops - 1, 0)
    for place in range(longest):
        digits = text[np.maximum(last - place, 0)] - np.uint8(_ZERO)
        if place >= shortest:
            outside = length <= place
            digits[outside] = 0
        whole &= digits <= 9
        numbers += digits * np.int64(10**place)
    return numbers, whole
