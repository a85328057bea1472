"""Records of one boot, put in order of time.

Enters: pressure, pulse and marker messages in order of arrival, up to 100 ms out of order.
Leaves: every kind in order of time on the timeline, as far as nothing older can still come.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vaclog.signals.clock import STEP_BACK_US, TickClock
from vaclog.signals.tables import IntArray
from vaclog.wire.messages import Marker, Pressure, PulseKind, Pulses

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


class _Queue:
    """Unwrapped ticks and values of one kind, waiting to be put in order."""

    def __init__(self) -> None:
        self.ticks = np.empty(0, np.int64)
        self.values = np.empty(0, np.int64)

    def add(self, ticks: IntArray, values: IntArray) -> None:
        if not len(ticks):
            return
        ticks = np.concatenate((self.ticks, ticks))
        values = np.concatenate((self.values, values))
        if (np.diff(ticks) < 0).any():
            order = np.argsort(ticks, kind="stable")
            ticks, values = ticks[order], values[order]
        self.ticks, self.values = ticks, values

    def take(self, before: int | None) -> tuple[IntArray, IntArray]:
        n = len(self.ticks) if before is None else int(np.searchsorted(self.ticks, before))
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
        self._pressure = _Queue()
        self._pulses = {kind: _Queue() for kind in _PULSE_KINDS}
        self._markers: list[tuple[int, str]] = []
        self._oldest: int | None = None
        self._given: int | None = None
        self.late = 0
        self.last_us = clock.base_us

    def add(
        self, pressure: Sequence[Pressure], pulses: Sequence[Pulses], markers: Sequence[Marker]
    ) -> None:
        """Take the records that arrived together; their kinds are in no mutual order."""
        start = self.clock.latest
        if start is None:
            start = _first_tick(pressure, pulses, markers)
        anchor = start
        for block in pressure:
            ticks = self.clock.unwrap(block.ticks, anchor=anchor)
            anchor = _last(ticks, anchor)
            self._pressure.add(*self._in_time(ticks, block.counts.astype(np.int64)))
        anchor = start
        for group in pulses:
            ticks = self.clock.unwrap(group.ticks, anchor=anchor, pauses=True)
            anchor = _last(ticks, anchor)
            ticks, values, kinds = self._in_time_kinds(ticks, group)
            for kind, queue in self._pulses.items():
                chosen = kinds == kind
                queue.add(ticks[chosen], values[chosen])
        for marker in markers:
            raw = np.array([marker.tick], np.uint32)
            ticks = self.clock.unwrap(raw, anchor=start, pauses=True)
            self._note_oldest(ticks)
            self._markers.append((int(ticks[0]), marker.text))

    def steps_back(
        self, pressure: Sequence[Pressure], pulses: Sequence[Pulses], markers: Sequence[Marker]
    ) -> bool:
        """Whether ticks start anew here without a hello: a port reopened, files joined."""
        first = _first_tick(pressure, pulses, markers)
        if first is None or self.clock.latest is None:
            return False
        step = self.clock.step(self.clock.latest, first)
        return step * self.clock.tick_ns < -STEP_BACK_US * 1000

    def _in_time(self, ticks: IntArray, values: IntArray) -> tuple[IntArray, IntArray]:
        """Drop records older than what was given out: they broke the rule of 100 ms."""
        self._note_oldest(ticks)
        if self._given is None or not len(ticks):
            return ticks, values
        good = ticks >= self._given
        self.late += len(good) - int(good.sum())
        return ticks[good], values[good]

    def _in_time_kinds(
        self, ticks: IntArray, group: Pulses
    ) -> tuple[IntArray, IntArray, NDArray[np.uint8]]:
        rows, index = self._in_time(ticks, np.arange(len(ticks)))
        return rows, group.values[index].astype(np.int64), group.kinds[index]

    def _note_oldest(self, ticks: IntArray) -> None:
        if self.clock.zero is None and len(ticks):
            oldest = int(ticks.min())
            self._oldest = oldest if self._oldest is None else min(self._oldest, oldest)

    def take(self, *, final: bool) -> Sorted | None:
        """Give out what is certain; None while not even the first record is."""
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
        self.last_us = int(clock.to_us(np.array([clock.latest]))[0])
        return Sorted(
            upto_us=None if before is None else int(clock.to_us(np.array([before]))[0]),
            pressure_us=clock.to_us(pressure),
            counts=counts,
            pulses=pulses,
            markers=[(int(clock.to_us(np.array([tick]))[0]), text) for tick, text in ready],
        )


def _last(ticks: IntArray, otherwise: int | None) -> int | None:
    return int(ticks[-1]) if len(ticks) else otherwise


def _first_tick(
    pressure: Sequence[Pressure], pulses: Sequence[Pulses], markers: Sequence[Marker]
) -> int | None:
    ticks = [block.ticks for block in pressure] + [group.ticks for group in pulses]
    first = next((int(t[0]) for t in ticks if len(t)), None)
    if first is None and markers:
        return markers[0].tick
    return first
