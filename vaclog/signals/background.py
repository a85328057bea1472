"""Pressure and pulses on a coarse clock, whether or not an engine turns.

Enters: sorted samples and pulse times. Leaves: bins of 100 ms.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vaclog.signals.growing import Growing
from vaclog.signals.scales import PressureScale
from vaclog.signals.tables import Background, IntArray

BIN_US = 100_000


class _Counter:
    """Pulses per bin."""

    def __init__(self) -> None:
        self._counts = np.zeros(1024, np.int32)

    def add(self, us: IntArray) -> None:
        if not len(us):
            return
        bins = np.maximum(us // BIN_US, 0)
        top = int(bins[-1])
        if top >= len(self._counts):
            grown = np.zeros(max(2 * len(self._counts), top + 1), np.int32)
            grown[: len(self._counts)] = self._counts
            self._counts = grown
        np.add.at(self._counts, bins, 1)

    def counts(self, bins: int) -> NDArray[np.int32]:
        out = np.zeros(bins, np.int32)
        n = min(bins, len(self._counts))
        out[:n] = self._counts[:n]
        return out


class BackgroundBuilder:
    """Grows the bins; the last one stays open until a later sample closes it."""

    def __init__(self) -> None:
        self._mean = Growing(np.float64)
        self._low = Growing(np.float64)
        self._high = Growing(np.float64)
        self._rail = Growing(np.bool_)
        self._sparks, self._coils, self._marks = _Counter(), _Counter(), _Counter()
        self._open: tuple[int, int, int, int, int, int] | None = None
        self._scale: PressureScale | None = None
        self.samples = 0
        self.low_rail = 0
        self.high_rail = 0

    def begin_boot(self, scale: PressureScale) -> None:
        """Samples that follow are in another device's counts."""
        self._close()
        self._scale = scale

    def add_pressure(self, us: IntArray, counts: IntArray) -> None:
        """Take samples in order of time."""
        if not len(us):
            return
        assert self._scale is not None
        self.samples += len(us)
        lows = counts <= self._scale.low_rail_counts
        highs = counts >= self._scale.high_rail_counts
        self.low_rail += int(lows.sum())
        self.high_rail += int(highs.sum())
        bins = us // BIN_US
        first = np.concatenate(([0], np.flatnonzero(bins[1:] != bins[:-1]) + 1))
        columns = (
            bins[first],
            np.diff(np.append(first, len(us))),
            np.add.reduceat(counts, first),
            np.minimum.reduceat(counts, first),
            np.maximum.reduceat(counts, first),
            np.add.reduceat((lows | highs).astype(np.int64), first),
        )
        if self._open is not None and self._open[0] == int(columns[0][0]):
            _merge(self._open, columns)
        else:
            self._close()
        self._write([c[:-1] for c in columns])
        self._open = tuple(int(c[-1]) for c in columns)  # type: ignore[assignment]

    def add_pulses(self, *, sparks: IntArray, coils: IntArray, marks: IntArray) -> None:
        """Take pulses that belong to the engine's rhythm."""
        self._sparks.add(sparks)
        self._coils.add(coils)
        self._marks.add(marks)

    def _close(self) -> None:
        if self._open is not None:
            self._write([np.array([value], np.int64) for value in self._open])
            self._open = None

    def _write(self, columns: Sequence[IntArray]) -> None:
        """Put closed bins at the end; bins in between had no samples."""
        bins, count, total, low, high, railed = columns
        if not len(bins):
            return
        assert self._scale is not None
        size = int(bins[-1]) + 1 - len(self._mean)
        at = bins - len(self._mean)
        for column, values in (
            (self._mean, self._scale.kpa(total / count)),
            (self._low, self._scale.kpa(low)),
            (self._high, self._scale.kpa(high)),
        ):
            block = np.full(size, np.nan)
            block[at] = values
            column.append(block)
        rails = np.zeros(size, np.bool_)
        rails[at] = 2 * railed > count
        self._rail.append(rails)

    def table(self, *, by_coil: bool) -> tuple[Background, NDArray[np.bool_]]:
        """The bins so far, the open one with them, and which are at a rail.

        Parameters
        ----------
        by_coil
            Count the pulses of the coil lead as sparks: nothing is clamped on No. 1.
        """
        mean, low, high = self._mean.view(), self._low.view(), self._high.view()
        rail: NDArray[np.bool_] = self._rail.view()
        if self._open is not None:
            assert self._scale is not None
            number, count, total, least, most, railed = self._open
            empty = np.full(number - len(mean), np.nan)
            kpa = self._scale.kpa
            mean = np.concatenate((mean, empty, [kpa(total / count)]))
            low = np.concatenate((low, empty, [kpa(least)]))
            high = np.concatenate((high, empty, [kpa(most)]))
            rail = np.concatenate((rail, np.zeros(len(empty), np.bool_), [2 * railed > count]))
        table = Background(
            bin_us=BIN_US,
            mean_kpa=mean,
            min_kpa=low,
            max_kpa=high,
            sparks=(self._coils if by_coil else self._sparks).counts(len(mean)),
            marks=self._marks.counts(len(mean)),
        )
        return table, rail


def _merge(opened: tuple[int, ...], columns: tuple[IntArray, ...]) -> None:
    """Add the open bin to the first of the new ones."""
    _, count, total, low, high, railed = columns
    count[0] += opened[1]
    total[0] += opened[2]
    low[0] = min(int(low[0]), opened[3])
    high[0] = max(int(high[0]), opened[4])
    railed[0] += opened[5]
