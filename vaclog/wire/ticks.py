"""Judges raw ticks: which belong to the stream, which are odd, where a device started anew.

Enters: ticks of a 32-bit counter in order of arrival. Leaves: which to keep, and at which
record each was decided. Order within 1 s is free, so only a step of more than 1 s either way
is judged. A record after such a step is held back, and the records after it decide:

- one that lies near the last good tick says that the held ones were odd: they are dropped;
- `CONFIRMING` records that follow it, each near the one before, say that the counter really
  went there: a pause, or a reset, after which ticks start again.

A wrap of the counter is no step, since differences are taken modulo 2**32. The first record
of all is held back likewise, so that a stream may begin with an odd one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

NEAR_S = 1.0
"""Ticks nearer than this belong together (text lines, version 1)."""

CONFIRMING = 3
"""Records that must agree with a held one. A burst of noise that hits two or three lines in a
row can garble them alike (the same digit lost); four alike do not happen by chance."""

MAX_HELD = 16
"""Held records at most; the oldest is dropped beyond it."""

PAUSE_S = 60.0
"""A step forward of at most this is a pause, also when it passes the wrap of the counter."""

NEAR_ZERO_S = 10.0
"""After a longer step, a counter below this has started anew: no board sleeps longer before
its first record, and a pause would have to end there by chance (1 in 200 at 500 ns)."""

_WRAP = 1 << 32
_HALF = 1 << 31


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Judged:
    """What became of the records that were shown.

    Attributes
    ----------
    keep
        bool [n].
    decided
        intp [n], the record at whose arrival it was decided; -1: still held.
    boots
        Records before which the device started anew.
    held
        Numbers of the records that are still held, in order.
    """

    keep: NDArray[np.bool_]
    decided: NDArray[np.intp]
    boots: list[int]
    held: list[int]


class TickJudge:
    """Keeps the last good tick; records still held must be shown again, in front of new ones.

    Parameters
    ----------
    tick_ns
        Length of a tick in nanoseconds.
    """

    def __init__(self, tick_ns: int) -> None:
        self._near = max(1, int(NEAR_S * 1e9 / tick_ns))
        self._pause = int(PAUSE_S * 1e9 / tick_ns)
        self._near_zero = int(NEAR_ZERO_S * 1e9 / tick_ns)
        self._last: int | None = None

    def judge(self, ticks: NDArray[np.int64], *, final: bool) -> Judged:
        """Judge `ticks` [n], values 0 … 2**32 − 1; `final`: nothing will follow."""
        run = _Run(self, ticks)
        run.go()
        if final and run.held:
            run.end()
        return Judged(keep=run.keep, decided=run.decided, boots=run.boots, held=run.held)

    def near(self, a: int, b: int) -> bool:
        return abs(_signed(a - b)) <= self._near

    def is_boot(self, tick: int) -> bool:
        """Whether a confirmed step from the last good tick to `tick` is a fresh start."""
        if self._last is None:
            return False
        ahead = (tick - self._last) % _WRAP
        if ahead <= self._pause:
            return False
        return ahead >= _HALF or tick <= self._near_zero


class _Run:
    """One call of :meth:`TickJudge.judge`."""

    def __init__(self, judge: TickJudge, ticks: NDArray[np.int64]) -> None:
        self.judge = judge
        self.ticks = ticks
        self.keep = np.zeros(len(ticks), bool)
        self.decided = np.full(len(ticks), -1, np.intp)
        self.boots: list[int] = []
        self.held: list[int] = []
        steps = (np.diff(ticks) + _HALF) % _WRAP - _HALF
        self._breaks = np.flatnonzero(np.abs(steps) > judge._near) + 1

    def go(self) -> None:
        """Judge record by record where something is odd, stretch by stretch where not."""
        at = 0
        while at < len(self.ticks):
            last = self.judge._last
            if not self.held and last is not None and self.judge.near(int(self.ticks[at]), last):
                at = self._accept_stretch(at)
            else:
                self._step(at)
                at += 1

    def _accept_stretch(self, at: int) -> int:
        """Accept everything up to the next step of more than 1 s."""
        following = np.searchsorted(self._breaks, at, side="right")
        end = int(self._breaks[following]) if following < len(self._breaks) else len(self.ticks)
        self.keep[at:end] = True
        self.decided[at:end] = np.arange(at, end)
        self.judge._last = int(self.ticks[end - 1])
        return end

    def _step(self, at: int) -> None:
        """Judge one record while others are held, or hold it."""
        tick, last = int(self.ticks[at]), self.judge._last
        if last is not None and self.judge.near(tick, last):
            # Near both sides: the held record was only just beyond 1 s.
            self._decide([h for h in self.held if self._near(h, at)], at)
            self._accept(at, at)
            return
        self.held.append(at)
        if max(map(len, self._groups())) > CONFIRMING:
            self._conclude(at)
        elif len(self.held) > MAX_HELD:
            self.decided[self.held.pop(0)] = at

    def end(self) -> None:
        """Nothing follows: two held records that agree are enough, a lone one is odd."""
        at = len(self.ticks) - 1
        if self.judge._last is None and len(self.held) == 1:
            self._decide([at], at)  # alone in the world it is off no neighbour
        else:
            self._conclude(at)

    def _groups(self) -> list[list[int]]:
        """Part the held records into runs, each record near the one before it in its run."""
        groups: list[list[int]] = []
        for record in self.held:
            for group in reversed(groups):
                if self._near(group[-1], record):
                    group.append(record)
                    break
            else:
                groups.append([record])
        return groups

    def _conclude(self, at: int) -> None:
        """Keep the largest run, and others of two or more beside it; drop the rest."""
        kept: list[list[int]] = []
        for group in sorted(self._groups(), key=len, reverse=True):
            apart = all(group[-1] < other[0] or group[0] > other[-1] for other in kept)
            if len(group) > 1 and apart:
                kept.append(group)
        kept.sort()
        for group in kept:
            if self.judge.is_boot(int(self.ticks[group[0]])):
                self.boots.append(group[0])
            self.judge._last = int(self.ticks[group[-1]])
        self._decide([record for group in kept for record in group], at)

    def _near(self, a: int, b: int) -> bool:
        return self.judge.near(int(self.ticks[a]), int(self.ticks[b]))

    def _accept(self, record: int, at: int) -> None:
        self.keep[record] = True
        self.decided[record] = at
        self.judge._last = int(self.ticks[record])

    def _decide(self, good: list[int], at: int) -> None:
        """Keep the good ones of the held records, drop the others."""
        for record in self.held:
            self.decided[record] = at
        self.keep[good] = True
        self.held.clear()


def _signed(difference: int) -> int:
    """Return a difference of ticks modulo 2**32 as −2**31 … 2**31 − 1."""
    return (difference + _HALF) % _WRAP - _HALF
