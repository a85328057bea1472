"""Running totals over the rows of the cycle table.

Enters: new rows. Leaves: counts, from which the source of advance is chosen and warnings are made.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from vaclog.signals.advance import (
    PLAUSIBLE_HIGH_DEG,
    PLAUSIBLE_LOW_DEG,
)
from vaclog.signals.tables import CycleFlag

# As plain numbers: operations of flag types cost more than all the rest.
_CRANKING, _SPLIT = int(CycleFlag.CRANKING), int(CycleFlag.SPLIT)
_GAP, _RAIL = int(CycleFlag.GAP), int(CycleFlag.RAIL)


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
        Rows by the number of marks in them, 9 numbers; the last counts 8 and more.
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
    marks: list[int] = field(default_factory=lambda: [0] * 9)

    def add(
        self,
        flags: Sequence[int],
        mark_deg: Sequence[float],
        body_deg: Sequence[float],
        marks: Sequence[int],
    ) -> None:
        """Count new rows."""
        for flag, mark, body, passed in zip(flags, mark_deg, body_deg, marks, strict=True):
            if flag & _CRANKING:
                self.cranking += 1
                continue
            self.rows += 1
            self.split += flag & _SPLIT > 0
            self.gap += flag & _GAP > 0
            self.rail += flag & _RAIL > 0
            self.mark += not math.isnan(mark)
            self.body += not math.isnan(body)
            self.mark_plausible += PLAUSIBLE_LOW_DEG < mark < PLAUSIBLE_HIGH_DEG
            self.body_plausible += PLAUSIBLE_LOW_DEG < body < PLAUSIBLE_HIGH_DEG
            self.marks[min(passed, 8)] += 1
