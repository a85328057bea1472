"""What samples and sparks tell of each cycle: mean, least and greatest pressure, sparks by slot.

Enters: the tails and the cycles' edges. Leaves: columns of the cycle table.

The mean is the integral of the pressure, taken as straight lines between samples, over the
half-open cycle, divided by its duration.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vaclog.signals.tables import FloatArray, IntArray
from vaclog.signals.tails import PressureTail, PulseTail

_RAIL_PART = 0.05

MEAN, LEAST, GREATEST, SLOTS = range(4)
"""Columns of :attr:`Pressures.levels`; from ``SLOTS`` on one of each slot."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pressures:
    """What the samples tell of each cycle.

    Attributes
    ----------
    levels
        float64 [n, 3 + N], counts: mean, least and greatest of the cycle, mean of each slot.
    absent_part
        float64 [n], part of the cycle without samples.
    railed
        bool [n], too many samples sit at a rail.
    """

    levels: FloatArray
    absent_part: FloatArray
    railed: NDArray[np.bool_]


def pressures(tail: PressureTail, start: IntArray, end: IntArray, slots: int) -> Pressures:
    """Means over each cycle and its equal parts; least and greatest of samples and edges."""
    n = len(start)
    levels = np.full((n, SLOTS + slots), np.nan)
    if not len(tail.us):
        absent = np.ones(n)
        return Pressures(levels=levels, absent_part=absent, railed=np.zeros(n, np.bool_))
    duration = (end - start).astype(float)
    edges = start[:, None] + duration[:, None] * (np.arange(slots + 1) / slots)
    at = tail.measure(edges)
    grown = (at.area[:, 1:] - at.area[:, :-1]) + (at.area_since[:, 1:] - at.area_since[:, :-1])
    mean = (at.area[:, -1] - at.area[:, 0]) + (at.area_since[:, -1] - at.area_since[:, 0])
    levels[:, MEAN] = mean / (2.0 * duration)
    levels[:, SLOTS:] = grown / (2.0 * duration[:, None] / slots)
    first, last = at.row[:, 0], at.row[:, -1]
    for cycle, (low, high) in enumerate(zip(first.tolist(), last.tolist(), strict=True)):
        # Samples inside the cycle are low + 1 … high; at its edges it is between two.
        inside = tail.counts[low + 1 : high + 1]
        least, greatest = sorted((at.counts[cycle, 0], at.counts[cycle, -1]))
        levels[cycle, LEAST] = min(least, inside.min()) if len(inside) else least
        levels[cycle, GREATEST] = max(greatest, inside.max()) if len(inside) else greatest
    missing = (at.absent[:, -1] - at.absent[:, 0]) + (
        at.absent_since[:, -1] - at.absent_since[:, 0]
    )
    return Pressures(
        levels=levels,
        absent_part=missing / duration,
        railed=at.railed[:, -1] - at.railed[:, 0] > _RAIL_PART * np.maximum(last - first, 1),
    )


def slot_sparks(start: IntArray, end: IntArray, coils: PulseTail, slots: int) -> FloatArray:
    """Time of each slot's spark after the start of its cycle.

    Parameters
    ----------
    start, end
        int64 [n], the cycles.
    coils
        Sparks of all cylinders in rhythm, with their steps.
    slots
        Number of cylinders N.

    Returns
    -------
    float64 [n, N]
        NaN in a row with a spark too few or too many: which one is missing is then a guess.
    """
    known = np.full((len(start), slots), np.nan)
    if not len(coils.us) or not len(start):
        return known
    # Two pickups see No. 1's spark some microseconds apart; a quarter of a slot tells the
    # spark that begins the cycle from the one before it, on unevenly firing engines too.
    early = (end - start) // (4 * slots)
    low = np.searchsorted(coils.us, start - early)
    high = np.searchsorted(coils.us, end - early)
    rows = np.flatnonzero(high - low == slots)
    each = low[rows, None] + np.arange(slots)
    whole = (coils.values[each[:, 1:]] == 1).all(axis=1)
    rows, each = rows[whole], each[whole]
    known[rows] = coils.us[each] - start[rows, None]
    return known
