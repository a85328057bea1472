"""Pressure and pulses on a coarse clock, whether or not an engine turns.

Enters: sorted samples and pulse times. Leaves: bins of 100 ms.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

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


class _Bin(NamedTuple):
    """Samples of one bin, in counts."""

    number: int
    samples: int
    total: int
    least: int
    most: int
    railed: int

    @property
    def at_rail(self) -> bool:
        return 2 * self.railed > self.samples

    def kpa(self, scale: PressureScale) -> tuple[float, float, float]:
        """Mean, least and greatest pressure."""
        return scale.kpa(self.total / self.samples), scale.kpa(self.least), scale.kpa(self.most)


class BackgroundBuilder:
    """Grows the bins; the last one stays open until a later sample closes it."""

    def __init__(self) -> None:
        self._mean = Growing(np.float64)
        self._low = Growing(np.float64)
        self._high = Growing(np.float64)
        self._rail = Growing(np.bool_)
        self._sparks, self._coils, self._marks = _Counter(), _Counter(), _Counter()
        self._columns = (self._mean, self._low, self._high)
        self._open: _Bin | None = None
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
        low_rail, high_rail = self._scale.low_rail_counts, self._scale.high_rail_counts
        first, last = int(us[0]) // BIN_US, int(us[-1]) // BIN_US
        cuts = us.searchsorted(np.arange(first + 1, last + 1) * BIN_US)
        # A read touches a bin or two, so that a loop over them costs less than columns.
        for number, (low, high) in enumerate(pairwise([0, *cuts.tolist(), len(us)]), first):
            if low == high:
                continue  # a pause of the samples
            part = counts[low:high]
            least, most, railed = int(part.min()), int(part.max()), 0
            if least <= low_rail or most >= high_rail:
                lows, highs = int((part <= low_rail).sum()), int((part >= high_rail).sum())
                self.low_rail += lows
                self.high_rail += highs
                railed = int(((part <= low_rail) | (part >= high_rail)).sum())
            self._add(_Bin(number, high - low, int(part.sum()), least, most, railed))

    def _add(self, added: _Bin) -> None:
        """Put samples into the open bin, or close that one and open theirs."""
        opened = self._open
        if opened is None or opened.number != added.number:
            self._close()
            self._open = added
            return
        self._open = _Bin(
            opened.number,
            opened.samples + added.samples,
            opened.total + added.total,
            min(opened.least, added.least),
            max(opened.most, added.most),
            opened.railed + added.railed,
        )

    def add_pulses(self, *, sparks: IntArray, coils: IntArray, marks: IntArray) -> None:
        """Take pulses that belong to the engine's rhythm."""
        self._sparks.add(sparks)
        self._coils.add(coils)
        self._marks.add(marks)

    def _close(self) -> None:
        """Put the open bin at the end; bins in between had no samples."""
        opened, self._open = self._open, None
        if opened is None:
            return
        assert self._scale is not None
        empty = opened.number - len(self._mean)
        for column, value in zip(self._columns, opened.kpa(self._scale), strict=True):
            if empty:
                column.append(np.full(empty, np.nan))
            column.append(np.array([value]))
        self._rail.append(np.array([False] * empty + [opened.at_rail]))

    def table(
        self, *, by_coil: bool, with_open: bool = True
    ) -> tuple[Background, NDArray[np.bool_]]:
        """The bins so far, and which are at a rail.

        Parameters
        ----------
        by_coil
            Count the pulses of the coil lead as sparks: nothing is clamped on No. 1.
        with_open
            With the bin that is not full yet; without it no pressures need be copied.
        """
        mean, low, high = self._mean.view(), self._low.view(), self._high.view()
        rail: NDArray[np.bool_] = self._rail.view()
        if with_open and self._open is not None:
            assert self._scale is not None
            empty = np.full(self._open.number - len(mean), np.nan)
            mean, low, high = (
                np.concatenate((column, empty, [value]))
                for column, value in zip(
                    (mean, low, high), self._open.kpa(self._scale), strict=True
                )
            )
            rail = np.concatenate((rail, np.zeros(len(empty), np.bool_), [self._open.at_rail]))
        table = Background(
            bin_us=BIN_US,
            mean_kpa=mean,
            min_kpa=low,
            max_kpa=high,
            sparks=(self._coils if by_coil else self._sparks).counts(len(mean)),
            marks=self._marks.counts(len(mean)),
        )
        return table, rail
