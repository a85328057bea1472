"""Every working stroke of a load run on the capture's clock.

Enters: the cycle table, rows of a run, the engine card. Leaves: when each cylinder passed top dead
centre, how fast the engine turned then, and whose stroke it was.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from vaclog.analysis.road.loads import advance_under_load
from vaclog.cards import EngineCard, curve_added_deg
from vaclog.signals.tables import CycleTable, FloatArray, IntArray

# Where neither a crank mark nor the card tells the advance: the middle of what engines have at
# speed (common practice: 28 to 38 degrees in all, less at the lower end of a pull). It moves the
# window by a few degrees.
LIKELY_DEG: Final = 26.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strokes:
    """Working strokes in order of time.

    Attributes
    ----------
    top_s
        float64 [n], top dead centre, seconds of the capture.
    rpm
        float64 [n].
    slot
        int64 [n], firing place 0 ... N-1, 0 is No. 1.
    row
        int64 [n], row of the cycle table.
    """

    top_s: FloatArray
    rpm: FloatArray
    slot: IntArray
    row: IntArray

    def __len__(self) -> int:
        return len(self.top_s)

    def part(self, keep: slice) -> Strokes:
        """Some of them."""
        return Strokes(
            top_s=self.top_s[keep], rpm=self.rpm[keep], slot=self.slot[keep], row=self.row[keep]
        )


def strokes_of(cycles: CycleTable, first: int, last: int, engine: EngineCard) -> Strokes:
    """Strokes of the rows [first, last).

    Within a cycle the crank is taken to turn evenly: at full load and speed it does to a degree
    or two, and the window is far wider. Cylinders are taken to be evenly spaced.
    """
    n = engine.cylinders
    rows = np.arange(first, last)
    rpm = cycles.rpm[rows]
    advance = _advance(cycles, engine)[rows]
    begin_s, end_s = cycles.start_us[rows] / 1e6, cycles.end_us[rows] / 1e6
    share = np.arange(n) / n
    top_s = begin_s + advance / (6.0 * rpm)
    return Strokes(
        top_s=(top_s[:, None] + (end_s - begin_s)[:, None] * share).ravel(),
        rpm=np.repeat(rpm, n),
        slot=np.tile(np.arange(n, dtype=np.int64), len(rows)),
        row=np.repeat(rows, n).astype(np.int64),
    )


def _advance(cycles: CycleTable, engine: EngineCard) -> FloatArray:
    """Advance of each cycle, seen or by the card or likely."""
    seen = advance_under_load(cycles)
    by_card = np.full(len(cycles), LIKELY_DEG)
    if engine.static_deg is not None and engine.centrifugal is not None:
        curve = engine.centrifugal
        added = [curve_added_deg(curve, float(rpm)) for rpm in cycles.rpm]
        by_card = engine.static_deg + np.array(added)
    advance: FloatArray = np.where(np.isfinite(seen), seen, by_card)
    return advance
