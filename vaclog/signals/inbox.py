"""Records of one boot, put in order of time.

Enters: pressure, pulse and marker messages in order of arrival, up to 100 ms out of order.
Leaves: every kind in order of time on the timeline, as far as nothing older can still come.

Messages are only gathered as they come; they are sorted in together, when they are asked for.
A port hands over fifty small reads a second, and most of what a step costs does not depend on
how much it is given.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from vaclog.signals.clock import STEP_BACK_US, TickClock
from vaclog.signals.tables import IntArray
from vaclog.wire.messages import Marker, Pressure, PulseKind, Pulses

_Number = TypeVar("_Number", bound=np.generic)

_PULSE_KINDS = (PulseKind.SPARK, PulseKind.COIL, PulseKind.MARK, PulseKind.BODY)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sorted:
    """What has become certain: times int64, each in order.

    Attributes
    ----------
    upto_us
        Everything before this time has been given out; None: there is nothing more.
    pressure_us, counts
        int64 [n] each.
    pulses
        Per kind: times and values, int64 [m] each.
    markers
        Times and texts.
    """

    upto_us: int | None
    pressure_us: IntArray
    counts: IntArray
    pulses: dict[PulseKind, tuple[IntArray, IntArray]]
    markers: list[tuple[int, str]]


_NONE = (np.empty(0, np.int64), np.empty(0, np.int64))


class _Queue:
    """Unwrapped ticks and values of one kind, waiting to be put in order."""

    def __init__(self) -> None:
        self.ticks, self.values = _NONE

    def add(self, ticks: IntArray, values: IntArray) -> None:
        if not len(ticks):
            return
        ticks = np.concatenate((self.ticks, ticks))
        values = np.concatenate((self.values, values))
        if (ticks[1:] < ticks[:-1]).any():
            order = np.argsort(ticks, kind="stable")
            ticks, values = ticks[order], values[order]
        self.ticks, self.values = ticks, values

    def take(self, before: int | None) -> tuple[IntArray, IntArray]:
        if not len(self.ticks):
            return _NONE
        n = len(self.ticks) if before is None else int(self.ticks.searchsorted(before))
        taken = self.ticks[:n], self.values[:n]
        if n:
            self.ticks, self.values = self.ticks[n:], self.values[n:]
        return taken


class Inbox:
    """Sorts the records of one boot.

    Parameters
    ----------
    clock
        The clock of the boot; its ``zero`` is set here.
    """

    def __init__(self, clock: TickClock) -> None:
        self.clock = clock
        self.newest: int | None = None  # largest unwrapped tick, with what is only gathered
        self._gathered: list[Pressure | Pulses | Marker] = []
        self._pressure = _Queue()
        self._pulses = {kind: _Queue() for kind in _PULSE_KINDS}
        self._markers: list[tuple[int, str]] = []
        self._oldest: int | None = None
        self._given: int | None = None
        self.late = 0
        self.last_us = clock.base_us

    def gather(self, messages: Sequence[Pressure | Pulses | Marker]) -> None:
        """Take the records that arrived together."""
        for message in messages:
            self._gathered.append(message)
            last = message.tick if isinstance(message, Marker) else _end(message.ticks)
            if last is None:
                continue
            if self.newest is None:
                self.newest = last
            step = self.clock.step(self.newest, last, pauses=not isinstance(message, Pressure))
            self.newest += max(step, 0)

    def steps_back(self, messages: Sequence[Pressure | Pulses | Marker]) -> bool:
        """Whether ticks start anew here without a hello: a port reopened, files joined."""
        first = _first_tick(messages)
        if first is None or self.newest is None:
            return False
        step = self.clock.step(self.newest, first)
        return step * self.clock.tick_ns < -STEP_BACK_US * 1000

    @property
    def newest_us(self) -> int:
        """Time of the newest record, gathered ones with it."""
        if self.newest is None:
            return self.last_us
        return self.clock.one_us(self.newest)

    @property
    def certain_us(self) -> int:
        """Before this time everything can be given out, once what was gathered is sorted in."""
        if self.newest is None:
            return self.clock.base_us
        return self.clock.one_us(self.newest - self.clock.hold_ticks())

    def _sort_in(self) -> None:
        """Put what was gathered into the queues; kinds are in no mutual order."""
        gathered, self._gathered = self._gathered, []
        if not gathered:
            return
        start = self.clock.latest
        if start is None:
            start = _first_tick(gathered)
        pressure = [m for m in gathered if isinstance(m, Pressure)]
        if pressure:
            raw = _joined([block.ticks for block in pressure])
            ticks = self.clock.unwrap(raw, anchor=start)
            counts = _joined([block.counts for block in pressure]).astype(np.int64)
            self._pressure.add(*self._in_time(ticks, counts))
        pulses = [m for m in gathered if isinstance(m, Pulses)]
        if pulses:
            self._sort_in_pulses(pulses, start)
        for marker in gathered:
            if isinstance(marker, Marker):
                raw = np.array([marker.tick], np.uint32)
                ticks = self.clock.unwrap(raw, anchor=start, pauses=True)
                self._note_oldest(ticks)
                self._markers.append((int(ticks[0]), marker.text))

    def _sort_in_pulses(self, pulses: Sequence[Pulses], start: int | None) -> None:
        raw = _joined([group.ticks for group in pulses])
        ticks = self.clock.unwrap(raw, anchor=start, pauses=True)
        values = _joined([group.values for group in pulses]).astype(np.int64)
        kinds = _joined([group.kinds for group in pulses])
        present = set(kinds.tolist())  # mostly one or two of them
        for kind, queue in self._pulses.items():
            if kind in present:
                chosen = kinds == kind
                queue.add(*self._in_time(ticks[chosen], values[chosen]))

    def _in_time(self, ticks: IntArray, values: IntArray) -> tuple[IntArray, IntArray]:
        """Drop records older than what was given out: they broke the rule of 100 ms."""
        self._note_oldest(ticks)
        if self._given is None or not len(ticks) or ticks.min() >= self._given:
            return ticks, values
        good = ticks >= self._given
        self.late += len(good) - int(good.sum())
        return ticks[good], values[good]

    def _note_oldest(self, ticks: IntArray) -> None:
        if self.clock.zero is None and len(ticks):
            oldest = int(ticks.min())
            self._oldest = oldest if self._oldest is None else min(self._oldest, oldest)

    def take(self, *, final: bool) -> Sorted | None:
        """Give out what is certain; None while not even the first record is."""
        self._sort_in()
        clock = self.clock
        if clock.latest is None or self._oldest is None:
            return None
        before = None if final else clock.latest - clock.hold_ticks()
        if clock.zero is None:
            if before is not None and before <= self._oldest:
                return None
            clock.zero = self._oldest
        self._given = before
        pressure, counts = self._pressure.take(before)
        pulses = {}
        for kind, queue in self._pulses.items():
            ticks, values = queue.take(before)
            pulses[kind] = (clock.to_us(ticks), values)
        self._markers.sort(key=lambda m: m[0])
        ready = [m for m in self._markers if before is None or m[0] < before]
        self._markers = self._markers[len(ready) :]
        self.last_us = clock.one_us(clock.latest)
        return Sorted(
            upto_us=None if before is None else clock.one_us(before),
            pressure_us=clock.to_us(pressure),
            counts=counts,
            pulses=pulses,
            markers=[(clock.one_us(tick), text) for tick, text in ready],
        )


def _joined(parts: list[NDArray[_Number]]) -> NDArray[_Number]:
    return parts[0] if len(parts) == 1 else np.concatenate(parts)


def _end(ticks: NDArray[np.uint32]) -> int | None:
    return int(ticks[-1]) if len(ticks) else None


def _first_tick(messages: Sequence[Pressure | Pulses | Marker]) -> int | None:
    """First tick of the first kind that has any: pressure, pulses, markers."""
    for kind in (Pressure, Pulses):
        for message in messages:
            if isinstance(message, kind) and len(message.ticks):
                return int(message.ticks[0])
    return next((m.tick for m in messages if isinstance(m, Marker)), None)
