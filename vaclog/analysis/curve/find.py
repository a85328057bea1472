"""The centrifugal curve as rev-ups show it: advance added over speed.

Enters: cycles with advance from crank mark and spark, phases, the cards. Leaves: a
:class:`~vaclog.analysis.findings.CurveFinding`: a curve relative to idle with its band, and what
it is made of.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from vaclog.analysis.curve.collect import RevUps, collect
from vaclog.analysis.curve.fit import CurveFit, fit_curve
from vaclog.analysis.curve.hose import hose_of
from vaclog.analysis.curve.shape import find_shape
from vaclog.analysis.findings import CurveFinding, Phase
from vaclog.cards import EngineCard, RigCard
from vaclog.signals.tables import CycleTable, FloatArray
from vaclog.units import deg_from_us

_REACH_RPM: Final = 400.0  # a rev-up must go at least so far above idle to show a curve
_LEAST_SPARKS: Final = 10  # in a rev-up, or nothing can be told
_LEAST_SUPPORT: Final = 1.5  # sparks that bear on a knot, or it is left out
# A straight line over a corner between two knots is off by a sixth of the bend, as the mean over
# places of the corner (own reckoning).
_CORNER: Final = 1.0 / 6.0
# Weights are no exact first-order lag: what is left of it while the speed changes (own assumption).
_UNLIKE_LAG_S: Final = 0.02
_STICKS_DEG: Final = 0.3


def find_curve(
    cycles: CycleTable, phases: Sequence[Phase], engine: EngineCard, rig: RigCard | None = None
) -> CurveFinding | None:
    """Advance that the weights add, over speed, from the rev-ups of the capture.

    Parameters
    ----------
    cycles, phases
        Of the whole capture.
    engine
        The engine card.
    rig
        The rig card, for how well the pickup's delay is known.

    Returns
    -------
    CurveFinding or None
        None without a rev-up, or without a crank mark: a body sensor does not see the weights.
    """
    seen = collect(cycles, phases)
    if seen is None or len(seen) - int(seen.idle.sum()) < _LEAST_SPARKS:
        return None
    if float(seen.rpm.max() - seen.idle_rpm) < _REACH_RPM:
        return None
    key = tuple(np.asarray(getattr(seen, each.name)).tobytes() for each in fields(seen))
    return _told(key, (rig or RigCard()).spark.u_delay_us)


@lru_cache(maxsize=4)
def _told(key: tuple[bytes, ...], u_delay_us: float) -> CurveFinding | None:
    """The curve of rev-ups given as bytes.

    While a hand is led the same rev-up is asked for every few seconds, and takes a tenth of a
    second; its bytes are known again.
    """
    seen = _from_key(key)
    fit, _ = fit_curve(seen)
    hose = hose_of(seen)
    u_friction_deg = _u_friction(fit, seen)
    sticks = fit.friction_deg > max(_STICKS_DEG, 3.0 * fit.u_friction_deg)
    shape = find_shape(fit, seen.idle_rpm, u_delay_us, sticks=sticks)
    known = fit.support >= _LEAST_SUPPORT
    if known.sum() < 3:
        return None
    lean = deg_from_us(1.0, 1.0) * (fit.rpm - seen.idle_rpm)  # degrees per microsecond of delay
    level = _rising(fit.added_deg + lean * shape.delay_us, np.diag(fit.cov_deg2))
    slope = np.gradient(level, fit.rpm)
    u_deg = np.sqrt(
        np.diag(fit.cov_deg2)
        + (lean * shape.u_delay_us) ** 2
        + (_CORNER * _bends(fit)) ** 2
        + (slope * fit.rate_rpm_s * _UNLIKE_LAG_S) ** 2
    )
    return CurveFinding(
        rpm=fit.rpm[known],
        added_deg=level[known],
        u_added_deg=u_deg[known],
        max_rpm=fit.most_rpm,
        idle_rpm=seen.idle_rpm,
        start_rpm=shape.start_rpm,
        u_start_rpm=shape.u_start_rpm,
        all_in_rpm=shape.all_in_rpm,
        u_all_in_rpm=shape.u_all_in_rpm,
        most_deg=shape.most_deg,
        u_most_deg=shape.u_most_deg,
        slope_deg_per_1000rpm=shape.slope_deg_per_1000rpm,
        u_slope_deg_per_1000rpm=shape.u_slope_deg_per_1000rpm,
        moving_at_idle=shape.moving_at_idle,
        friction_deg=fit.friction_deg,
        u_friction_deg=u_friction_deg,
        lag_s=fit.lag_s,
        u_lag_s=fit.u_lag_s,
        delay_us=shape.delay_us,
        u_delay_us=shape.u_delay_us,
        stays_out_deg=seen.stays_out_deg,
        u_stays_out_deg=seen.u_stays_out_deg,
        noise_deg=fit.noise_deg,
        sparks=len(fit.level_deg),
        rev_ups=int(seen.group.max()) + 1,
        hose="" if hose is None else hose.verdict,
    )


def _from_key(key: tuple[bytes, ...]) -> RevUps:
    types: dict[str, type] = {"group": np.int64, "idle": np.bool_}
    scalars = ("idle_rpm", "stays_out_deg", "u_stays_out_deg")
    values: dict[str, Any] = {}
    for each, raw in zip(fields(RevUps), key, strict=True):
        column: NDArray[Any] = np.frombuffer(raw, types.get(each.name, np.float64))
        values[each.name] = float(column[0]) if each.name in scalars else column
    return RevUps(**values)


def _u_friction(fit: CurveFit, seen: RevUps) -> float:
    """Standard uncertainty of the friction, with what an unlike lag adds on a quick way down.

    A lag moves the way down by lag * rate * slope; half of that is taken for friction.
    """
    down = ~seen.idle & (seen.rate_rpm_s < -20.0)
    if not down.any():
        return fit.u_friction_deg
    quick_rpm_s = float(np.median(-seen.rate_rpm_s[down]))
    slope = float(np.ptp(fit.added_deg) / np.ptp(fit.rpm))
    return float(np.hypot(fit.u_friction_deg, slope * quick_rpm_s * _UNLIKE_LAG_S))


def _bends(fit: CurveFit) -> FloatArray:
    """Size of the bend at each knot, degrees."""
    bends = np.abs(np.diff(fit.added_deg, 2))
    return np.concatenate([bends[:1], bends, bends[-1:]]) if len(bends) else 0.0 * fit.rpm


def _rising(level: FloatArray, variance: FloatArray) -> FloatArray:
    """Never falling curve nearest to the levels (weights swing out, not in, with speed)."""
    from scipy.optimize import isotonic_regression

    fitted: FloatArray = np.asarray(
        isotonic_regression(level, weights=1.0 / np.maximum(variance, 1e-9)).x, np.float64
    )
    return fitted
