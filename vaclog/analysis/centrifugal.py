"""The centrifugal curve as a rev-up shows it: advance added over speed.

Enters: cycles with advance from crank mark and spark, phases. Leaves: a rising curve relative
to idle, with its band.

The weights follow speed with a lag and some friction, so that the advance is late on the way
up and on the way down. A fast blip shows that, not the curve: cycles count less the faster
the speed changes, and up and down are weighed alike so that what is left cancels.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from vaclog.analysis.findings import CurveFinding, Phase
from vaclog.analysis.phases.segments import robust_sigma
from vaclog.cards import EngineCard
from vaclog.signals.tables import AdvanceFrom, CycleFlag, CycleTable, FloatArray

SPOILT = int(CycleFlag.SPLIT | CycleFlag.AFTER_BREAK | CycleFlag.CRANKING)
BEFORE_S = 6.0  # of idle before a rev-up give the speed and advance that it is compared with
REACH_RPM = 400.0  # a rev-up must go at least so far above idle to show a curve
SLOW_RPM_S = 300.0  # a change of speed that weights and calculation follow well
FAST_RPM_S = 2500.0  # faster than this nothing can be read
BIN_RPM = 100.0
LEAST = 3  # cycles in a bin
# Pickup delay: 50 µs are 1° at 3400 rpm, and the rig card's value is known to some 20 µs.
U_DELAY_DEG_PER_RPM = 20e-6 * 6.0


def find_curve(
    cycles: CycleTable, phases: Sequence[Phase], engine: EngineCard
) -> CurveFinding | None:
    """Advance that the weights add, over speed, from the rev-ups of the capture.

    Parameters
    ----------
    cycles, phases
        Of the whole capture.
    engine
        Its idle speed serves as the place of zero where no idle was seen before the rev-up.

    Returns
    -------
    CurveFinding or None
        None without a rev-up, or without a crank mark: a body sensor does not see the weights.
    """
    rpm, added, weight, way = _collect(cycles, phases)
    if len(rpm) < 10 or float(rpm.max()) - float(rpm.min()) < REACH_RPM:
        return None
    edges = np.arange(np.floor(rpm.min() / BIN_RPM), np.ceil(rpm.max() / BIN_RPM) + 1) * BIN_RPM
    rows = [
        row
        for a, b in pairwise(edges)
        if (row := _bin(rpm, added, weight, way, (rpm >= a) & (rpm < b))) is not None
    ]
    if len(rows) < 3:
        return None
    table = np.array(rows)
    level = _isotonic(table[:, 1], 1.0 / table[:, 2] ** 2)
    return CurveFinding(
        rpm=table[:, 0],
        added_deg=level,
        u_added_deg=np.hypot(table[:, 2], U_DELAY_DEG_PER_RPM * (table[:, 0] - table[0, 0])),
        max_rpm=float(rpm.max()),
    )


def _collect(
    cycles: CycleTable, phases: Sequence[Phase]
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Speed, added advance, weight and sign of the change of speed of each cycle of rev-ups."""
    parts: list[FloatArray] = []
    seen = (cycles.advance_from == AdvanceFrom.MARK) & np.isfinite(cycles.advance_deg)
    seen &= (cycles.flags & SPOILT) == 0
    speed, change = _speed_at_spark(cycles)
    for index, phase in enumerate(phases):
        if phase.kind not in ("blip", "load", "running"):
            continue
        idle = _idle_before(cycles, phases, index, seen)
        if idle is None:
            continue
        inside = seen & (cycles.start_us >= phase.start_us) & (cycles.start_us < phase.end_us)
        pace = np.abs(change[inside])
        keep = pace < FAST_RPM_S
        weight = 1.0 / (1.0 + (pace[keep] / SLOW_RPM_S) ** 2)
        parts.append(
            np.column_stack(
                [
                    speed[inside][keep],
                    cycles.advance_deg[inside][keep] - idle,
                    weight,
                    np.sign(change[inside][keep]),
                ]
            )
        )
    if not parts:
        empty = np.zeros(0)
        return empty, empty, empty, empty
    rpm, added, weight, way = np.concatenate(parts).T
    return rpm, added, weight, way


def _speed_at_spark(cycles: CycleTable) -> tuple[FloatArray, FloatArray]:
    """Speed at the spark that starts each cycle, rpm, and its rate of change, rpm/s."""
    n = len(cycles)
    if n < 2:
        return cycles.rpm.copy(), np.zeros(n)
    before = np.concatenate([cycles.rpm[:1], cycles.rpm[:-1]])
    length = np.diff(cycles.start_us, prepend=cycles.start_us[0] - 140_000) / 1e6
    return 0.5 * (before + cycles.rpm), (cycles.rpm - before) / np.maximum(length, 1e-3)


def _idle_before(
    cycles: CycleTable, phases: Sequence[Phase], index: int, seen: NDArray[np.bool_]
) -> float | None:
    """Advance at the idle before an excursion (or after it, where it opens the capture)."""
    for at, end in ((index - 1, True), (index + 1, False)):
        if not 0 <= at < len(phases) or phases[at].kind not in ("hold", "warming"):
            continue
        phase = phases[at]
        reach = round(BEFORE_S * 1e6)
        start_us = max(phase.start_us, phase.end_us - reach) if end else phase.start_us
        end_us = phase.end_us if end else min(phase.end_us, phase.start_us + reach)
        rows = seen & (cycles.start_us >= start_us) & (cycles.start_us < end_us)
        if rows.sum() >= 8:
            return float(np.median(cycles.advance_deg[rows]))
    return None


def _bin(
    rpm: FloatArray,
    added: FloatArray,
    weight: FloatArray,
    way: FloatArray,
    inside: NDArray[np.bool_],
) -> tuple[float, float, float] | None:
    """Speed, added advance and its uncertainty in one bin of speed."""
    if inside.sum() < LEAST:
        return None
    w, x, y = weight[inside], rpm[inside], added[inside]
    up = way[inside] >= 0.0
    lag = 0.0
    if up.sum() >= 2 and (~up).sum() >= 2:
        rise, fall = np.average(y[up], weights=w[up]), np.average(y[~up], weights=w[~up])
        level = float(np.average([rise, fall], weights=[w[up].max(), w[~up].max()]))
        lag = abs(float(rise - fall)) / 2.0
    else:
        level = float(np.average(y, weights=w))
    count = float(w.sum() ** 2 / np.sum(w * w))
    scatter = max(robust_sigma(y - level), 0.2)  # 0.2°: what a good mark still jitters
    # Half the distance of up and down bounds the lag: a rectangle's u (JCGM 100:2008, 4.3.7).
    return float(np.average(x, weights=w)), level, float(np.sqrt(scatter**2 / count + lag**2 / 3.0))


def _isotonic(level: FloatArray, weight: FloatArray) -> FloatArray:
    """Never falling curve nearest to the levels (weights swing out, not in, with speed)."""
    from scipy.optimize import isotonic_regression

    fitted: FloatArray = np.asarray(isotonic_regression(level, weights=weight).x, np.float64)
    return fitted
