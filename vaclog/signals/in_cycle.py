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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pressures:
    """Columns of the table that come from the samples, in counts."""

    mean: FloatArray
    low: FloatArray
    high: FloatArray
    slots: FloatArray
    absent_part: FloatArray
    railed: NDArray[np.bool_]


def pressures(tail: PressureTail, start: IntArray, end: IntArray, slots: int) -> Pressures:
    """Means over each cycle and its equal parts; least and greatest of samples and edges."""
    n = len(start)
    if not len(tail.us):
        nothing = np.full(n, np.nan)
        return Pressures(
            mean=nothing,
            low=nothing,
            high=nothing,
            slots=np.full((n, slots), np.nan),
            absent_part=np.ones(n),
            railed=np.zeros(n, np.bool_),
        )
    duration = (end - start).astype(float)
    edges = start[:, None] + duration[:, None] * (np.arange(slots + 1) / slots)
    row, area, absent, counts = tail.measure(edges)
    areas = tail.area[row]
    grown = (areas[:, 1:] - areas[:, :-1]) + (area[:, 1:] - area[:, :-1])
    first, last = row[:, 0], row[:, -1]
    mean = (tail.area[last] - tail.area[first]) + (area[:, -1] - area[:, 0])
    missing = (tail.absent[last] - tail.absent[first]) + (absent[:, -1] - absent[:, 0])
    # Samples inside the cycle are first + 1 … last; reduceat wants them as pairs of indices.
    inside = last > first
    pairs = np.stack((np.minimum(first + 1, len(tail.us) - 1), last + 1), axis=1).ravel()
    padded = np.append(tail.counts, tail.counts[-1])
    low = np.minimum(counts[:, 0], counts[:, -1])
    high = np.maximum(counts[:, 0], counts[:, -1])
    least = np.minimum.reduceat(padded, pairs)[::2]
    greatest = np.maximum.reduceat(padded, pairs)[::2]
    rails = tail.railed[last] - tail.railed[first]
    return Pressures(
        mean=mean / (2.0 * duration),
        low=np.where(inside, np.minimum(low, least), low),
        high=np.where(inside, np.maximum(high, greatest), high),
        slots=grown / (2.0 * duration[:, None] / slots),
        absent_part=missing / duration,
        railed=rails > _RAIL_PART * np.maximum(last - first, 1),
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
