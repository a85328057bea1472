"""Samples and pulses that a cycle not yet finished may still need.

Enters: pressure samples and pulses, each in order of time. Leaves: them with running sums, and what
the sums are at any time between samples. Times, counts and the running integral are whole numbers:
what is measured does not depend on where the integral was begun, so neither on how the data were
delivered.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vaclog.signals.scales import PressureScale
from vaclog.signals.tables import FloatArray, IntArray

LONGEST_HOLE_US = 1_000_000
"""Across a longer pause of the samples nothing is known: no line is drawn over it."""

_BLOCK = 64
"""Samples from whose median spacing the next block's holes are told."""

_LONGEST_WAIT_US = 2_000_000
"""The first spacing is told after as much time, however few samples came."""

_HOLE_PERIODS = 3.0
"""A sketch that prints may delay a sample by a period or two; three are a loss."""


_US, _COUNTS, _AREA, _ABSENT, _RAILED = range(5)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measured:
    """What the running sums are at times between samples; all of the shape of the times.

    Attributes
    ----------
    row
        int64, the sample before each time.
    area, absent, railed
        int64, the sums at that sample.
    area_since, absent_since
        float64, what they have grown since.
    counts
        float64, the pressure itself, in counts.
    """

    row: IntArray
    area: IntArray
    absent: IntArray
    railed: IntArray
    area_since: FloatArray
    absent_since: FloatArray
    counts: FloatArray


class PressureTail:
    """Samples from the oldest cycle not yet finished, with running sums.

    The sums up to each sample: twice the integral of counts over time, the time for which
    samples are missing, and the samples before it that sit at a rail.
    """

    def __init__(self, scale: PressureScale) -> None:
        self._scale = scale
        # One row a quantity: a read adds to all of them at once.
        self._columns = np.empty((5, 0), np.int64)
        self._early: list[tuple[IntArray, IntArray]] = []  # before the spacing is known
        self._period: float | None = None
        self._block = np.empty(0, np.int64)  # spacings since the last full block

    @property
    def us(self) -> IntArray:
        """Times of the samples, int64 [n]."""
        return np.asarray(self._columns[_US])

    @property
    def counts(self) -> IntArray:
        """The samples, int64 [n]."""
        return np.asarray(self._columns[_COUNTS])

    @property
    def held(self) -> bool:
        """Whether samples are kept back until their spacing is known."""
        return bool(self._early)

    def append(self, us: IntArray, counts: IntArray, upto_us: int | None) -> None:
        """Take samples in order of time; none before ``upto_us`` is to come (None: none at all)."""
        if self._period is None:
            if len(us):
                self._early.append((us, counts))
            if not self._early:
                return
            us = np.concatenate([e[0] for e in self._early])
            counts = np.concatenate([e[1] for e in self._early])
            latest = int(us[0]) + _LONGEST_WAIT_US
            first = min(int(np.searchsorted(us, latest)), _BLOCK + 1)
            if first == len(us) <= _BLOCK and upto_us is not None and upto_us < latest:
                return
            self._early = []
            self._period = float(np.median(np.diff(us[:first]))) if first > 1 else 1000.0
        if not len(us):
            return
        added = np.empty((5, len(us)), np.int64)
        added[_US], added[_COUNTS] = us, counts
        spacing, before = np.empty_like(us), np.empty_like(us)
        spacing[1:], before[1:] = us[1:] - us[:-1], counts[:-1]
        if known := self._columns.shape[1]:
            earlier_us, earlier_counts, area, absent, railed = self._columns[:, -1].tolist()
            spacing[0], before[0] = added[_US, 0] - earlier_us, earlier_counts
        else:
            spacing[0], before[0] = 0, counts[0]
        np.cumsum((before + added[_COUNTS]) * spacing, out=added[_AREA])
        np.cumsum(self._absent(spacing), out=added[_ABSENT])
        np.cumsum(self._scale.at_rail(before), out=added[_RAILED])
        if known:
            added[_AREA:] += np.array([[area], [absent], [railed]])
        self._columns = np.concatenate((self._columns, added), axis=1)

    def _absent(self, spacing: IntArray) -> IntArray:
        """Time without samples in each spacing, judged on the median of the block before."""
        assert self._period is not None
        joined = np.concatenate((self._block, spacing))
        full = len(joined) // _BLOCK
        levels = np.array([self._period])
        if full:
            ranked = np.sort(joined[: full * _BLOCK].reshape(full, _BLOCK), axis=1)
            medians = (ranked[:, _BLOCK // 2 - 1] + ranked[:, _BLOCK // 2]) / 2
            levels = np.concatenate((levels, medians))
        offset = len(self._block)
        self._period = float(levels[-1])
        self._block = joined[full * _BLOCK :]
        # Hardly ever is there one.
        if spacing.max() <= _HOLE_PERIODS * levels.min():
            return np.zeros(len(spacing), np.int64)
        period = np.repeat(levels, _BLOCK)[offset : len(joined)]
        hole = spacing > _HOLE_PERIODS * period
        absent = np.where(hole, spacing - period.astype(np.int64), 0)
        return np.where(spacing > LONGEST_HOLE_US, spacing, absent)

    def drop_before(self, us: int) -> None:
        """Forget what no cycle needs any more; the sample before ``us`` stays."""
        first = int(self.us.searchsorted(us, side="right")) - 1
        # Only now and then: dropping copies the rest.
        if first < max(len(self.us) // 2, _BLOCK):
            return
        self._columns = self._columns[:, first:].copy()

    def measure(self, times: FloatArray) -> Measured:
        """What the running sums are at times between samples.

        Parameters
        ----------
        times
            float64 of any shape, us.
        """
        row = np.maximum(self.us.searchsorted(times, side="right") - 1, 0)
        at = self._columns[:, row]
        after = self._columns[:, np.minimum(row + 1, len(self.us) - 1)]
        since = times - at[_US]
        spacing = after[_US] - at[_US]
        known = (spacing > 0) & (spacing <= LONGEST_HOLE_US) & (since >= 0)
        span = np.where(known, spacing, 1)
        rise = np.where(known, after[_COUNTS] - at[_COUNTS], 0) * since / span
        share = np.where(known, (after[_ABSENT] - at[_ABSENT]) / span, 1.0)
        return Measured(
            row=row,
            area=at[_AREA],
            absent=at[_ABSENT],
            railed=at[_RAILED],
            area_since=(2.0 * at[_COUNTS] + rise) * since,
            absent_since=share * since,
            counts=at[_COUNTS] + rise,
        )


class PulseTail:
    """Times and steps (or counts) of pulses not older than the oldest unfinished cycle."""

    def __init__(self) -> None:
        self.us = np.empty(0, np.int64)
        self.values = np.empty(0, np.int64)

    def append(self, us: IntArray, values: IntArray) -> None:
        """Take pulses in order of time."""
        if len(us):
            self.us = np.concatenate((self.us, us))
            self.values = np.concatenate((self.values, values))

    def drop_before(self, us: int) -> None:
        """Forget the old ones."""
        first = int(self.us.searchsorted(us))
        if first > 64:
            self.us, self.values = self.us[first:].copy(), self.values[first:].copy()
