"""The device clock: raw ticks to microseconds on one timeline, and its map to host time.

Enters: raw uint32 ticks of one boot after the other; pairs of host and device time.
Leaves: int64 microseconds from the first record, through wraps and resets; device times for
host times.

A tick counter wraps at 2**32. Two ticks of one stream that follow each other are taken to be
less than half a wrap apart, forwards or slightly backwards: records of different kinds may
arrive up to 100 ms out of order.
"""

from __future__ import annotations

from collections import deque
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from vaclog.signals.tables import IntArray

_WRAP = 1 << 32
_MOST_BACK = _WRAP // 4

HOLD_US = 250_000
"""How long records are held back to be sorted: the wire contract allows 100 ms of disorder, the
rest is for the frames of slow loggers. It is also the delay of everything that is shown live."""

STEP_BACK_US = 1_000_000
"""Ticks that go back by more than this have started anew (the wire contract: within 1 s)."""

RESET_GAP_US = 1_000_000
"""Least pause put between two boots: a boot loader waits about a second (common practice)."""


class TickClock:
    """The clock of one boot.

    Parameters
    ----------
    tick_ns
        Length of a tick.
    base_us
        Where on the timeline the first record of this boot stands.
    """

    def __init__(self, tick_ns: int, base_us: int = 0) -> None:
        self.tick_ns = tick_ns
        self.base_us = base_us
        self.zero: int | None = None  # unwrapped tick of the first record, once settled
        self.latest: int | None = None  # largest unwrapped tick so far, any stream

    def unwrap(
        self, ticks: NDArray[np.uint32], *, anchor: int | None, pauses: bool = False
    ) -> IntArray:
        """Unwrapped ticks, int64 [n], of one stream in its order of arrival.

        Parameters
        ----------
        ticks
            uint32 [n].
        anchor
            An unwrapped tick near the first one; None where nothing is known yet.
        pauses
            The stream may pause for up to three quarters of a wrap (pulses do while the engine
            is off); then a very large step backwards is a long step forwards.
        """
        if not len(ticks):
            return np.empty(0, np.int64)
        first = int(ticks[0])
        anchor = first if anchor is None else anchor
        steps = np.empty(len(ticks), np.int64)
        steps[0] = self.step(anchor, first)
        # The difference of two uint32, read as int32, is the shorter way round.
        steps[1:] = (ticks[1:] - ticks[:-1]).view(np.int32)
        if pauses:
            steps[steps < -_MOST_BACK] += _WRAP
        steps[0] += anchor
        unwrapped = np.cumsum(steps)
        highest = int(unwrapped.max())
        self.latest = highest if self.latest is None else max(self.latest, highest)
        return unwrapped

    @staticmethod
    def step(before: int, tick: int, *, pauses: bool = False) -> int:
        """The shorter way from one tick to another, modulo a wrap; negative is backwards."""
        way = (tick - before + _WRAP // 2) % _WRAP - _WRAP // 2
        return way + _WRAP if pauses and way < -_MOST_BACK else way

    def hold_ticks(self) -> int:
        """The hold-back time in ticks."""
        return HOLD_US * 1000 // self.tick_ns

    def one_us(self, unwrapped: int) -> int:
        """The time of one tick; ``zero`` must be settled."""
        assert self.zero is not None
        return self.base_us + ((unwrapped - self.zero) * self.tick_ns + 500) // 1000

    def to_us(self, unwrapped: IntArray) -> IntArray:
        """Times on the timeline, int64 [n]; ``zero`` must be settled."""
        if not len(unwrapped):
            return unwrapped
        assert self.zero is not None
        return self.base_us + ((unwrapped - self.zero) * self.tick_ns + 500) // 1000


_WINDOW_US = 10_000_000
_WINDOWS = 30  # five minutes: a crystal's rate is steady over that, its temperature is not
_SLOPE_LIMIT = 2e-3  # resonators are good to 0.5 %, crystals to 100 ppm (common practice)


class HostMap:
    """Where a host time stands on the device timeline.

    Bytes arrive late by an unknown, never negative time, so the least delay of a window of
    ten seconds is the honest one; a straight line through the minima of the last minutes
    follows the drift of the two clocks. One late arrival changes nothing, where a line
    through all arrivals would be pulled by it.
    """

    def __init__(self) -> None:
        self._minima: deque[tuple[int, int, int]] = deque(maxlen=_WINDOWS)  # window, device, delay

    def add(self, *, host_us: int, device_us: int) -> None:
        """A chunk arrived at ``host_us`` whose newest record is from ``device_us``."""
        window = device_us // _WINDOW_US
        delay = host_us - device_us
        if self._minima and self._minima[-1][0] == window:
            if delay < self._minima[-1][2]:
                self._minima[-1] = (window, device_us, delay)
        else:
            self._minima.append((window, device_us, delay))

    def restart(self) -> None:
        """The device clock was reset: what was learnt before does not hold any more."""
        self._minima.clear()

    def soonest_us(self, device_us: int) -> int | None:
        """Host time before which a record of this device time, soon to come, will not arrive.

        By the least delay of the last two windows, without regard to drift: where the clocks
        drift apart that is too soon, never too late. None while nothing is known.
        """
        if not self._minima:
            return None
        return device_us + min(delay for _, _, delay in islice(reversed(self._minima), 2))

    def to_device_us(self, host_us: int) -> int | None:
        """Device time of a host time, or None while nothing arrived with a host time."""
        if not self._minima:
            return None
        middle, delay, slope = self._line()
        # device = host - delay(device); the slope is tiny, so one step solves it.
        device = host_us - delay
        return round(host_us - (delay + slope * (device - middle)))

    def _line(self) -> tuple[float, float, float]:
        device = np.array([m[1] for m in self._minima], float)
        delay = np.array([m[2] for m in self._minima], float)
        if len(device) < 3:
            # Too short to see a drift: the smallest delay alone.
            best = int(np.argmin(delay))
            return float(device[best]), float(delay[best]), 0.0
        # Median of the slopes of all pairs (Theil 1950, Sen 1968): one bad window is harmless.
        first, second = np.triu_indices(len(device), 1)
        slopes = (delay[second] - delay[first]) / (device[second] - device[first])
        slope = float(np.clip(np.median(slopes), -_SLOPE_LIMIT, _SLOPE_LIMIT))
        middle = float(device.mean())
        return middle, float(np.median(delay - slope * (device - middle))), slope
