"""How much of the scatter of an advance is made by reading it.

Enters: marks, sparks and turns of an idling engine, as a few numbers. Leaves: standard deviations
in degrees.

A mark passes once a turn. Between two marks the speed is taken to change steadily; what it really
does in between moves the reading though the spark came as always. The speed is modelled as a
random walk with one step per power stroke, spread over the stroke; the same walk makes the turns
differ, which is measured, so its size need not be known.
"""

from __future__ import annotations

from functools import cache
from typing import Final

import numpy as np

from vaclog.signals.tables import FloatArray, IntArray
from vaclog.units import deg_from_us

# Torque of a stroke acts from top dead centre to some 60 degrees after it (own assumption).
_STROKE_DEG: Final = 60.0
# Jitter of a spark pickup and a comparator, as a standard deviation of the difference of two
# edges (own assumption: some microseconds, seldom above fifteen).
PICKUP_US: Final = 7.5
U_PICKUP_US: Final = 5.0
_TICKS_US: Final = (64, 32, 16, 8, 4, 2)


def tick_us(times_us: IntArray) -> float:
    """Step of the times, microseconds: the coarsest that all of them are whole multiples of."""
    if len(times_us) < 20:
        return 1.0
    apart = times_us - times_us[0]
    return float(next((step for step in _TICKS_US if not np.any(apart % step)), 1))


def timing_deg(rpm: float, step_us: float) -> tuple[float, float]:
    """Scatter that edges make, degrees: of two pickups and of the step of two times.

    Returns
    -------
    deg, u_deg
        A step q makes q / sqrt(12) (JCGM 100:2008, 4.3.7) at either edge.
    """
    steps_us = step_us * (2.0 / 12.0) ** 0.5
    us = float(np.hypot(PICKUP_US, steps_us))
    return deg_from_us(us, rpm), deg_from_us(U_PICKUP_US * PICKUP_US / us, rpm)


@cache
def walk_gain(cylinders: int, mark_deg: int, advance_deg: int) -> float:
    """Degrees of false advance for each unit of scatter of the turns.

    Parameters
    ----------
    cylinders
        Strokes in two turns.
    mark_deg, advance_deg
        Where the mark passes its sensor and where the spark comes, whole degrees before top
        dead centre.

    Returns
    -------
    float
        Standard deviation of the reading over that of (turn - turn before) / turn.
    """
    read, turns = [], []
    spacing = 720.0 / cylinders
    # The spark is near a top dead centre at 0; marks from two turns before it to one after.
    marks: FloatArray = np.asarray(360.0 * np.arange(-2, 3) - mark_deg, np.float64)
    spark = -float(advance_deg)
    theta: FloatArray = np.arange(-900.0, 760.0, 0.5)
    strokes = spacing * np.arange(np.ceil(-900.0 / spacing), np.ceil(700.0 / spacing))
    for stroke in strokes.tolist():
        gain = np.clip((theta - stroke) / _STROKE_DEG, 0.0, 1.0) * 1e-4
        time = np.concatenate([[0.0], np.cumsum(0.5 / (1.0 + gain))[:-1]])
        m: FloatArray = np.asarray(np.interp(marks, theta, time), np.float64)
        read.append((_turned(m, float(np.interp(spark, theta, time)), marks, spark)) / 1e-4)
        turns.append(((m[3] - m[2]) - (m[2] - m[1])) / 360.0 / 1e-4)
    return float(np.sqrt(np.sum(np.square(read)) / np.sum(np.square(turns))))


def _turned(m: FloatArray, spark: float, marks_deg: FloatArray, spark_deg: float) -> float:
    """Error of the degrees from the mark before a spark, by a parabola over two turns."""
    own = int(np.searchsorted(marks_deg, spark_deg, side="right"))
    since, turn, before = spark - m[own - 1], m[own] - m[own - 1], m[own - 1] - m[own - 2]
    bend = (360.0 / turn - 360.0 / before) / (turn + before)
    turned = 360.0 * since / turn + bend * since * (since - turn)
    return float(turned - (spark_deg - marks_deg[own - 1]))


def turn_scatter(turn_us: FloatArray) -> float:
    """Scatter of (turn - turn before) / turn, from the two turns of each cycle; NaN: unknown.

    Parameters
    ----------
    turn_us
        float64 [n, 2]. That one of the two is always the longer is no scatter.
    """
    change = (turn_us[:, 1] - turn_us[:, 0]) / turn_us.mean(axis=1)
    change = change[np.isfinite(change)]
    if len(change) < 20:
        return float("nan")
    off = np.abs(change - np.median(change))
    return float(1.4826 * np.median(off))  # of a normal law
