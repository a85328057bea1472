"""The barometer: what the manifold sensor reads while the engine stands.

Enters: the background bins. Leaves: kPa absolute, or None.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vaclog.signals.tables import Background

# Open air where people drive: 108.5 kPa is the highest sea-level record, 60 kPa is the
# standard atmosphere at some 4,200 m (ISO 2533).
LOW_KPA, HIGH_KPA = 60.0, 108.5

# The manifold fills to within a tenth of a per cent of the open air in about a second.
_QUIET_BEFORE_BINS = 15
_QUIET_AFTER_BINS = 3  # the key and the starter come before the first spark
_LEAST_BINS = 8
# Noise of a sensor and its converter within a bin; an engine that turns unseen pulses more.
_LARGEST_RANGE_KPA = 4.0
_LARGEST_STEP_KPA = 0.6
# A manifold whose engine turns never comes this near the open air at idle.
_ABOVE_IDLE_KPA = 8.0


def barometer_kpa(
    background: Background, rail: NDArray[np.bool_], idle_kpa: float | None
) -> float | None:
    """Median over all spans in which the engine surely stands, or None.

    Parameters
    ----------
    background
        The bins.
    rail
        bool [n], bins at a rail of the converter.
    idle_kpa
        Pressure of the running engine while little is asked of it, if it ran.
    """
    mean = background.mean_kpa
    if not len(mean):
        return None
    turning = (background.sparks > 0) | (background.marks > 0)
    quiet = ~_widened(turning, _QUIET_AFTER_BINS, _QUIET_BEFORE_BINS)
    plausible = (mean > LOW_KPA) & (mean < HIGH_KPA) & ~rail
    if idle_kpa is not None and np.isfinite(idle_kpa):
        plausible &= mean > idle_kpa + _ABOVE_IDLE_KPA
    calm = background.max_kpa - background.min_kpa < _LARGEST_RANGE_KPA
    step = np.abs(np.diff(mean, prepend=mean[0])) < _LARGEST_STEP_KPA
    still = quiet & plausible & calm & step
    chosen = [mean[low:high] for low, high in _spans(still) if high - low >= _LEAST_BINS]
    return float(np.median(np.concatenate(chosen))) if chosen else None


def _widened(mask: NDArray[np.bool_], before: int, after: int) -> NDArray[np.bool_]:
    """True also ``before`` bins ahead of a True bin and ``after`` bins past it."""
    hits = np.concatenate(([0], np.cumsum(mask)))
    n = len(mask)
    rows = np.arange(n)
    low, high = np.maximum(rows - after, 0), np.minimum(rows + before + 1, n)
    return np.asarray(hits[high] > hits[low])


def _spans(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate(([0], mask.astype(np.int8), [0]))))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
