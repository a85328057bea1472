"""Advance over speed with its band; lag and friction of the weights taken apart.

Enters: the sparks of the rev-ups. Leaves: a :class:`CurveFit`.

The reading at a spark is, with the speed n filtered by the lag of the weights,

    advance = idle of the rev-up + curve(n) - friction * side + noise

where side runs from +1 (the weights are being carried out and are late) to -1 (they come back
and are late again). A lag shifts the curve along the speed by lag * rate, so it is large in a
snap and nothing in a slow rev-up; friction shifts it by the same angle at any rate. That tells
them apart, as far as a capture has rates to show. The curve is a chain of straight lines with a
penalty on its bends, whose strength and the lag are found by marginal likelihood (penalised
splines as a mixed model: D. Ruppert, M. P. Wand, R. J. Carroll, Semiparametric Regression, 2003,
ch. 4-5, from memory) and averaged over.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vaclog.analysis.curve.collect import RevUps
from vaclog.analysis.phases.segments import robust_sigma
from vaclog.signals.tables import FloatArray

KNOT_RPM: Final = 100.0
# The angle of a spark is known less well the faster the speed changes.
_NOISY_RPM_S: Final = 800.0
# Weights follow within a tenth or two of a second (own assumption: springs and a little grease).
_LAGS_S: Final = (0.0, 0.05, 0.1, 0.15, 0.2, 0.3, 0.45, 0.7)
_LAG_PRIOR_S: Final = 0.25
_BENDS: Final = tuple((10.0 ** np.arange(-2.0, 4.1, 0.75)).tolist())
# Speed by which the direction must turn before friction has changed its side: on a curve of some
# 15 degrees for 1000 rpm, sticking by half a degree to two degrees either way.
_SIDES_RPM: Final = (30.0, 80.0, 150.0)
# Weights are no exact first-order lag, and what they do in one fall of the speed is one trial, not
# one for each of its sparks: the evidence for a lag counts for so much of itself.
_LAG_EVIDENCE: Final = 0.25
_OUTLIER: Final = 5.0  # robust sigmas
_FLAT_PRIOR: Final = 1e-6  # keeps the sum finite where nothing tells
_NOISE_FLOOR_DEG: Final = 0.05


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CurveFit:
    """The curve at its knots.

    Attributes
    ----------
    rpm, added_deg
        float64 [m], speeds and advance above that of ``idle_rpm``.
    cov_deg2
        float64 [m, m], covariance of ``added_deg``.
    support, rate_rpm_s
        float64 [m], sparks that bear on each knot, and the mean rate of change of speed there.
    friction_deg, u_friction_deg
        Half the distance of the way up and the way down that no lag explains.
    lag_s, u_lag_s
        Lag of the weights.
    noise_deg
        Scatter of a spark about the curve.
    memory
        Correlation of what is left from spark to spark, at least 0.
    lagged_rpm, level_deg
        float64 [n], speed as the weights felt it, and advance above idle with friction
        taken off, of the sparks used.
    weight
        float64 [n], relative weight of each.
    most_rpm
        Highest speed seen.
    """

    rpm: FloatArray
    added_deg: FloatArray
    cov_deg2: FloatArray
    support: FloatArray
    rate_rpm_s: FloatArray
    friction_deg: float
    u_friction_deg: float
    lag_s: float
    u_lag_s: float
    noise_deg: float
    memory: float
    lagged_rpm: FloatArray
    level_deg: FloatArray
    weight: FloatArray
    most_rpm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Solved:
    """One solution at a given lag and stiffness."""

    log_evidence: float
    values: FloatArray
    cov: FloatArray
    residual: FloatArray


def fit_curve(seen: RevUps, extra: FloatArray | None = None) -> tuple[CurveFit, FloatArray]:
    """Fit the curve.

    Parameters
    ----------
    seen
        Sparks.
    extra
        float64 [n, e], further columns whose coefficients are asked for (none: no columns).

    Returns
    -------
    fit
        The curve.
    extras
        float64 [e, 2], each coefficient and its uncertainty.
    """
    extra = np.empty((len(seen), 0)) if extra is None else extra
    kept = np.ones(len(seen), np.bool_)
    sloped: FloatArray | None = None
    for turn in range(3):  # outliers out; then friction only where the curve rises
        used = seen.rows(kept)
        fit, extras, residual = _fit(used, extra[kept], sloped)
        sigma = max(robust_sigma(residual * np.sqrt(_weights(used))), _NOISE_FLOOR_DEG)
        odd = np.abs(residual) * np.sqrt(_weights(used)) > _OUTLIER * sigma
        sloped = _sloped(fit)
        if turn and not odd.any():
            break
        kept[np.flatnonzero(kept)[odd]] = False
    return fit, extras


def _fit(
    seen: RevUps, extra: FloatArray, sloped: FloatArray | None
) -> tuple[CurveFit, FloatArray, FloatArray]:
    low = math.floor(min(seen.rpm.min(), seen.idle_rpm) / KNOT_RPM) * KNOT_RPM
    knots = np.arange(low, seen.rpm.max() + KNOT_RPM, KNOT_RPM)
    groups = int(seen.group.max()) + 1
    weight = _weights(seen)
    solutions: list[tuple[float, _Solved, FloatArray, FloatArray]] = []
    grid = [(lag_s, side_rpm) for lag_s in _LAGS_S for side_rpm in _SIDES_RPM]
    for lag_s, side_rpm in grid:
        felt = lagged(seen, lag_s)
        side = _side(seen, felt, side_rpm)
        if sloped is not None:
            side = side * np.interp(felt, sloped[0], sloped[1])
        design = np.column_stack([_hats(felt, knots), np.eye(groups)[seen.group], -side, extra])
        best = _best(design, seen.advance_deg, weight, knots, groups, seen.idle_rpm)
        prior = -0.5 * (lag_s / _LAG_PRIOR_S) ** 2
        solutions.append((_LAG_EVIDENCE * best.log_evidence + prior, best, felt, side))
    evidence = np.array([each[0] for each in solutions])
    share = np.exp(evidence - evidence.max())
    share *= np.repeat(np.gradient(np.array(_LAGS_S)), len(_SIDES_RPM))  # the grid is not even
    share /= share.sum()
    values = np.array([each[1].values for each in solutions])
    mean = share @ values
    # Law of total variance over the lag.
    cov = np.einsum("i,ijk->jk", share, np.array([each[1].cov for each in solutions]))
    off = values - mean
    cov = cov + np.einsum("i,ij,ik->jk", share, off, off)
    _, top, felt, side = solutions[int(np.argmax(share))]
    m, lags = len(knots), np.array([lag_s for lag_s, _ in grid])
    lag_s = float(share @ lags)
    memory = _memory(top.residual, seen)
    # What is left and hangs together counts for fewer sparks than it has.
    cov = cov * (1.0 + memory) / (1.0 - memory)
    u = np.sqrt(np.diag(cov))
    level = seen.advance_deg - mean[m : m + groups][seen.group] + mean[m + groups] * side
    level = level - extra @ mean[m + groups + 1 :]
    bears = _hats(felt, knots) * weight[:, None]
    fit = CurveFit(
        rpm=knots,
        added_deg=mean[:m],
        cov_deg2=cov[:m, :m],
        support=_hats(felt, knots).sum(axis=0),
        rate_rpm_s=np.abs(seen.rate_rpm_s) @ bears / np.maximum(bears.sum(axis=0), 1e-9),
        friction_deg=float(mean[m + groups]),
        u_friction_deg=float(u[m + groups]),
        lag_s=lag_s,
        u_lag_s=float(np.sqrt(max(share @ (lags - lag_s) ** 2, 0.02**2))),
        noise_deg=float(np.sqrt(np.average(top.residual**2, weights=weight))),
        memory=memory,
        lagged_rpm=felt,
        level_deg=level,
        weight=weight,
        most_rpm=float(seen.rpm.max()),
    )
    extras = np.column_stack([mean[m + groups + 1 :], u[m + groups + 1 :]])
    return fit, extras, top.residual


def _weights(seen: RevUps) -> FloatArray:
    return np.asarray(1.0 / (1.0 + (seen.rate_rpm_s / _NOISY_RPM_S) ** 2))


def lagged(seen: RevUps, lag_s: float) -> FloatArray:
    """Speed through a first-order lag, float64 [n], begun anew in each rev-up."""
    if lag_s <= 0.0:
        return seen.rpm
    felt = seen.rpm.copy()
    step = np.diff(seen.t_s, prepend=seen.t_s[0]).tolist()
    rpm, group = seen.rpm.tolist(), seen.group.tolist()
    for k in range(1, len(felt)):
        if group[k] != group[k - 1] or not 0.0 < step[k] < 2.0:
            continue
        # Speed as a straight line between sparks: the exact answer of the lag to a ramp.
        keep, slope = math.exp(-step[k] / lag_s), (rpm[k] - rpm[k - 1]) / step[k]
        behind = (rpm[k - 1] - felt[k - 1]) * keep + slope * lag_s * (1.0 - keep)
        felt[k] = rpm[k] - behind
    return felt


def _side(seen: RevUps, felt: FloatArray, side_rpm: float) -> FloatArray:
    """Which side of the friction the weights are on: +1 going out, -1 coming back."""
    side = np.empty(len(felt))
    held = float(felt[0])
    values, group = felt.tolist(), seen.group.tolist()
    for k, rpm in enumerate(values):
        if k and group[k] != group[k - 1]:
            held = rpm
        held = min(max(held, rpm - side_rpm), rpm + side_rpm)
        side[k] = (rpm - held) / side_rpm
    return side


def _sloped(fit: CurveFit) -> FloatArray:
    """Speeds and 0 … 1 where the curve rises: at their stops the weights feel no friction."""
    slope = np.gradient(np.maximum.accumulate(fit.added_deg), fit.rpm)
    most = float(np.max(slope)) if len(slope) else 0.0
    share = np.clip(slope / (0.3 * most), 0.0, 1.0) if most > 0 else np.ones(len(slope))
    return np.vstack([fit.rpm, share])


def _hats(rpm: FloatArray, knots: FloatArray) -> FloatArray:
    """Straight lines between knots, float64 [n, m]."""
    at = np.clip((rpm - knots[0]) / KNOT_RPM, 0.0, len(knots) - 1.0)
    return np.asarray(np.maximum(0.0, 1.0 - np.abs(at[:, None] - np.arange(len(knots)))))


def _best(
    design: FloatArray,
    y: FloatArray,
    weight: FloatArray,
    knots: FloatArray,
    groups: int,
    idle_rpm: float,
) -> _Solved:
    """Average over the stiffness by its marginal likelihood."""
    m, p = len(knots), design.shape[1]
    root = np.sqrt(weight)
    x, z = design * root[:, None], y * root
    centre = float(np.average(y, weights=weight))
    z = z - centre * root
    gram, right = x.T @ x, x.T @ z
    # The curve is zero at idle: one nearly exact row.
    at_idle = np.concatenate([_hats(np.array([idle_rpm]), knots)[0], np.zeros(p - m)])
    fixed = np.outer(at_idle, at_idle) * 1e6
    bend = np.diff(np.eye(m), 2, axis=0)
    penalty = np.zeros((p, p))
    penalty[:m, :m] = bend.T @ bend
    total = float(z @ z)
    n, rank = len(y), m - 2
    found: list[tuple[float, FloatArray, FloatArray]] = []
    for stiff in _BENDS:
        a = gram + fixed + stiff * penalty + _FLAT_PRIOR * np.eye(p)
        root_a = np.linalg.cholesky(a)
        half = np.linalg.solve(root_a, np.eye(p))
        inverse = half.T @ half
        values = inverse @ right
        left = max(total - float(values @ right), 1e-9)
        logdet = 2.0 * float(np.log(np.diag(root_a)).sum())
        freedom = max(n - (p - rank), 1)
        log = -0.5 * (freedom * math.log(left) + logdet - rank * math.log(stiff))
        variance = max(left / freedom, _NOISE_FLOOR_DEG**2)
        found.append((log, values, inverse * variance))
    logs = np.array([each[0] for each in found])
    share = np.exp(logs - logs.max())
    total_share = share.sum()
    share /= total_share
    values = np.array([each[1] for each in found])
    mean = share @ values
    cov = np.einsum("i,ijk->jk", share, np.array([each[2] for each in found]))
    off = values - mean
    cov = cov + np.einsum("i,ij,ik->jk", share, off, off)
    shifted = mean.copy()
    shifted[m : m + groups] += centre
    return _Solved(
        log_evidence=float(logs.max() + math.log(total_share)),
        values=shifted,
        cov=cov,
        residual=y - design @ shifted,
    )


def _memory(residual: FloatArray, seen: RevUps) -> float:
    """Correlation of neighbours, 0 … 0.8."""
    follows: NDArray[np.bool_] = np.diff(seen.group) == 0
    a, b = residual[:-1][follows], residual[1:][follows]
    power = float(np.mean(residual**2))
    if len(a) < 10 or power <= 0.0:
        return 0.0
    return float(np.clip(np.mean(a * b) / power, 0.0, 0.8))
