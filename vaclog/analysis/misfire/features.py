"""What is looked at to find lost strokes: relative speeds and pressures of each cycle.

Enters: cycles and which of them may be judged. Leaves: :class:`Features`, their trends removed,
and windows of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vaclog.analysis.phases.segments import MAD_TO_SIGMA, running_median
from vaclog.signals.tables import CycleFlag, CycleTable, FloatArray

BEFORE, AFTER = 2, 5  # cycles of the window before and from the cycle on
TREND = 12  # cycles to either side of the median that stands for sweep, drift and warm-up
USUAL_ADVANCE_DEG = 15.0  # where none is known; 10° of it are a seventy-second part of a cycle
SPOILT = int(CycleFlag.SPLIT | CycleFlag.GAP | CycleFlag.RAIL | CycleFlag.CRANKING)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Features:
    """What is looked at, one row per cycle, with trends removed.

    Attributes
    ----------
    values
        float64 [n, m]: relative speed of each turn (or of the cycle), then relative pressure.
    breaks
        bool [n]: the cycle does not follow the one before it.
    turns
        How many speeds per cycle: 2 with a crank mark, 1 without; m = turns + 1.
    offset_turns
        Where the first turn begins, in turns from the spark that starts the cycle.
    cycle_s
        Typical duration of a cycle.
    advance_deg
        Advance of the cycles that matter: those where the speed changes.
    """

    values: FloatArray
    breaks: NDArray[np.bool_]
    turns: int
    offset_turns: float
    cycle_s: float
    advance_deg: float


def features(cycles: CycleTable, use: NDArray[np.bool_]) -> Features:
    """Relative speeds and pressures of each cycle less their slow trend."""
    ok: NDArray[np.bool_] = ((cycles.flags & SPOILT) == 0) & np.isfinite(cycles.rpm)
    judged = ok & use
    with_turns: NDArray[np.bool_] = np.asarray(np.isfinite(cycles.turn_us).all(axis=1))
    turned = bool(judged.any()) and float(with_turns[judged].mean()) > 0.8
    lengths = (cycles.end_us - cycles.start_us)[judged]
    if turned:
        ok &= with_turns
        speeds = 60e6 / np.where(with_turns[:, None], cycles.turn_us, np.nan)
    else:
        speeds = cycles.rpm[:, None]
    raw = np.column_stack([speeds, cycles.pressure_kpa])
    raw[~ok] = np.nan
    return Features(
        values=np.column_stack([_relative(column) for column in raw.T]),
        breaks=(cycles.flags & int(CycleFlag.AFTER_BREAK)) > 0,
        turns=speeds.shape[1],
        offset_turns=_offset(cycles, judged & ok) if turned else 0.0,
        cycle_s=float(np.median(lengths)) / 1e6 if len(lengths) else 0.14,
        advance_deg=_restless_advance(cycles, judged),
    )


def _relative(column: FloatArray) -> FloatArray:
    """Deviation from the running median, as a share of it."""
    share: FloatArray = column / running_median(column, TREND) - 1.0
    return share


def _offset(cycles: CycleTable, ok: NDArray[np.bool_]) -> float:
    """Turns from the cycle's spark to the start of its first mark-to-mark turn.

    The table gives lengths, not places. But a cycle that starts a part f of a turn after the
    mark lasts D = T₁ + T₂ + f·(T₁ of the next cycle − T₁), so f is the slope of the difference.
    """
    turn = cycles.turn_us
    whole = (cycles.end_us - cycles.start_us).astype(np.float64)
    joined = ok[:-1] & ok[1:] & (cycles.start_us[1:] == cycles.end_us[:-1])
    x = (turn[1:, 0] - turn[:-1, 0])[joined]
    y = (whole[:-1] - turn[:-1].sum(axis=1))[joined]
    if len(x) < 30:
        return 0.0
    slope = 0.0
    for _ in range(3):  # least squares without what stands far off the line
        slope = float(np.sum(x * y) / max(float(np.sum(x * x)), 1e-9))
        off = np.abs(y - slope * x)
        keep = off <= 4.0 * max(MAD_TO_SIGMA * float(np.median(off)), 1.0)
        x, y = x[keep], y[keep]
    return -float(np.clip(slope, -1.0, 1.0))


def _restless_advance(cycles: CycleTable, ok: NDArray[np.bool_]) -> float:
    """Advance, weighed with the squared change of speed: where events are, if there are any."""
    step = np.diff(cycles.rpm, prepend=cycles.rpm[:1])
    good = ok & np.isfinite(cycles.advance_deg) & np.isfinite(step)
    weight = np.where(good, step, 0.0) ** 2
    if not weight.sum() > 0.0:
        return USUAL_ADVANCE_DEG
    return float(np.average(np.where(good, cycles.advance_deg, 0.0), weights=weight))


def windows(values: FloatArray, breaks: NDArray[np.bool_]) -> FloatArray:
    """``BEFORE`` cycles before to ``AFTER`` from each cycle on, as rows; float64 [n, (B+A)·m].

    NaN throughout where a window leaves the table or crosses a break.
    """
    n, m = values.shape
    length = BEFORE + AFTER
    out = np.full((n, length * m), np.nan)
    if n < length:
        return out
    stacked = np.lib.stride_tricks.sliding_window_view(values, length, axis=0)
    stacked = stacked.transpose(0, 2, 1).reshape(n - length + 1, length * m)
    run = np.cumsum(breaks)
    whole = run[: n - length + 1] == run[length - 1 :]
    out[BEFORE : BEFORE + len(stacked)] = np.where(whole[:, None], stacked, np.nan)
    return out
