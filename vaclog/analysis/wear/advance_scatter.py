"""Scatter of the advance of No. 1 from cycle to cycle while nobody touches it.

Enters: cycles with advance from crank mark and spark, phases, the mark's angle. Leaves:
:class:`AdvanceScatter`, with the part that reading makes taken off.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from vaclog.analysis.findings import Phase
from vaclog.analysis.wear.reading_noise import tick_us, timing_deg, turn_scatter, walk_gain
from vaclog.cards import RigCard
from vaclog.signals.tables import AdvanceFrom, CycleFlag, CycleTable, FloatArray, IntArray

_SPOILT: Final = int(CycleFlag.SPLIT | CycleFlag.AFTER_BREAK | CycleFlag.CRANKING)
_LEAST_HOLD: Final = 20  # cycles of a hold that is used
_LEAST_CYCLES: Final = 40
_OUTLIER: Final = 5.0  # robust sigmas: a disturbed pulse, not play
# The walk of speed is a model: what it says of the reading may be off by so much of itself.
_U_WALK_PART: Final = 0.35
_K95: Final = 1.96


@dataclass(frozen=True, slots=True, kw_only=True)
class AdvanceScatter:
    """Scatter and its parts, as in :class:`~vaclog.result.SparkScatter`; NaN: unknown.

    ``slopes`` are drift, degrees a minute, and change with speed, degrees per 100 rpm, each
    with its standard uncertainty.
    """

    cycles: int
    total_deg: float
    sensor_deg: float
    speed_deg: float
    real_deg: float
    low_deg: float
    high_deg: float
    alternate_deg: float
    u_alternate_deg: float
    slow_deg: float
    slopes: tuple[tuple[float, float], tuple[float, float]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Hold:
    """One hold with its trends taken off."""

    rows: IntArray
    left_deg: FloatArray
    drift: tuple[float, float]
    by_rpm: tuple[float, float]


def advance_scatter(
    cycles: CycleTable, phases: Sequence[Phase], rig: RigCard
) -> AdvanceScatter | None:
    """Scatter at the holds of a capture; None with too few cycles or without a crank mark."""
    if rig.mark is None:
        return None
    holds = [hold for rows in _holds(cycles, phases) if (hold := _detrended(cycles, rows))]
    if sum(len(hold.rows) for hold in holds) < _LEAST_CYCLES:
        return None
    rows = np.concatenate([hold.rows for hold in holds])
    alternate, u_alternate = _alternate(holds)
    variance, u_variance, jumping = _variances(holds)
    rpm = float(np.median(cycles.rpm[rows]))
    sensor_deg, u_sensor_deg = timing_deg(rpm, tick_us(cycles.start_us))
    speed_deg = _speed_part(cycles, rows, rig.mark.angle_deg)
    speed = 0.0 if math.isnan(speed_deg) else speed_deg**2
    real = variance - sensor_deg**2 - speed
    u_real = math.sqrt(
        u_variance**2 + (2 * sensor_deg * u_sensor_deg) ** 2 + (2 * _U_WALK_PART * speed) ** 2
    )
    return AdvanceScatter(
        cycles=len(rows),
        total_deg=math.sqrt(variance),
        sensor_deg=sensor_deg,
        speed_deg=speed_deg,
        real_deg=math.sqrt(max(real, 0.0)),
        low_deg=math.sqrt(max(real - _K95 * u_real, 0.0)),
        high_deg=math.sqrt(max(real + _K95 * u_real, 0.0)),
        alternate_deg=alternate,
        u_alternate_deg=u_alternate,
        slow_deg=math.sqrt(max(variance - jumping, 0.0)),
        slopes=(
            _weighted([hold.drift for hold in holds]),
            _weighted([hold.by_rpm for hold in holds]),
        ),
    )


def _holds(cycles: CycleTable, phases: Sequence[Phase]) -> list[IntArray]:
    """Rows of each hold with an advance from the mark."""
    sound = (cycles.advance_from == AdvanceFrom.MARK) & np.isfinite(cycles.advance_deg)
    sound &= (cycles.flags & _SPOILT) == 0
    found = []
    for phase in phases:
        if phase.kind != "hold":
            continue
        inside = sound & (cycles.start_us >= phase.start_us) & (cycles.end_us <= phase.end_us)
        rows = np.flatnonzero(inside)
        if len(rows) >= _LEAST_HOLD:
            found.append(rows)
    return found


def _detrended(cycles: CycleTable, rows: IntArray) -> _Hold | None:
    """Take level, drift and the pull of speed off a hold, outliers out."""
    for again in (True, True, False):
        minutes = (cycles.start_us[rows] - cycles.start_us[rows[0]]) / 60e6
        rpm = (cycles.rpm[np.maximum(rows - 1, 0)] - np.median(cycles.rpm[rows])) / 100.0
        design = np.column_stack([np.ones(len(rows)), minutes - minutes.mean(), rpm])
        y = cycles.advance_deg[rows]
        gram = np.linalg.pinv(design.T @ design)
        values = gram @ (design.T @ y)
        left = y - design @ values
        sigma = 1.4826 * float(np.median(np.abs(left - np.median(left))))
        keep = np.abs(left) <= _OUTLIER * max(sigma, 0.02)
        if keep.all() or not again:
            break
        rows = rows[keep]
        if len(rows) < _LEAST_HOLD:
            return None
    inflation = _inflation(left)
    u = np.sqrt(np.diag(gram) * float(left @ left) / max(len(left) - 3, 1) * inflation)
    return _Hold(
        rows=rows,
        left_deg=left,
        drift=(float(values[1]), float(u[1])),
        by_rpm=(float(values[2]), float(u[2])),
    )


def _inflation(left: FloatArray) -> float:
    """How many cycles count for one, by the correlation of neighbours."""
    power = float(left @ left)
    memory = float(np.clip(left[1:] @ left[:-1] / power, 0.0, 0.8)) if power > 0 else 0.0
    return (1.0 + memory) / (1.0 - memory)


def _variances(holds: list[_Hold]) -> tuple[float, float, float]:
    """Variance of what is left, its standard uncertainty, and the part that jumps.

    The jumping part is half the mean square of successive differences (J. von Neumann, Ann.
    Math. Statist. 12, 1941, from memory).
    """
    freedom = sum(len(hold.rows) - 3 for hold in holds)
    variance = sum(float(hold.left_deg @ hold.left_deg) for hold in holds) / freedom
    count = np.average(
        [_inflation(hold.left_deg) for hold in holds], weights=[len(hold.rows) for hold in holds]
    )
    steps = np.concatenate(
        [np.diff(hold.left_deg)[np.diff(hold.rows) == 1] for hold in holds] or [np.zeros(1)]
    )
    jumping = float(np.mean(steps**2)) / 2.0 if len(steps) else variance
    # Of a normal law 2 s^4 / freedom; heavier tails make it larger, so take it from the data.
    squares = np.concatenate([hold.left_deg**2 for hold in holds])
    u = float(np.std(squares)) * math.sqrt(float(count) / len(squares))
    return variance, max(u, variance * math.sqrt(2.0 / freedom)), jumping


def _alternate(holds: list[_Hold]) -> tuple[float, float]:
    """Half the difference of every other cycle, and its standard uncertainty."""
    rows = np.concatenate([hold.rows for hold in holds])
    left = np.concatenate([hold.left_deg for hold in holds])
    side = np.where(rows % 2 == 0, 1.0, -1.0)
    side = side - side.mean()
    power = float(side @ side)
    if power <= 0.0:
        return math.nan, math.nan
    value = float(side @ left) / power
    rest = left - value * side
    return abs(value), math.sqrt(float(rest @ rest) / len(left) / power)


def _speed_part(cycles: CycleTable, rows: IntArray, mark_deg: float) -> float:
    """Scatter that changes of speed within a turn make of a steady spark, degrees."""
    scatter = turn_scatter(cycles.turn_us[rows])
    if math.isnan(scatter):
        return math.nan
    slots = cycles.slot_kpa.shape[1]
    advance = np.round(cycles.advance_deg[rows]).astype(int)
    gains = [walk_gain(slots, round(mark_deg), int(angle)) for angle in advance.tolist()]
    return scatter * float(np.sqrt(np.mean(np.square(gains))))


def _weighted(values: list[tuple[float, float]]) -> tuple[float, float]:
    value, u = np.array(values).T
    weight = 1.0 / np.maximum(u, 1e-9) ** 2
    return float(np.average(value, weights=weight)), float(np.sqrt(1.0 / weight.sum()))
