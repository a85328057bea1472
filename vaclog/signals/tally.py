"""Running totals over the rows of the cycle table.

Enters: new rows. Leaves: counts, from which the source of advance is chosen and warnings are made.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from vaclog.signals.advance import (
    PLAUSIBLE_HIGH_DEG,
    PLAUSIBLE_LOW_DEG,
)
from vaclog.signals.tables import CycleFlag, FloatArray, IntArray


@dataclass(slots=True)
class Tally:
    """Running totals over the rows of a firing engine, for the choice of source and warnings.

    Attributes
    ----------
    rows
        Rows at a firing engine's speed.
    cranking, split, gap, rail
        Rows so flagged.
    mark, body
        Rows with an advance from the mark, from the body.
    mark_plausible, body_plausible
        Of those, rows whose advance is one that engines have.
    marks
        int64 [9], rows by the number of marks in them; the last counts 8 and more.
    """

    rows: int = 0
    cranking: int = 0
    split: int = 0
    gap: int = 0
    rail: int = 0
    mark: int = 0
    body: int = 0
    mark_plausible: int = 0
    body_plausible: int = 0
    marks: IntArray = field(default_factory=lambda: np.zeros(9, np.int64))

    def add(
        self,
        flags: NDArray[np.uint8],
        mark_deg: FloatArray,
        body_deg: FloatArray,
        marks: IntArray,
    ) -> None:
        """Count new rows."""
        cranking = has(flags, CycleFlag.CRANKING)
        self.cranking += int(cranking.sum())
        firing = ~cranking
        self.rows += int(firing.sum())
        self.split += int(has(flags, CycleFlag.SPLIT)[firing].sum())
        self.gap += int(has(flags, CycleFlag.GAP)[firing].sum())
        self.rail += int(has(flags, CycleFlag.RAIL)[firing].sum())
        self.mark += int(np.isfinite(mark_deg[firing]).sum())
        self.body += int(np.isfinite(body_deg[firing]).sum())
        self.mark_plausible += int(_plausible(mark_deg[firing]).sum())
        self.body_plausible += int(_plausible(body_deg[firing]).sum())
        self.marks += np.bincount(np.minimum(marks[firing], 8), minlength=9)


def has(flags: NDArray[np.uint8], flag: CycleFlag) -> NDArray[np.bool_]:
    """Which rows carry a flag."""
    return np.asarray((flags & np.uint8(flag)) > 0)


def _plausible(advance_deg: FloatArray) -> NDArray[np.bool_]:
    return np.asarray((advance_deg > PLAUSIBLE_LOW_DEG) & (advance_deg < PLAUSIBLE_HIGH_DEG))
