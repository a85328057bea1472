"""Encodes messages, as a device or a ten-line sketch would send them.

Enters: messages. Leaves: bytes of the binary protocol or of text lines. Used by whatever
plays a device, and to bring foreign data onto the one path that everything takes.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from vaclog.wire.binary_layout import (
    DROPPED,
    EVENT,
    HELLO,
    MARKER_KIND,
    MAX_EVENTS,
    MAX_SAMPLES,
    PRESSURE_HEAD,
    TYPE_DROPPED,
    TYPE_EVENTS,
    TYPE_HELLO,
    TYPE_PRESSURE,
)
from vaclog.wire.framing import crc16, frame
from vaclog.wire.messages import (
    DeviceLoss,
    Hello,
    Marker,
    Message,
    Pressure,
    PulseKind,
    Pulses,
)

FIRMWARE_SAMPLES = 20
"""Samples per pressure frame of the reference firmware."""

_LETTER = {
    int(PulseKind.SPARK): "S",
    int(PulseKind.COIL): "C",
    int(PulseKind.MARK): "R",
    int(PulseKind.BODY): "B",
}


class BinaryEncoder:
    """From messages to frames; keeps the sequence number.

    Parameters
    ----------
    samples_per_frame
        At most this many pressure samples in a frame.
    sequence
        Number of the first frame.
    """

    def __init__(self, *, samples_per_frame: int = FIRMWARE_SAMPLES, sequence: int = 0) -> None:
        if not 1 <= samples_per_frame <= MAX_SAMPLES:
            raise ValueError(f"samples_per_frame must be 1…{MAX_SAMPLES}: {samples_per_frame}")
        self._samples = samples_per_frame
        self._sequence = sequence
        self._repeated: dict[int, bytes] = {}  # body of the last hello and dropped frame
        self._second: int | None = None  # ticks in a second, known from the hello
        self._repeat_at: int | None = None  # raw tick of the next repetition

    def encode(self, messages: Iterable[Message]) -> bytes:
        """Return the frames of `messages`.

        Pressure, pulses and markers between two other messages are put in order of time, with
        hello and dropped frames repeated each second, as the firmware does. A gap is nothing.
        """
        out: list[bytes] = []
        timed: list[Pressure | Pulses | Marker] = []
        for message in messages:
            if isinstance(message, Pressure | Pulses | Marker):
                if isinstance(message, Marker) or len(message.ticks):
                    timed.append(message)
                continue
            out += self._timed(timed)
            timed = []
            if isinstance(message, Hello):
                out.append(self._hello(message))
            elif isinstance(message, DeviceLoss):
                body = DROPPED.pack(message.events, message.samples, message.frames)
                out.append(self._repeatable(TYPE_DROPPED, body))
        return b"".join(out + self._timed(timed))

    def frame(self, kind: int, body: bytes) -> bytes:
        """Return one frame of any type with the next sequence number."""
        made = frame(bytes((kind, self._sequence)) + body)
        self._sequence = (self._sequence + 1) & 0xFF
        return made

    def _hello(self, hello: Hello) -> bytes:
        self._second = max(1, round(1e9 / hello.tick_ns))
        self._repeat_at = None
        body = HELLO.pack(hello.version, hello.boot, hello.tick_ns, hello.adc_bits)
        return self._repeatable(TYPE_HELLO, body + hello.device.encode("ascii", "replace"))

    def _repeatable(self, kind: int, body: bytes) -> bytes:
        self._repeated[kind] = body
        return self.frame(kind, body)

    def _timed(self, messages: list[Pressure | Pulses | Marker]) -> list[bytes]:
        """Return pressure frames, each followed by the events up to its last sample."""
        if not messages:
            return []
        columns = _Columns.of(messages)
        values = columns.events["value"]
        if len(values) and not -(1 << 15) <= values.min() <= values.max() < 1 << 15:
            raise ValueError("body counts of the binary protocol are 16-bit signed integers")
        raw = (columns.ticks & 0xFFFFFFFF).tolist()
        frames = _frames(columns.ticks, self._samples)
        ends = columns.ticks[[first + count - 1 for first, count, _ in frames]]
        due = np.searchsorted(columns.events["tick"], ends, side="right").tolist()
        counts = np.ascontiguousarray(columns.counts, "<u2")
        out: list[bytes] = []
        sent = 0
        for (first, count, period), until in zip(frames, due, strict=True):
            out += self._repetition(raw[first])
            body = PRESSURE_HEAD.pack(raw[first], period) + counts[first : first + count].tobytes()
            out.append(self.frame(TYPE_PRESSURE, body))
            out += self._events(columns.events[sent:until])
            sent = until
        return out + self._events(columns.events[sent:])

    def _repetition(self, tick: int) -> list[bytes]:
        """Return hello and dropped once a second."""
        if self._second is None:
            return []
        if self._repeat_at is None:
            self._repeat_at = tick
        if (tick - self._repeat_at) % (1 << 32) < self._second:
            return []
        self._repeat_at = tick
        return [self.frame(kind, body) for kind, body in self._repeated.items()]

    def _events(self, events: NDArray[np.void]) -> list[bytes]:
        wire = np.empty(len(events), EVENT)
        wire["kind"] = events["kind"]
        wire["tick"] = events["tick"] & 0xFFFFFFFF
        wire["value"] = events["value"]
        return [
            self.frame(TYPE_EVENTS, wire[first : first + MAX_EVENTS].tobytes())
            for first in range(0, len(wire), MAX_EVENTS)
        ]


class LinesEncoder:
    """From messages to text lines.

    Parameters
    ----------
    check
        Whether each line carries its checksum.
    """

    def __init__(self, *, check: bool = False) -> None:
        self._check = check
        self._has_header = False

    def encode(self, messages: Iterable[Message]) -> bytes:
        """Return the lines of `messages`, those between two others in order of time.

        A second hello cannot be said in text lines: the ticks that start again say it. Device
        losses and gaps cannot be said either.
        """
        lines: list[str] = []
        timed: list[Pressure | Pulses | Marker] = []
        for message in messages:
            if isinstance(message, Pressure | Pulses | Marker):
                if isinstance(message, Marker) or len(message.ticks):
                    timed.append(message)
                continue
            lines += _timed_lines(timed)
            timed = []
            if isinstance(message, Hello) and not self._has_header:
                lines.append(_header_line(message))
                self._has_header = True
        lines += _timed_lines(timed)
        if self._check:
            lines = [f"{line} *{crc16(line.encode()):04X}" for line in lines]
        return "".join(f"{line}\n" for line in lines).encode()


def _header_line(hello: Hello) -> str:
    name = "_".join(hello.device.split())
    device = f" device={name}" if name else ""
    return (
        f"# vaclog-lines {hello.version} tick_ns={hello.tick_ns} adc_bits={hello.adc_bits}{device}"
    )


def _timed_lines(messages: list[Pressure | Pulses | Marker]) -> list[str]:
    if not messages:
        return []
    columns = _Columns.of(messages)
    raw = (columns.ticks & 0xFFFFFFFF).tolist()
    lines = [f"P {tick} {count}" for tick, count in zip(raw, columns.counts.tolist(), strict=True)]
    texts = iter(message.text for message in messages if isinstance(message, Marker))
    others: list[str] = []
    for kind, tick, value in columns.unsorted.tolist():
        tick &= 0xFFFFFFFF  # noqa: PLW2901
        if kind == MARKER_KIND:
            text = " ".join(next(texts).splitlines())
            others.append(f"M {tick} {text}" if text else f"M {tick}")
        elif kind == PulseKind.BODY:
            others.append(f"B {tick} {value}")
        else:
            others.append(f"{_LETTER[kind]} {tick}")
    ticks = np.concatenate((columns.ticks, columns.unsorted["tick"]))
    lines += others
    return [lines[index] for index in np.argsort(ticks, kind="stable").tolist()]


_TIMED_EVENT = np.dtype([("kind", "u1"), ("tick", "i8"), ("value", "i4")])


class _Columns:
    """Samples and events of several messages with ticks that do not wrap."""

    def __init__(
        self, ticks: NDArray[np.int64], counts: NDArray[np.uint16], events: NDArray[np.void]
    ) -> None:
        self.ticks = ticks
        self.counts = counts
        self.unsorted = events
        self.events = events[np.argsort(events["tick"], kind="stable")]

    @classmethod
    def of(cls, messages: list[Pressure | Pulses | Marker]) -> _Columns:
        pressure = [m for m in messages if isinstance(m, Pressure)]
        raw_ticks = np.concatenate([np.empty(0, np.uint32), *(m.ticks for m in pressure)])
        counts = np.concatenate([np.empty(0, np.uint16), *(m.counts for m in pressure)])
        events = np.concatenate(
            [_events_of(m) for m in messages if not isinstance(m, Pressure)]
            or [np.empty(0, _TIMED_EVENT)]
        )
        start = int(raw_ticks[0]) if len(raw_ticks) else int(events["tick"][0])
        events["tick"] = _unwrap(events["tick"], start)
        return cls(_unwrap(raw_ticks, start), counts, events)


def _events_of(message: Pulses | Marker) -> NDArray[np.void]:
    if isinstance(message, Marker):
        return np.array([(MARKER_KIND, message.tick, 0)], _TIMED_EVENT)
    events = np.zeros(len(message.ticks), _TIMED_EVENT)
    events["kind"], events["tick"], events["value"] = message.kinds, message.ticks, message.values
    return events


def _unwrap(ticks: NDArray[np.uint32] | NDArray[np.int64], start: int) -> NDArray[np.int64]:
    """Return ticks that run on through wraps; the first within half a wrap of `start`."""
    before = np.concatenate((np.array([start], np.int64), ticks[:-1].astype(np.int64)))
    steps = np.mod(ticks.astype(np.int64) - before + (1 << 31), 1 << 32) - (1 << 31)
    return start + np.cumsum(steps)


def _frames(ticks: NDArray[np.int64], most: int) -> list[tuple[int, int, int]]:
    """Cut samples into frames of constant period: first sample, how many, period."""
    steps = np.diff(ticks)
    steps[(steps < 0) | (steps > 0xFFFF)] = -1  # cannot be said in one frame
    changes = [*(np.flatnonzero(np.diff(steps)) + 1).tolist(), len(steps)]
    frames: list[tuple[int, int, int]] = []
    first, change = 0, 0
    while first < len(ticks):
        while change < len(changes) - 1 and changes[change] <= first:
            change += 1
        period = int(steps[first]) if first < len(steps) else -1
        count = 1 if period < 0 else min(most, changes[change] - first + 1)
        frames.append((first, count, max(period, 0)))
        first += count
    return frames
