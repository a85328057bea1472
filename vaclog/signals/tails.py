"""Samples and pulses that a cycle not yet finished may still need.

Enters: pressure samples and pulses, each in order of time. Leaves: them with running sums, and what
the sums are at any time between samples. Times, counts and the running integral are whole numbers:
what is measured does not depend on where the integral was begun, so neither on how the data were
delivered.
"""

from __future__ import annotations

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


class PressureTail:
    """Samples from the oldest cycle not yet finished, with running sums.

    Attributes
    ----------
    us, counts
        int64 [n].
    area
        int64 [n]: twice the integral of counts over time up to each sample.
    absent
        int64 [n]: time up to each sample for which samples are missing.
    railed
        int64 [n]: samples before each one that sit at a rail.
    """

    def __init__(self, scale: PressureScale) -> None:
        self._scale = scale
        empty = np.empty(0, np.int64)
        self.us, self.counts = empty, empty
        self.area, self.absent, self.railed = empty, empty, empty
        self._early: list[tuple[IntArray, IntArray]] = []  # before the spacing is known
        self._period: float | None = None
        self._block = np.empty(0, np.int64)  # spacings since the last full block

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
        if len(self.us):
            earlier_us, before = self.us[-1:], np.concatenate((self.counts[-1:], counts[:-1]))
            sums = self.area[-1], self.absent[-1], self.railed[-1]
        else:
            earlier_us, before = us[:1], np.concatenate((counts[:1], counts[:-1]))
            sums = np.int64(0), np.int64(0), np.int64(0)
        spacing = us - np.concatenate((earlier_us, us[:-1]))
        absent = self._absent(spacing)
        railed = self._scale.at_rail(before)
        self.us = np.concatenate((self.us, us))
        self.counts = np.concatenate((self.counts, counts))
        self.area = np.concatenate((self.area, sums[0] + np.cumsum((before + counts) * spacing)))
        self.absent = np.concatenate((self.absent, sums[1] + np.cumsum(absent)))
        self.railed = np.concatenate((self.railed, sums[2] + np.cumsum(railed)))

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
        period = np.repeat(levels, _BLOCK)[len(self._block) : len(joined)]
        self._period = float(levels[-1])
        self._block = joined[full * _BLOCK :]
        hole = spacing > _HOLE_PERIODS * period
        absent = np.where(hole, spacing - period.astype(np.int64), 0)
        return np.where(spacing > LONGEST_HOLE_US, spacing, absent)

    def drop_before(self, us: int) -> None:
        """Forget what no cycle needs any more; the sample before ``us`` stays."""
        first = int(np.searchsorted(self.us, us, side="right")) - 1
        # Only now and then: dropping copies the rest.
        if first < max(len(self.us) // 2, _BLOCK):
            return
        self.us, self.counts = self.us[first:].copy(), self.counts[first:].copy()
        self.area, self.absent = self.area[first:].copy(), self.absent[first:].copy()
        self.railed = self.railed[first:].copy()

    def measure(self, edges: FloatArray) -> tuple[IntArray, FloatArray, FloatArray, FloatArray]:
        """What the running sums are at times between samples.

        Parameters
        ----------
        edges
            float64 [...], times in us.

        Returns
        -------
        row, area, absent, counts
            The sample before each time (int64), and what area and absent grew since it, and
            the interpolated counts (float64).
        """
        row = np.maximum(self.us.searchsorted(edges, side="right") - 1, 0)
        after = np.minimum(row + 1, len(self.us) - 1)
        since = edges - self.us[row]
        spacing = self.us[after] - self.us[row]
        known = (spacing > 0) & (spacing <= LONGEST_HOLE_US) & (since >= 0)
        span = np.where(known, spacing, 1)
        rise = np.where(known, self.counts[after] - self.counts[row], 0) * since / span
        area = (2.0 * self.counts[row] + rise) * since
        share = np.where(known, (self.absent[after] - self.absent[row]) / span, 1.0)
        return row, area, share * since, self.counts[row] + rise


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
        first = int(np.searchsorted(self.us, us))
        if first > 64:
            self.us, self.values = self.us[first:].copy(), self.values[first:].copy()
