"""Tells which protocol a stream speaks, and decodes it.

Enters: bytes in any chunking from a port or file. Leaves: messages of whichever decoder fits.
The content decides, never a name or an option: the first sound frame or the first header
line. Three lines in a row that read as records, but no header, are text lines too; their
decoder then says what is missing.
"""

from __future__ import annotations

import re
from typing import Literal, TypeAlias

from vaclog.wire.binary import BinaryDecoder
from vaclog.wire.framing import MAX_FRAME, unframe
from vaclog.wire.line_grammar import Record, parse_header, parse_line
from vaclog.wire.lines import MAX_LINE, LinesDecoder
from vaclog.wire.messages import Gap, GapKind, Message

WireFormat: TypeAlias = Literal["binary", "lines"]

_LINES_IN_A_ROW = 3
"""A stray line may read as a record by chance; three in a row do not."""

_ANY_COUNT = 1 << 32

_TERMINATOR = re.compile(rb"[\0\n]")


class StreamDecoder:
    """Holds bytes back until it knows the protocol, then hands everything to its decoder.

    Attributes
    ----------
    format
        "binary", "lines", or None while nothing has been recognised.
    """

    def __init__(self) -> None:
        self.format: WireFormat | None = None
        self._decoder: BinaryDecoder | LinesDecoder | None = None
        self._sight = _Sight()

    @property
    def frames(self) -> int:
        """Sound frames so far."""
        return self._decoder.frames if self._decoder else 0

    @property
    def lines(self) -> int:
        """Complete text lines so far."""
        return self._decoder.lines if self._decoder else 0

    @property
    def lines_skipped(self) -> int:
        """Text lines that could not be used."""
        return self._decoder.lines_skipped if self._decoder else 0

    @property
    def gaps(self) -> int:
        """Gaps that stand for something lost, skipped lines aside."""
        return self._decoder.gaps if self._decoder else 0

    @property
    def future_version(self) -> int | None:
        """The newer protocol version that was met, else None."""
        return self._decoder.future_version if self._decoder else None

    @property
    def header_problem(self) -> str:
        """Why the header of text lines cannot be used, else an empty string."""
        return self._decoder.header_problem if isinstance(self._decoder, LinesDecoder) else ""

    @property
    def buffered(self) -> int:
        """Bytes held back; bounded, whatever comes."""
        return self._decoder.buffered if self._decoder else self._sight.buffered

    def feed(self, data: bytes) -> list[Message]:
        """Return the messages that `data` completes."""
        if self._decoder is not None:
            return self._decoder.feed(data)
        return self._start(self._sight.look(data))

    def finish(self) -> list[Message]:
        """Return what is left. A stream in which nothing was recognised gives one Gap."""
        messages: list[Message] = []
        if self._decoder is None:
            messages = self._start(self._sight.look_at_end())
        if self._decoder is not None:
            return messages + self._decoder.finish()
        if self._sight.seen:
            detail = f"no frame and no text line in {self._sight.seen} bytes"
            messages.append(Gap(kind=GapKind.CONTENT, offset=0, detail=detail))
        return messages

    def _start(self, found: WireFormat | None) -> list[Message]:
        """Set up the decoder for what was found, beginning where it was found."""
        if found is None:
            return []
        sight, self.format = self._sight, found
        start = sight.start
        if found == "binary":
            self._decoder = BinaryDecoder(offset=start.offset)
        else:
            self._decoder = LinesDecoder(offset=start.offset, line=start.line)
            self._decoder.lines = start.line - 1
            self._decoder.lines_skipped = start.bad
        # A binary stream may well begin inside a frame: one bad piece there is no loss.
        lost = start.bad if found == "lines" else start.bad - 1
        messages: list[Message] = []
        if lost > 0:
            what = "frame" if found == "binary" else "text line"
            detail = f"{start.offset} bytes before the first {what}"
            line = int(found == "lines")
            messages.append(
                Gap(kind=GapKind.CONTENT, offset=0, line=line, lost=lost, detail=detail)
            )
            self._decoder.gaps += found == "binary"
        return messages + self._decoder.feed(sight.take(start.offset))


class _Place:
    """Where a piece or a line begins, and how many unreadable ones came before it."""

    __slots__ = ("bad", "line", "offset")

    def __init__(self, offset: int, line: int, bad: int) -> None:
        self.offset = offset
        self.line = line
        self.bad = bad


class _Sight:
    """Looks for the first evidence in order of the bytes, so chunking does not matter.

    Keeps the piece since the last 0x00, the line since the last newline and the record lines
    in a row; of these only what could still be a frame or a line, so a bounded buffer.
    """

    def __init__(self) -> None:
        self.seen = 0
        self.start = _Place(0, 1, 0)
        self._buffer = b""
        self._piece = _Place(0, 1, 0)
        self._line = _Place(0, 1, 0)
        self._row: list[_Place] = []  # record lines since the last other line

    @property
    def buffered(self) -> int:
        return len(self._buffer)

    def take(self, offset: int) -> bytes:
        """Hand over the buffer from a stream offset on."""
        taken = self._buffer[len(self._buffer) - (self.seen - offset) :]
        self._buffer = b""
        return taken

    def look(self, data: bytes) -> WireFormat | None:
        """Look at more bytes; sets `start` when something is found."""
        scanned = len(self._buffer)
        first = self.seen - scanned  # stream offset of the buffer
        self._buffer += data
        self.seen += len(data)
        for match in _TERMINATOR.finditer(self._buffer, scanned):
            found = self._judge(first, first + match.start(), match[0])
            if found is not None:
                return found
        self._forget(first)
        return None

    def look_at_end(self) -> WireFormat | None:
        """Nothing follows: the last line counts as ended, and fewer lines will do."""
        first = self.seen - len(self._buffer)
        if self._line.offset < self.seen and self._line_is_header(first, self.seen):
            return "lines"
        if self._row:
            self.start = self._row[0]
            return "lines"
        return None

    def _judge(self, first: int, at: int, terminator: bytes) -> WireFormat | None:
        if terminator == b"\0":
            length = at - self._piece.offset
            if 0 < length <= MAX_FRAME:
                piece = self._buffer[self._piece.offset - first : at - first]
                if isinstance(unframe(piece), bytes):
                    self.start = self._piece
                    return "binary"
            self._piece = _Place(at + 1, 0, self._piece.bad + (length > 0))
            return None
        if self._line_is_header(first, at) or len(self._row) == _LINES_IN_A_ROW:
            return "lines"
        return None

    def _line_is_header(self, first: int, at: int) -> bool:
        """Judge the line that ends at `at`; sets `start` also for a row of record lines."""
        here = self._line
        line = b""
        bad = at - here.offset > MAX_LINE
        if not bad:
            line = self._buffer[here.offset - first : at - first].removesuffix(b"\r")
            if parse_header(line) is not None:
                self.start = here
                return True
        result = parse_line(line, _ANY_COUNT)
        if isinstance(result, Record):
            self._row.append(here)
            self.start = self._row[0]
            bad = True  # if a header should follow: it could not be used
        elif bad or result is not None:
            self._row = []
            bad = True
        self._line = _Place(at + 1, here.line + 1, here.bad + bad)
        return False

    def _forget(self, first: int) -> None:
        """Drop what can no longer be part of a frame or line."""
        keep = [place.offset for place in self._row[:1]]
        if self.seen - self._piece.offset <= MAX_FRAME:
            keep.append(self._piece.offset)
        if self.seen - self._line.offset <= MAX_LINE:
            keep.append(self._line.offset)
        self._buffer = self._buffer[min(keep, default=self.seen) - first :]
