"""The cylinders against each other: spark spacing, pull, and intake.

Enters: cycles with the spark of every slot, phases. Leaves: arrays with one entry per slot.

The crank does not turn evenly between the sparks. What every stroke does alike is the same at
every spark and falls out. What one cylinder does differently moves the sparks after it, by an
angle that goes with torque over the square of speed and so nearly vanishes in a rev-up, while
worn lobes and a bent shaft stay. With rev-ups the two are told apart by that; from idle alone
the difference of the cylinders is taken to be no more than a part of their scatter from stroke
to stroke, and the rest of the doubt is in the uncertainty.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vaclog.analysis.findings import Phase
from vaclog.analysis.wear.reading_noise import PICKUP_US
from vaclog.signals.tables import CycleFlag, CycleTable, FloatArray
from vaclog.units import CYCLE_DEG, deg_from_us

_SPOILT: Final = int(CycleFlag.SPLIT | CycleFlag.AFTER_BREAK | CycleFlag.CRANKING)
_CALM: Final = ("hold", "warming", "advancing", "retarding")
_LEAST_CYCLES: Final = 30
_FAST_RPM_S: Final = 900.0  # faster, and a parabola over five cycles no longer holds
# Lasting difference of a cylinder's work as a part of its scatter from stroke to stroke (own
# assumption: 2-4 % of difference and 5-10 % of scatter are ordinary).
_UNLIKE_PART: Final = 0.5
_JITTER_DEG: Final = 0.2  # of one spark against the next (own assumption; only a weight)
# Lobes wear and shafts bend by a degree or two of the crank; an odd-firing engine is uneven by
# ten or more by design (common practice).
UNEVEN_DEG: Final = 8.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spacing:
    """Sparks against an even spacing.

    Attributes
    ----------
    ahead_deg, u_ahead_deg
        float64 [N], ahead of an even spacing from No. 1's spark; the first is 0.
    pull_percent, u_pull_percent
        float64 [N], speed in the interval after each spark against the mean, at idle, lobes
        taken off.
    uneven
        More than wear makes.
    cycles
        How many it rests on.
    """

    ahead_deg: FloatArray
    u_ahead_deg: FloatArray
    pull_percent: FloatArray
    u_pull_percent: FloatArray
    uneven: bool
    cycles: int


def spacing(cycles: CycleTable, phases: Sequence[Phase]) -> Spacing | None:
    """Spark spacing from a pickup on the coil lead; None without one, or of one cylinder."""
    slots = cycles.coil_us.shape[1]
    if slots < 2 or len(cycles) < _LEAST_CYCLES:
        return None
    rows, bend = _usable(cycles)
    if len(rows) < _LEAST_CYCLES:
        return None
    duration = (cycles.end_us - cycles.start_us)[rows].astype(np.float64)
    share = cycles.coil_us[rows] / duration[:, None]
    # Speed that changes steadily over the cycle: a parabola instead of a line.
    turned = CYCLE_DEG * (share + 0.5 * bend[:, None] * share * (share - 1.0))
    even = CYCLE_DEG / slots * np.arange(slots)
    ahead = even - (turned - turned[:, :1])
    calm = _calm(cycles, phases)[rows]
    idle = calm if calm.sum() >= _LEAST_CYCLES else np.ones(len(rows), np.bool_)
    rpm, kpa = cycles.rpm[rows], cycles.pressure_kpa[rows]
    torque = np.where(np.isfinite(kpa), kpa, np.nanmedian(kpa)) / rpm**2
    torque = torque / np.median(torque[idle])
    values = np.zeros(slots)
    u_values = np.zeros(slots)
    by_work = np.zeros(slots)
    u_by_work = np.zeros(slots)
    for slot in range(1, slots):
        fitted = _apart(ahead[:, slot], torque, rpm, idle)
        values[slot], u_values[slot], by_work[slot], u_by_work[slot] = fitted
    steps = np.diff(np.concatenate([by_work, [0.0]]))
    u_steps = np.hypot(u_by_work, np.roll(u_by_work, -1))
    each = CYCLE_DEG / slots
    return Spacing(
        ahead_deg=values,
        u_ahead_deg=u_values,
        # Ahead grows over an interval that takes less time: there the crank is fast.
        pull_percent=100.0 * steps / each,
        u_pull_percent=100.0 * u_steps / each,
        uneven=bool(np.abs(values).max() > UNEVEN_DEG),
        cycles=len(rows),
    )


def _usable(cycles: CycleTable) -> tuple[NDArray[np.int64], FloatArray]:
    """Rows with all sparks, and the relative change of speed over the cycle."""
    flagged = (cycles.flags & _SPOILT) != 0
    duration = (cycles.end_us - cycles.start_us).astype(np.float64)
    n = len(cycles)
    bend = np.zeros(n)
    bend[2 : n - 2] = -(duration[4:] - duration[:-4]) / (4.0 * duration[2:-2])
    sound = np.isfinite(cycles.coil_us).all(axis=1) & ~flagged
    for shift in (-2, -1, 1, 2):
        sound &= ~np.roll(flagged, shift)
    sound[:2] = sound[n - 2 :] = False
    rate = bend * cycles.rpm / (duration / 1e6)
    sound &= np.abs(rate) < _FAST_RPM_S
    rows = np.flatnonzero(sound)
    return rows, bend[rows]


def _calm(cycles: CycleTable, phases: Sequence[Phase]) -> NDArray[np.bool_]:
    inside = np.zeros(len(cycles), np.bool_)
    for phase in phases:
        if phase.kind in _CALM:
            inside |= (cycles.start_us >= phase.start_us) & (cycles.end_us <= phase.end_us)
    return inside


def _apart(
    ahead: FloatArray, torque: FloatArray, rpm: FloatArray, idle: NDArray[np.bool_]
) -> tuple[float, float, float, float]:
    """What stays at any speed and what goes with torque over speed squared, with their u."""
    middle = float(np.median(ahead[idle]))
    sigma = max(1.4826 * float(np.median(np.abs(ahead[idle] - middle))), 0.02)
    floor = np.hypot(_JITTER_DEG, deg_from_us(PICKUP_US, 1.0) * rpm)
    wide = np.sqrt(max(sigma**2 - float(np.median(floor[idle])) ** 2, 0.0)) * torque
    weight = 1.0 / (floor**2 + wide**2)
    design = np.column_stack([np.ones(len(ahead)), torque])
    prior = np.diag([0.0, 1.0 / (_UNLIKE_PART * sigma) ** 2])
    values = np.zeros(2)
    cov = np.zeros((2, 2))
    for _ in range(3):
        cov = np.linalg.inv(design.T @ (design * weight[:, None]) + prior)
        values = cov @ (design.T @ (weight * ahead))
        off = np.abs(ahead - design @ values) * np.sqrt(weight)
        # Misfires and disturbed pulses count the less the further out they are (P. J. Huber).
        weight = weight * np.minimum(1.0, 3.0 / np.maximum(off, 1e-9))
    u = np.sqrt(np.diag(cov))
    return float(values[0]), float(u[0]), float(values[1]), float(u[1])


def intakes(cycles: CycleTable, phases: Sequence[Phase]) -> tuple[FloatArray, FloatArray] | None:
    """Pressure in each part of the cycle less the cycle's mean, at idle, and its u.

    Returns
    -------
    float64 [N], float64 [N], or None
        None with too few cycles, or of one cylinder. Neighbouring cycles hang together, so two
        count for one.
    """
    slots = cycles.slot_kpa.shape[1]
    rows = _calm(cycles, phases) & np.isfinite(cycles.slot_kpa).all(axis=1)
    rows &= (cycles.flags & int(CycleFlag.CRANKING | CycleFlag.GAP | CycleFlag.RAIL)) == 0
    if slots < 2 or rows.sum() < _LEAST_CYCLES:
        return None
    off = cycles.slot_kpa[rows] - cycles.slot_kpa[rows].mean(axis=1, keepdims=True)
    return off.mean(axis=0), off.std(axis=0, ddof=1) * np.sqrt(2.0 / len(off))
