"""Start, slope, end and height of the curve, as a maker would print it.

Enters: the fitted curve with the sparks behind it. Leaves: a :class:`CurveShape`.

One to three straight ramps (one or two springs, a stretch that stands still) are fitted to the
sparks by least squares, together with what an unknown pickup delay does: a delay takes the same
time off at every speed, so it leans the whole curve by 6e-6 degrees per rpm and microsecond. A
curve leans too, so the two can be told apart only where the weights rest against a stop: there the
lean of the reading is the delay alone. Elsewhere the rig card's own uncertainty remains, which
enters as a prior.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from vaclog.analysis.curve.fit import CurveFit
from vaclog.signals.tables import FloatArray
from vaclog.units import deg_from_us

_LEAST_DEG: Final = 1.5  # a curve lower than this has no start and no end to speak of
# An end is believed only where level ground was seen beyond it, at speeds where curves do end: all
# in by 2500 to 3500 rpm (common practice). Lower down it may be a heavier spring that waits.
_LEVEL_RPM: Final = 300.0
_ENDS_RPM: Final = 2400.0
_LEVEL_DEG_PER_RPM: Final = 2.0e-3
_NARROW_RPM: Final = 60.0  # no spring lets go within less
_DEG_PER_RPM_US: Final = deg_from_us(1.0, 1.0)
_GIVE_DEG_PER_RPM: Final = 0.1e-3  # of a bent stop or a stretched spring: own assumption
_GIVE_US: Final = _GIVE_DEG_PER_RPM / _DEG_PER_RPM_US
# Speed at a spark against the mean of its cycles: a hundredth of it, from the pulse of the crank.
_SPEED_PART: Final = 0.01
_STARTS: Final = ((0.15, 0.6), (0.3, 0.85), (0.05, 0.95), (0.4, 0.7))


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveShape:
    """The curve in a few numbers; NaN where the rev-ups do not show it.

    Attributes
    ----------
    start_rpm, u_start_rpm
        Where it begins to rise.
    all_in_rpm, u_all_in_rpm
        Where it ends.
    most_deg, u_most_deg
        What it adds in all above idle; of the highest speed seen where no end was seen.
    slope_deg_per_1000rpm, u_slope_deg_per_1000rpm
        Mean slope between start and end (or what was seen of them).
    moving_at_idle
        It rises already at idle speed.
    delay_us, u_delay_us
        Pickup delay beyond the rig card's, and how well it is known after this.
    """

    start_rpm: float
    u_start_rpm: float
    all_in_rpm: float
    u_all_in_rpm: float
    most_deg: float
    u_most_deg: float
    slope_deg_per_1000rpm: float
    u_slope_deg_per_1000rpm: float
    moving_at_idle: bool
    delay_us: float
    u_delay_us: float


def find_shape(
    fit: CurveFit, idle_rpm: float, u_delay_us: float, *, sticks: bool = False
) -> CurveShape:
    """Fit ramps.

    Parameters
    ----------
    fit
        The curve.
    idle_rpm
        Where it is zero.
    u_delay_us
        How well the rig card knows the pickup's delay.
    sticks
        Weights that stick lean a level stretch too: then nothing is told of the delay.
    """
    lean_us = 1e-3 if sticks else math.hypot(u_delay_us, _GIVE_US)
    best = min(
        (_ramps(fit, idle_rpm, lean_us, count) for count in (1, 2, 3)), key=lambda each: each[0]
    )
    _, values, cov = best
    low_rpm, high_rpm = float(fit.lagged_rpm.min()), float(fit.lagged_rpm.max())
    delay_us, u_us = _delay(float(values[1]), math.sqrt(cov[1, 1]), u_delay_us)
    if sticks:
        delay_us, u_us = 0.0, u_delay_us
        cov[1, 1] = u_delay_us**2  # still in doubt, only nothing was learned of it
    start, width = values[2], np.maximum(values[3::2], _NARROW_RPM)
    end = float(start + width.sum())
    tall = float(values[4::2].sum()) > _LEAST_DEG
    start_seen = tall and start > idle_rpm + 30.0 and start > low_rpm + 30.0
    end_seen = tall and high_rpm > _ENDS_RPM and _is_level(fit, end, high_rpm)
    to_rpm = end if end_seen else high_rpm
    from_rpm = float(start) if start_seen else idle_rpm

    # A doubt about the lean that the level stretch settled is in the ramps already.
    lean_deg = _DEG_PER_RPM_US * (to_rpm - idle_rpm) if sticks else 0.0

    def told(of: Callable[[FloatArray], float]) -> tuple[float, float]:
        return of(values), _propagated(of, values, cov)

    def most(v: FloatArray) -> float:
        ramps = _level(v, np.array([idle_rpm, to_rpm]))
        # Without the lean of the fit, and with what is in doubt of the delay.
        return float(ramps[1] - ramps[0] + (v[1] - values[1]) * lean_deg)

    most_deg, u_most_deg = told(most)
    slope, u_slope = told(lambda v: 1e3 * most(v) / (to_rpm - from_rpm))
    nothing = (math.nan, math.nan)
    start_rpm, u_start = told(lambda v: float(v[2])) if start_seen else nothing
    end_rpm, u_end = (
        told(lambda v: float(v[2] + np.maximum(v[3::2], _NARROW_RPM).sum()))
        if end_seen
        else nothing
    )
    return CurveShape(
        start_rpm=start_rpm,
        u_start_rpm=math.hypot(u_start, _SPEED_PART * start_rpm),
        all_in_rpm=end_rpm,
        u_all_in_rpm=math.hypot(u_end, _SPEED_PART * end_rpm),
        most_deg=most_deg,
        u_most_deg=u_most_deg,
        slope_deg_per_1000rpm=slope if tall else math.nan,
        u_slope_deg_per_1000rpm=u_slope if tall else math.nan,
        moving_at_idle=tall and not start_seen,
        delay_us=delay_us,
        u_delay_us=u_us,
    )


def _ramps(
    fit: CurveFit, idle_rpm: float, u_lean_us: float, count: int
) -> tuple[float, FloatArray, FloatArray]:
    """Information criterion, values and covariance with ``count`` ramps.

    ``u_lean_us`` is how far a level stretch may lean, as a delay: by the pickup, and by stops
    that are not quite stops.

    Values: level at idle, lean as a delay, start, then width and rise of each ramp.
    """
    from scipy.optimize import least_squares

    x, y = fit.lagged_rpm, fit.level_deg
    inflation = (1.0 + fit.memory) / (1.0 - fit.memory)
    sigma = fit.noise_deg * np.sqrt(inflation / fit.weight)
    low, high = float(x.min()), float(x.max())
    rise = max(float(fit.added_deg.max()), 0.5)

    def off(v: FloatArray) -> FloatArray:
        lean = _DEG_PER_RPM_US * v[1] * (x - idle_rpm)
        model = v[0] + _level(v, x) - lean
        return np.concatenate([(y - model) / sigma, [v[1] / u_lean_us]])

    bounds_low = [-np.inf, -np.inf, low - 400.0, *([_NARROW_RPM, 0.0] * count)]
    bounds_high = [np.inf, np.inf, high, *([2.0 * (high - low) + 500.0, 60.0] * count)]
    found = None
    for begin, end in _STARTS:
        n0, n1 = low + begin * (high - low), low + end * (high - low)
        parts = [(n1 - n0) / count, rise / count] * count
        first = np.clip([0.0, 0.0, n0, *parts], np.array(bounds_low) + 1e-6, bounds_high)
        tried = least_squares(
            off, first, bounds=(bounds_low, bounds_high), x_scale=[1, 20, 100, *([100, 3] * count)]
        )
        if found is None or tried.cost < found.cost:
            found = tried
    assert found is not None
    values: FloatArray = np.asarray(found.x, np.float64)
    jacobian = np.asarray(found.jac, np.float64)
    information = jacobian.T @ jacobian
    cov: FloatArray = np.asarray(np.linalg.pinv(information), np.float64)
    return 2.0 * found.cost + len(values) * math.log(len(x)), values, cov


def _is_level(fit: CurveFit, from_rpm: float, to_rpm: float) -> bool:
    """Whether the curve certainly hardly rises over the last stretch, if it is long enough."""
    late = fit.lagged_rpm > from_rpm
    if to_rpm - from_rpm < _LEVEL_RPM or late.sum() < 8:
        return False
    rpm, level, weight = fit.lagged_rpm[late], fit.level_deg[late], fit.weight[late]
    lever = weight * (rpm - np.average(rpm, weights=weight))
    spread = float(lever @ rpm)
    slope, u = float(lever @ level) / spread, fit.noise_deg / math.sqrt(spread)
    inflation = math.sqrt((1.0 + fit.memory) / (1.0 - fit.memory))
    return slope + 2.0 * u * inflation < _LEVEL_DEG_PER_RPM


def _delay(lean_us: float, u_lean_us: float, u_delay_us: float) -> tuple[float, float]:
    """Part of a lean that is the pickup's delay, and its standard uncertainty.

    The lean is delay plus the give of the stops, both normal about 0 beforehand.
    """
    both = u_delay_us**2 + _GIVE_US**2
    share = u_delay_us**2 / both
    variance = u_delay_us**2 * _GIVE_US**2 / both + (share * u_lean_us) ** 2
    return share * lean_us, math.sqrt(variance)


def _level(v: FloatArray, rpm: FloatArray) -> FloatArray:
    """Ramps at speeds, float64 [n]."""
    total, at = np.zeros(len(rpm)), float(v[2])
    for width, rise in zip(v[3::2], v[4::2], strict=True):
        total = total + rise * np.clip((rpm - at) / width, 0.0, 1.0)
        at += float(width)
    return total


def _propagated(of: Callable[[FloatArray], float], values: FloatArray, cov: FloatArray) -> float:
    """Standard uncertainty of a function of the values (JCGM 100:2008, 5.1.3, differences)."""
    slope = np.empty(len(values))
    for k in range(len(values)):
        step = np.zeros(len(values))
        step[k] = max(1e-3, 0.2 * math.sqrt(max(cov[k, k], 0.0)))
        slope[k] = (of(values + step) - of(values - step)) / (2.0 * step[k])
    return math.sqrt(max(float(slope @ cov @ slope), 0.0))
