"""Decodes the binary protocol, version 1, incrementally.

Enters: bytes in any chunking. Leaves: messages, columnar per feed. No input or output, no
clock; the buffer never exceeds one frame. See firmware_notes/protocol.md.

The common case must be fast (an hour of samples is 180 000 frames), so a feed is handled as
a whole (:mod:`vaclog.wire.batch`), and a read of a frame or two by a short way
(:mod:`vaclog.wire.plain`).
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from vaclog.wire.batch import (
    Batch,
    as_arrived,
    evenly,
    event_record,
    in_range,
    pressure_record,
)
from vaclog.wire.binary_layout import (
    CRC,
    DROPPED,
    EVENT,
    HEAD,
    MARKER_KIND,
    MAX_EVENTS,
    MAX_SAMPLES,
    PRESSURE_HEAD,
    TYPE_DROPPED,
    TYPE_EVENTS,
    TYPE_HELLO,
    TYPE_PRESSURE,
    VERSION,
)
from vaclog.wire.framing import MAX_FRAME, unframe
from vaclog.wire.messages import (
    DeviceLoss,
    Gap,
    GapKind,
    Hello,
    Marker,
    Message,
    Pressure,
    Pulses,
)
from vaclog.wire.plain import are_pressure_and_pulses, plain_pressure, plain_pulses, read_hello

_AROUND_SAMPLES = HEAD + PRESSURE_HEAD.size + CRC

_BAD_DETAIL = {
    GapKind.FRAMING: "malformed frame",
    GapKind.CHECKSUM: "checksum does not match",
}

_MOST_PLAIN = 2
"""Frames in a read that are read one by one: twenty milliseconds bring a block of samples and
now and then a block of pulses."""

_NOTHING_NEW = DeviceLoss(events=0, samples=0, frames=0)  # stands for what is not passed on again

_Note = tuple[int, Message]  # a single message and the piece after which it belongs
_Boots = list[tuple[int, Hello | None]]  # frame, and what it says; None: not understood


class BinaryDecoder:
    """From bytes to messages.

    An unchanged :class:`Hello` or :class:`DeviceLoss` is not passed on again. Data may come
    before the first Hello where a capture begins in mid-stream: they are passed on as they
    are, in front of it. After a Hello of a newer version nothing is passed on until one of a
    known version comes.

    Parameters
    ----------
    offset
        Offset in the stream of the first byte that will be fed, for messages only.

    Attributes
    ----------
    frames
        Sound frames so far, of known type or not.
    lines, lines_skipped
        Always 0; for likeness with the text decoder.
    gaps
        Gap messages so far that stand for something lost.
    future_version
        The newer version that the last Hello named, else None.
    """

    def __init__(self, *, offset: int = 0) -> None:
        self.frames = 0
        self.lines = 0
        self.lines_skipped = 0
        self.gaps = 0
        self.future_version: int | None = None
        self._tail = b""
        self._offset = offset  # of the tail's first byte
        self._given_up = False  # inside a frame that was too long and has been reported
        self._synced = False  # a whole piece has been seen
        self._sequence: int | None = None  # of the last sound frame
        self._unreadable = 0  # pieces since the last sound frame
        self._hello: Hello | None = None
        self._hello_body: bytes | None = None
        self._loss_body: bytes | None = None

    @property
    def buffered(self) -> int:
        """Bytes held back; at most one frame."""
        return len(self._tail)

    def feed(self, data: bytes) -> list[Message]:
        """Return the messages that `data` completes."""
        if b"\0" not in data and len(self._tail) + len(data) <= MAX_FRAME:
            self._tail += data
            return []
        messages = self._read_plain(data)
        return self._read(self._split(data)) if messages is None else messages

    def finish(self) -> list[Message]:
        """Return what is left: a stream that is cut in mid-frame gives a Gap."""
        if not self._tail:
            return []
        gap = self._gap(GapKind.FRAMING, self._offset, "the stream ends inside a frame")
        self._offset += len(self._tail)
        self._tail = b""
        return [gap]

    def _read_plain(self, data: bytes) -> list[Message] | None:
        """Read what a live port brings nearly always: a sound frame or two, nothing new said.

        The tables below cost the same for one frame as for a hundred; fifty small reads a second
        are cheaper one by one. Whatever is not plain is left to them, untouched.
        """
        *pieces, tail = (self._tail + data).split(b"\0", _MOST_PLAIN)
        odd = self._sequence is None or self._unreadable or self.future_version is not None
        if odd or self._given_up or b"\0" in tail or len(tail) > MAX_FRAME:
            return None
        messages: list[Message] = []
        for number, piece in enumerate(pieces, self._sequence or 0):
            frame = unframe(piece) if piece else b""
            if not isinstance(frame, bytes) or not frame or frame[1] != (number + 1) & 0xFF:
                return None
            message = self._plain_frame(frame)
            if message is None:
                return None
            messages += [message] if message is not _NOTHING_NEW else []
        if len(messages) == 2 and not are_pressure_and_pulses(messages):
            return None
        self._offset += sum(map(len, pieces)) + len(pieces)
        self._tail = tail
        self.frames += len(pieces)
        self._sequence = ((self._sequence or 0) + len(pieces)) & 0xFF
        return messages

    def _plain_frame(self, frame: bytes) -> Message | None:
        """Read one sound frame, or None if it is not plain."""
        kind, body = frame[0], frame[HEAD:-CRC]
        if kind == TYPE_PRESSURE:
            return plain_pressure(body, self._hello)
        if kind == TYPE_EVENTS:
            return plain_pulses(body)
        same = {TYPE_HELLO: self._hello_body, TYPE_DROPPED: self._loss_body}
        return _NOTHING_NEW if kind in same and body == same[kind] else None

    def _split(self, data: bytes) -> Batch:
        buffer, offset = self._tail + data, self._offset
        cut = buffer.rfind(b"\0") + 1
        whole, tail = buffer[:cut], buffer[cut:]
        if self._given_up and whole:  # its end is known by now: pass over it
            begin = whole.find(b"\0") + 1
            whole, offset = whole[begin:], offset + begin
            self._given_up = False
        self._offset = offset + len(whole)
        if self._given_up or len(tail) > MAX_FRAME:
            if not self._given_up:
                whole += tail + b"\0"  # reported now, as a frame that is too long
            self._given_up = True
            self._offset += len(tail)
            tail = b""
        self._tail = tail
        return Batch(whole, offset)

    def _read(self, batch: Batch) -> list[Message]:
        notes: list[_Note] = [
            (piece, self._unreadable_gap(batch, piece, kind)) for piece, kind in batch.bad
        ]
        if not len(batch):
            self._unreadable += len(batch.bad)
            return [message for _, message in notes]
        self._synced = True
        self.frames += len(batch)
        before = self._hello
        muted_before = self.future_version is not None
        boots, reboots = self._boots(batch, notes)
        self._check_sequence(batch, reboots, notes)
        starts = [0, *(row for row, _ in boots), len(batch)]
        hellos: list[Hello | None] = [None, *(hello for _, hello in boots)]
        muted = [muted_before, *(hello is None for _, hello in boots)]
        columns: list[list[Message]] = []
        for (first, last), mute, hello in zip(
            pairwise(starts), muted, [before, *hellos[1:]], strict=True
        ):
            if first in reboots:
                self._loss_body = None  # its counters start again
            rows = slice(first, last)
            columns.append([] if mute else self._columns(batch, rows, hello, notes))
        return _in_order(batch, starts, hellos, columns, notes)

    def _gap(self, kind: GapKind, offset: int, detail: str, lost: int = 1) -> Gap:
        self.gaps += lost > 0
        return Gap(kind=kind, offset=offset, lost=lost, detail=detail)

    def _unreadable_gap(self, batch: Batch, piece: int, kind: GapKind) -> Gap:
        """Report a piece that is no frame; the very first one may merely lack its beginning."""
        offset = batch.offset(piece)
        too_long = batch.piece_lengths[piece] > MAX_FRAME
        first = piece == 0 and not self._synced
        self._synced = True
        if first and not too_long:
            return self._gap(kind, offset, "the stream begins inside a frame", lost=0)
        return self._gap(kind, offset, "frame without an end" if too_long else _BAD_DETAIL[kind])

    def _boots(self, batch: Batch, notes: list[_Note]) -> tuple[_Boots, list[int]]:
        """Return the frames at which the device changes, and those at which it has rebooted."""
        boots: _Boots = []
        reboots: list[int] = []
        for row in batch.rows_of(TYPE_HELLO).tolist():
            body = batch.body(row)
            if body == self._hello_body:
                continue
            offset = batch.offset_of_frame(row)
            hello = read_hello(body)
            if body and body[0] > VERSION:
                if self.future_version is None:
                    detail = f"the device speaks version {body[0]}, known is {VERSION}"
                    notes.append((batch.piece(row), self._gap(GapKind.VERSION, offset, detail)))
                self.future_version = body[0]
            elif hello is None:
                notes.append((batch.piece(row), self._content_gap(offset, "hello")))
                continue
            else:
                self.future_version = None
            if hello is None or self._hello is None or hello.boot != self._hello.boot:
                reboots.append(row)
            self._hello, self._hello_body = hello, body
            boots.append((row, hello))
        return boots, reboots

    def _content_gap(self, offset: int, what: str) -> Gap:
        return self._gap(GapKind.CONTENT, offset, f"{what} frame with impossible content")

    def _check_sequence(self, batch: Batch, reboots: list[int], notes: list[_Note]) -> None:
        """Note frames that are missing beyond those that came but were unreadable."""
        sequence = batch.sequence
        previous = int(sequence[0]) - 1 if self._sequence is None else self._sequence
        before = np.concatenate((np.array([previous & 0xFF], np.uint8), sequence[:-1]))
        missing = (sequence - before - np.uint8(1)).astype(np.int64)
        missing[reboots] = 0
        bad_before = batch.where - np.arange(len(sequence))  # unreadable pieces before a frame
        if missing.any():
            explained = np.diff(bad_before, prepend=-self._unreadable)
            for row in np.flatnonzero(missing > explained).tolist():
                lost = int(missing[row] - explained[row])
                offset = batch.offset_of_frame(row)
                gap = self._gap(GapKind.SEQUENCE, offset, f"{lost} frame(s) missing", lost)
                notes.append((batch.piece(row), gap))
        self._unreadable = len(batch.bad) - int(bad_before[-1])
        self._sequence = int(sequence[-1])

    def _columns(
        self, batch: Batch, rows: slice, hello: Hello | None, notes: list[_Note]
    ) -> list[Message]:
        """Read a stretch of frames, all of one boot."""
        columns: list[Message] = []
        if pressure := self._pressure(batch, rows, hello, notes):
            columns.append(pressure)
        if pulses := self._events(batch, rows, notes):
            columns.append(pulses)
        for row in batch.rows_of(TYPE_DROPPED, rows).tolist():
            body = batch.body(row)
            if body == self._loss_body:
                continue
            if len(body) != DROPPED.size:
                gap = self._content_gap(batch.offset_of_frame(row), "dropped")
                notes.append((batch.piece(row), gap))
                continue
            self._loss_body = body
            events, samples, frames = DROPPED.unpack(body)
            loss = DeviceLoss(events=events, samples=samples, frames=frames)
            notes.append((batch.piece(row), loss))
        return columns

    def _pressure(
        self, batch: Batch, rows: slice, hello: Hello | None, notes: list[_Note]
    ) -> Pressure | None:
        chosen = batch.rows_of(TYPE_PRESSURE, rows)
        if not len(chosen):
            return None
        samples, odd = np.divmod(batch.lengths[chosen] - _AROUND_SAMPLES, 2)
        good = (samples >= 1) & (samples <= MAX_SAMPLES) & (odd == 0)
        chosen, samples = self._drop(
            batch, chosen, samples, good, kind=GapKind.CONTENT, notes=notes
        )
        tables = batch.tables(chosen, samples, pressure_record)
        good = in_range(samples, tables, hello)
        if not good.all():
            chosen, samples = self._drop(
                batch, chosen, samples, good, kind=GapKind.RANGE, notes=notes
            )
            tables = batch.tables(chosen, samples, pressure_record)
        if not len(chosen):
            return None
        ticks: list[NDArray[np.uint32]] = []
        counts: list[NDArray[np.uint16]] = []
        for size, _, table in tables:
            first, period = table["tick"].astype(np.uint32), table["period"].astype(np.uint32)
            ticks.append(evenly(first, period, size))
            counts.append(table["items"].astype(np.uint16))
        return Pressure(
            ticks=as_arrived(samples, tables, ticks), counts=as_arrived(samples, tables, counts)
        )

    def _drop(
        self,
        batch: Batch,
        chosen: NDArray[np.intp],
        samples: NDArray[np.intp],
        good: NDArray[np.bool_],
        *,
        kind: GapKind,
        notes: list[_Note],
    ) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Report the pressure frames that are not good, and return the others."""
        if good.all():
            return chosen, samples
        for row in chosen[~good].tolist():
            detail = "pressure frame with a count beyond the converter's range"
            if kind is GapKind.CONTENT:
                detail = "pressure frame with impossible content"
            gap = self._gap(kind, batch.offset_of_frame(row), detail)
            notes.append((batch.piece(row), gap))
        return chosen[good], samples[good]

    def _events(self, batch: Batch, rows: slice, notes: list[_Note]) -> Pulses | None:
        chosen = batch.rows_of(TYPE_EVENTS, rows)
        if not len(chosen):
            return None
        count, rest = np.divmod(batch.lengths[chosen] - HEAD - CRC, EVENT.itemsize)
        good = (count >= 1) & (count <= MAX_EVENTS) & (rest == 0)
        for row in chosen[~good].tolist():
            gap = self._content_gap(batch.offset_of_frame(row), "event")
            notes.append((batch.piece(row), gap))
        chosen, count = chosen[good], count[good]
        if not len(chosen):
            return None
        tables = batch.tables(chosen, count, event_record)
        items = [table["items"] for _, _, table in tables]
        events = np.ascontiguousarray(as_arrived(count, tables, items)).view(EVENT)
        kinds = events["kind"]
        for index in np.flatnonzero(kinds == MARKER_KIND).tolist():
            row = int(np.repeat(chosen, count)[index])
            notes.append((batch.piece(row), Marker(tick=int(events["tick"][index]))))
        known = (kinds >= 1) & (kinds < MARKER_KIND)
        if not known.all():
            events = events[known]
        if not len(events):
            return None
        return Pulses(
            kinds=events["kind"].copy(),
            ticks=events["tick"].astype(np.uint32),
            values=events["value"].astype(np.int32),
        )


def _in_order(
    batch: Batch,
    starts: list[int],
    hellos: list[Hello | None],
    columns: list[list[Message]],
    notes: list[_Note],
) -> list[Message]:
    """Put hello, columns and notes of each stretch one after the other."""
    notes.sort(key=lambda note: note[0])  # stable: notes of one piece stay in order
    messages: list[Message] = []
    taken = 0
    for index, (hello, stretch) in enumerate(zip(hellos, columns, strict=True)):
        if hello is not None:
            messages.append(hello)
        messages += stretch
        end = starts[index + 1]
        limit = batch.piece(end) if index + 1 < len(hellos) else len(batch.piece_lengths)
        while taken < len(notes) and notes[taken][0] < limit:
            messages.append(notes[taken][1])
            taken += 1
    return messages
