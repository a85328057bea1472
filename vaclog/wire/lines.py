"""Decodes text lines, version 1, incrementally.

Enters: bytes in any chunking. Leaves: messages, columnar per feed. No input or output, no
clock; the buffer never exceeds one line and the few records whose ticks await confirmation.

    # vaclog-lines 1 tick_ns=500 adc_bits=10 [device=NAME]
    P <tick> <counts>        pressure, 0 … 2^adc_bits − 1
    B <tick> <counts>        body angle (any integer)
    S <tick>                 spark on the No. 1 lead
    C <tick>                 spark on the coil lead
    R <tick>                 crank mark
    M <tick> [text]          marker

ASCII, one record a line, ``\\n`` or ``\\r\\n``, fields separated by one space. An optional
`` *HHHH`` at the end of a line is CRC-16/CCITT-FALSE of what precedes the space. Lines that
start with ``#`` other than the header are comments. Everything else is counted and skipped.

A feed is parsed as columns of digits (:mod:`vaclog.wire.line_table`), then :mod:`vaclog.wire.ticks`
judges the ticks.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from vaclog.wire.line_grammar import (
    KIND_MARKER,
    KIND_PRESSURE,
    Header,
    Skip,
    parse_header,
)
from vaclog.wire.line_table import LineTable, parse_table, too_long
from vaclog.wire.messages import Gap, GapKind, Hello, Marker, Message, Pressure, Pulses
from vaclog.wire.ticks import Judged, TickJudge

VERSION = 1

MAX_LINE = 512
"""Longest line in bytes; a record has at most 30, so this is a marker with a long text."""

MAX_ADC_BITS = 16
"""Finer counts are cut to this many bits: they are carried as uint16."""


_NO_HEADER = Skip(kind=GapKind.CONTENT, detail="no header line yet, so ticks have no length")
_ODD_TICK = Skip(kind=GapKind.TICK, detail="tick more than 1 s off its neighbours")

_RANK_HELLO, _RANK_GAP, _RANK_MARKER = range(3)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Note:
    """A single message, and after which line it became known."""

    line: int
    boot: int = 0  # of those that one line confirms together
    rank: int  # in one boot: its hello, then gaps, then markers
    message: Message


class LinesDecoder:
    """From bytes to messages.

    Nothing can be read before the header line, since ticks have no length without it: lines
    before it are counted and skipped. A record whose tick is more than 1 s off its neighbours
    is held back until the lines after it decide. Where they confirm that the ticks have
    started again, a new :class:`Hello` with the next ``boot`` comes first.

    Parameters
    ----------
    offset, line
        Offset in the stream and number of the first line that will be fed, for messages.

    Attributes
    ----------
    lines
        Complete lines so far, of any sort.
    lines_skipped
        Lines that could not be used.
    gaps
        Gap messages that are not about a skipped line.
    frames
        Always 0; for likeness with the binary decoder.
    future_version
        The newer version that the header named, else None.
    header_problem
        Why the header cannot be used, else "".
    """

    def __init__(self, *, offset: int = 0, line: int = 1) -> None:
        self.frames = 0
        self.lines = 0
        self.lines_skipped = 0
        self.gaps = 0
        self.future_version: int | None = None
        self.header_problem = ""
        self._tail = b""
        self._offset = offset  # of the tail's first byte
        self._line = line  # number of the tail's line
        self._given_up = False  # inside a line that was too long and has been reported
        self._hello: Hello | None = None
        self._shift = 0  # bits by which counts are too fine
        self._limit = 0  # counts must be below this
        self._judge: TickJudge | None = None
        self._waiting = LineTable.empty()

    @property
    def buffered(self) -> int:
        """Bytes held back, at most one line; waiting records come on top, at most a few."""
        return len(self._tail)

    def feed(self, data: bytes) -> list[Message]:
        """Return the messages that `data` completes."""
        buffer = self._tail + data
        if self._given_up:
            end = data.find(b"\n")
            if end < 0:
                self._offset += len(data)
                return []
            self._offset += end + 1
            self._line += 1
            self.lines += 1
            self._given_up = False
            buffer = data[end + 1 :]
        cut = buffer.rfind(b"\n") + 1
        block, self._tail = buffer[:cut], buffer[cut:]
        messages = self._read(block, final=False) if block else []
        if len(self._tail) > MAX_LINE:
            messages.append(self._skip(too_long(MAX_LINE), self._offset, self._line))
            self._offset += len(self._tail)
            self._tail = b""
            self._given_up = True
        return messages

    def finish(self) -> list[Message]:
        """Return what is left: a last line without a line end counts if it can be read."""
        block = self._tail + b"\n" if self._tail else b""
        self._tail = b""
        return self._read(block, final=True)

    def _read(self, block: bytes, *, final: bool) -> list[Message]:
        """Turn whole lines into messages."""
        notes: list[_Note] = []
        block = self._find_header(block, notes)
        table = self._waiting
        if block and self._judge is not None:
            fresh, skipped, count = parse_table(
                block,
                first_line=self._line,
                offset=self._offset,
                count_limit=self._limit,
                max_line=MAX_LINE,
            )
            table = table.then(fresh)
            for line in skipped:
                gap = self._skip(line.skip, line.offset, line.line)
                notes.append(_Note(line=line.line, rank=_RANK_GAP, message=gap))
            self.lines += count
            self._line += count
            self._offset += len(block)
        return self._settle(table, notes, final=final)

    def _find_header(self, block: bytes, notes: list[_Note]) -> bytes:
        """Pass over lines until the header has been read; return what follows it."""
        while block and self._judge is None:
            raw, _, block = block.partition(b"\n")
            line = raw.removesuffix(b"\r")
            header = parse_header(line) if len(line) <= MAX_LINE else None
            message: Message | None = None
            if header is not None:
                message = self._start(header)
            elif line and not line.startswith(b"#") and self.future_version is None:
                message = self._skip(_NO_HEADER, self._offset, self._line)
            if message is not None:
                notes.append(_Note(line=self._line, rank=_RANK_HELLO, message=message))
            self.lines += 1
            self._line += 1
            self._offset += len(raw) + 1
        return block

    def _start(self, header: Header) -> Message:
        """Take up the header, or say why that cannot be done."""
        if header.version > VERSION:
            known = self.future_version is not None
            self.future_version = header.version
            self.gaps += not known
            detail = f"text lines of version {header.version}, known is {VERSION}"
            return Gap(kind=GapKind.VERSION, offset=self._offset, line=self._line, detail=detail)
        if header.problem:
            self.header_problem = header.problem
            skip = Skip(kind=GapKind.CONTENT, detail=header.problem)
            return self._skip(skip, self._offset, self._line)
        self.header_problem, self.future_version = "", None
        self._limit = 1 << header.adc_bits
        self._shift = max(0, header.adc_bits - MAX_ADC_BITS)
        self._judge = TickJudge(header.tick_ns)
        self._hello = Hello(
            version=VERSION,
            boot=0,
            tick_ns=header.tick_ns,
            adc_bits=header.adc_bits - self._shift,
            device=header.device,
        )
        return self._hello

    def _skip(self, skip: Skip, offset: int, line: int) -> Gap:
        self.lines_skipped += 1
        return Gap(kind=skip.kind, offset=offset, line=line, detail=skip.detail)

    def _settle(self, table: LineTable, notes: list[_Note], *, final: bool) -> list[Message]:
        """Judge the ticks, then give out what is decided in order."""
        if self._judge is None or not len(table):
            return [note.message for note in notes]
        judged = self._judge.judge(table.ticks, final=final)
        self._waiting = table.pick(judged.held)
        for row in np.flatnonzero(~judged.keep & (judged.decided >= 0)).tolist():
            gap = self._skip(_ODD_TICK, int(table.offsets[row]), int(table.lines[row]))
            notes.append(_note(gap, _RANK_GAP, table, judged, row))
        for row in np.flatnonzero(judged.keep & (table.kinds == KIND_MARKER)).tolist():
            text = table.texts.get(int(table.lines[row]), "")
            marker = Marker(tick=int(table.ticks[row]), text=text)
            notes.append(_note(marker, _RANK_MARKER, table, judged, row))
        for row in judged.boots:
            notes.append(_note(self._reboot(), _RANK_HELLO, table, judged, row))
        notes.sort(key=lambda note: (note.line, note.boot, note.rank))
        edges = [0, *judged.boots, len(table)]
        return self._in_order(table, judged.keep, edges, notes)

    def _reboot(self) -> Hello:
        assert self._hello is not None  # there is a judge, so there was a header
        self._hello = replace(self._hello, boot=self._hello.boot + 1)
        return self._hello

    def _in_order(
        self, table: LineTable, keep: NDArray[np.bool_], edges: list[int], notes: list[_Note]
    ) -> list[Message]:
        """Put the columns of each stretch between two boots after its hello."""
        stretches: list[list[Message]] = [[]]
        for note in notes:
            if isinstance(note.message, Hello):
                stretches.append([])
            stretches[-1].append(note.message)
        # The header's own hello begins a stretch too: nothing can come before it.
        columns: list[list[Message]] = [[] for _ in range(len(stretches) - len(edges) + 1)]
        for first, last in pairwise(edges):
            columns.append(self._columns(table, keep, first, last))
        messages: list[Message] = []
        for stretch, column in zip(stretches, columns, strict=True):
            head = [m for m in stretch[:1] if isinstance(m, Hello)]
            messages += [*head, *column, *stretch[len(head) :]]
        return messages

    def _columns(
        self, table: LineTable, keep: NDArray[np.bool_], first: int, last: int
    ) -> list[Message]:
        kept = keep[first:last]
        kinds = table.kinds[first:last]
        ticks = table.ticks[first:last]
        values = table.values[first:last]
        columns: list[Message] = []
        rows = kept & (kinds == KIND_PRESSURE)
        if rows.any():
            counts = (values[rows] >> self._shift).astype(np.uint16)
            columns.append(Pressure(ticks=ticks[rows].astype(np.uint32), counts=counts))
        rows = kept & (kinds != KIND_PRESSURE) & (kinds != KIND_MARKER)
        if rows.any():
            columns.append(
                Pulses(
                    kinds=kinds[rows],
                    ticks=ticks[rows].astype(np.uint32),
                    values=values[rows].astype(np.int32),
                )
            )
        return columns


def _note(message: Message, rank: int, table: LineTable, judged: Judged, row: int) -> _Note:
    """Place a message of record `row` at the line that decided about it."""
    return _Note(
        line=int(table.lines[judged.decided[row]]),
        boot=bisect_right(judged.boots, row),
        rank=rank,
        message=message,
    )
