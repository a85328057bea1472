"""Advance at a spark, from the crank mark or from the angle of the body.

Enters: spark times (pickup delay taken off), mark times, body readings. Leaves: crank degrees
before top dead centre, NaN where unknown.

Nothing later than the spark's own turn is used: the fit of the hill needs an advance that
comes before the torque that it makes.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections import deque
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from vaclog.signals.tables import FloatArray, IntArray

PLAUSIBLE_LOW_DEG, PLAUSIBLE_HIGH_DEG = -30.0, 75.0
"""No engine idles or runs outside this advance (common practice)."""


_SOON_AFTER_MARK_DEG = 90.0


def mark_advance(
    spark_us: IntArray, mark_us: IntArray, mark_steps: IntArray, angle_deg: float
) -> FloatArray:
    """Advance from marks, float64 [n].

    ``angle_deg`` plus the crank degrees from the spark to the nearest mark. Time becomes
    angle through a parabola over the turn before the spark's own turn and that turn itself, so
    that a steady change of speed does no harm. What is left is the change of speed *within* a
    turn, which one mark cannot show.

    Parameters
    ----------
    spark_us
        int64 [n].
    mark_us, mark_steps
        int64 [m]: marks in order of time and the turns since the one before, 1 where none
        is missing.
    angle_deg
        Where the mark passes its sensor, before top dead centre.
    """
    # Row by row: there is one a cycle, and arrays of one cost more than they save.
    marks, steps = mark_us.tolist(), mark_steps.tolist()
    turned = [_turned_deg(spark, marks, steps) for spark in spark_us.tolist()]
    # Half a turn either side of the mark is the same place: keep to the side where ignition
    # can be.
    return wrap_deg(angle_deg - np.array(turned, np.float64))


def _turned_deg(spark: int, marks: list[int], steps: list[int]) -> float:
    """Crank degrees from the mark before a spark to the spark, NaN where unknown."""
    after = bisect_right(marks, spark)
    if not after or len(marks) < 2:
        return math.nan
    since = float(spark - marks[after - 1])
    turn_before = None
    if after >= 2 and steps[after - 1] == 1:
        turn_before = float(marks[after - 1] - marks[after - 2])
    if after < len(marks) and steps[after] == 1:
        turn = float(marks[after] - marks[after - 1])
        turned = 360.0 * since / turn
        if turn_before is None:
            return turned
        bend = (360.0 / turn - 360.0 / turn_before) / (turn + turn_before)
        return turned + bend * since * (since - turn)
    # The mark that ends the turn was lost: the turn before serves for a spark soon after
    # a mark, where the change of speed hardly counts.
    straight = math.nan if turn_before is None else 360.0 * since / turn_before
    return straight if straight < _SOON_AFTER_MARK_DEG else math.nan


def wrap_deg(advance_deg: FloatArray) -> FloatArray:
    """The same place of the crank, in -140 … 220 degrees before top dead centre."""
    return (advance_deg + 140.0) % 360.0 - 140.0


def body_counts_at(
    start_us: IntArray, end_us: IntArray, body_us: IntArray, body_counts: IntArray
) -> FloatArray:
    """Body angle counts at the spark that starts each cycle, float64 [n], NaN where unknown.

    The mean of the readings within half a turn either side of the spark, as many on one side
    as on the other, so that a moving hand is not lagged; else a line between the readings on
    either side within the spark's own turn, else the last reading within the cycle before.

    Parameters
    ----------
    start_us, end_us
        int64 [n], the cycles.
    body_us, body_counts
        int64 [b] each, readings in order of time.
    """
    if not len(body_us):
        return np.full(len(start_us), np.nan)
    # Whole numbers: the sum does not depend on where it was begun.
    sums = np.concatenate(([0], np.cumsum(body_counts)))
    quarter = (end_us - start_us) // 4
    middle = np.searchsorted(body_us, start_us, side="right")
    low = np.searchsorted(body_us, start_us - quarter, side="left")
    high = np.searchsorted(body_us, start_us + quarter, side="right")
    each = np.minimum(middle - low, high - middle)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = (sums[middle + each] - sums[middle - each]) / (2 * each)
    final = len(body_us) - 1
    left, right = np.clip(middle - 1, 0, final), np.clip(middle, 0, final)
    has_left = (middle >= 1) & (start_us - body_us[left] <= 4 * quarter)
    has_right = (middle <= final) & (body_us[right] - start_us <= 2 * quarter)
    span = np.maximum(body_us[right] - body_us[left], 1)
    rise = (body_counts[right] - body_counts[left]) * ((start_us - body_us[left]) / span)
    single = np.where(has_right, body_counts[left] + rise, body_counts[left])
    return np.where(each > 0, mean, np.where(has_left, single, np.nan))


# A hand moves the body by a fraction of a degree per cycle, and the weights by some 5 degrees
# in a hard blip (where three refusals in a row are then taken); else a disturbed pulse.
_LARGEST_STEP_DEG = 4.0
_LASTS_CYCLES = 3
_CARRIED_CYCLES = 4


class AdvanceKeeper:
    """Drops advances that cannot be, and bridges short losses with the last known value.

    Attributes
    ----------
    refused
        How many were dropped.
    """

    def __init__(self) -> None:
        self._recent: deque[float] = deque(maxlen=3)
        self._refused: list[float] = []
        self._age = 0
        self.refused = 0

    def feed(self, advance_deg: FloatArray, fresh: Sequence[bool]) -> FloatArray:
        """Advance of consecutive cycles, float64 [n]; ``fresh`` where one does not follow."""
        kept = advance_deg.tolist()
        for row, (value, begins) in enumerate(zip(kept, fresh, strict=True)):
            if begins:
                self._recent.clear()
                self._refused.clear()
            kept[row] = self._one(value)
        return np.array(kept, np.float64)

    def _one(self, value: float) -> float:
        unknown = math.isnan(value)
        if not unknown and self._fits(value):
            self._recent.append(value)
            self._refused.clear()
            self._age = 0
            return value
        self._age += 1
        self.refused += not unknown
        if self._recent and self._age <= _CARRIED_CYCLES:
            return self._recent[-1]
        return math.nan

    def _fits(self, value: float) -> bool:
        if not self._recent or any(abs(value - r) <= _LARGEST_STEP_DEG for r in self._recent):
            return True
        self._refused.append(value)
        if len(self._refused) < _LASTS_CYCLES:
            return False
        apart = max(abs(a - b) for a, b in pairwise(self._refused))
        if apart > _LARGEST_STEP_DEG:
            del self._refused[0]
            return False
        self._recent.clear()
        return True
