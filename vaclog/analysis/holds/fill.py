"""The cycle table with the readings in the cycles of their holds: the one place that fills it.

Enters: a table without an advance, and holds. Leaves: the table with the advance at the holds,
NaN elsewhere; and of such a table, which hold each cycle belongs to.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from vaclog.signals.tables import AdvanceFrom, CycleTable, IntArray


def fill(cycles: CycleTable, holds: Iterable[tuple[int, int, float]]) -> CycleTable:
    """Put readings into the cycles of their holds.

    Parameters
    ----------
    holds
        (start_us, end_us, crank degrees): cycles that begin in the half-open interval and end in
        it stand at the reading.
    """
    advance = np.full(len(cycles), np.nan)
    for start_us, end_us, deg in holds:
        inside = (cycles.start_us >= start_us) & (cycles.end_us <= end_us)
        advance[inside] = deg
    known = np.isfinite(advance)
    source = np.where(known, AdvanceFrom.HOLDS, AdvanceFrom.NONE).astype(np.uint8)
    return replace(cycles, advance_deg=advance, advance_from=source)


def hold_of(cycles: CycleTable) -> IntArray:
    """Number of the hold that each cycle belongs to, int64 [n]; -1 where none.

    A hold is a run of cycles that carry one reading. Two readings of the same number with cycles
    between that carry none are two holds, each with an error of its own.
    """
    number = np.full(len(cycles), -1, dtype=np.int64)
    held = (cycles.advance_from == int(AdvanceFrom.HOLDS)) & np.isfinite(cycles.advance_deg)
    count, before = -1, np.nan
    for row in np.flatnonzero(held):
        if row == 0 or not held[row - 1] or cycles.advance_deg[row] != before:
            count += 1
        number[row] = count
        before = cycles.advance_deg[row]
    return number


def by_readings(cycles: CycleTable) -> bool:
    """Whether the advances of the table come from readings at holds."""
    known = np.isfinite(cycles.advance_deg)
    return bool((known & (cycles.advance_from == int(AdvanceFrom.HOLDS))).sum() > known.sum() / 2)
