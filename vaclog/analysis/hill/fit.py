"""The hill fit: where the torque of the idling engine is highest over advance, and how sure.

Enters: a cycle table and a mask of usable cycles. Leaves: a
:class:`~vaclog.analysis.findings.SweepFit`.

The model
---------
The energy of the flywheel at cycle k owes something to the cycles before it and something to
the torque of this one::

    q[k] = c + sum a_i q[k-i] + sum b_i v[k-i] + d t[k] + g j[k]
             - h m[k] s(alpha[k] - alpha0; r) + e[k]

q is half the square of speed, v how far the mean pressure stands above what the throttle would
settle at that speed (both in per cent; q counted from the bend of the throttle's law, see
:mod:`~vaclog.analysis.hill.dynamics`), i = 1..5, t time, m the charge (pressure of the cycle
before over its mean), alpha the advance at the spark that starts the cycle, j the jitter of that
spark, e noise, white but for what wanders at the hand's own pace
(:mod:`~vaclog.analysis.hill.colour`). s is x**2 plus a lopsided part (see
:mod:`~vaclog.analysis.hill.shape`). With the throttle untouched the manifold's pressure depends on
speed alone, so pressure is lowest exactly where torque is highest: the top of s is the top of the
steady vacuum. Because torque acts at once, and speed and pressure follow slowly, neither the lag
and direction of the sweep nor the random walk that combustion scatter makes of speed displaces
alpha0. The jitter is that of No. 1 and moves the cycle's own edge: what it does to a cycle is no
slope of the hill, and without its own term it would be taken for one in long holds.

One thing is known of every throttled idle: how far speed settles for a lasting change of torque,
and roughly how much torque a degree squared costs. That ties h to what the lags leave of a
disturbance, 1 - sum a, and enters as one more row of the regression. It hardly moves the top of
a hill seen from both sides; of one seen from one side it tells how far away the top may be.

The likelihood is taken on a grid of alpha0 and r for each family of shapes. c, a, b, g (flat
priors) are projected out once by QR; d has a normal prior, mixed of a narrow, a middle and a
wide one; h > 0 has the prior that belongs to a flat one on the parabola's coefficients (density
proportional to h); the variance of e is integrated out. Everything is summed over r, family and
drift: what remains is the posterior of alpha0, widened by what the model itself was seen to
miss. Rows with wild innovations count less.

"Found" needs a hill that beats no hill by 2 log units, from the data alone, and a 95 % interval
inside what was swept.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vaclog.analysis.findings import SweepFit
from vaclog.analysis.hill.curve import Curve, steady_curve
from vaclog.analysis.hill.dynamics import ORDER, Rows, lagged_rows, ljung_box_p
from vaclog.analysis.hill.explain import limits
from vaclog.analysis.hill.grid import Ground, Posterior, posterior
from vaclog.analysis.hill.shape import HillPrior
from vaclog.signals.tables import CycleTable, FloatArray

# Ten unknowns and three to spare for each: fewer rows say nothing that could be trusted.
LEAST_ROWS = 45
LEAST_SWEPT_DEG = 2.0
# Log units, from the data alone: odds of 7 to 1. That an engine has a hill is no question; this
# guards against an advance that is not the engine's. At 3 sound sweeps at 14 % were refused.
EVIDENCE_NEEDED = 2.0
END_SHARE = 0.025  # probability that may lie beyond either end of what was swept: the interval's
EVIDENCE_SEEN = 1.0  # below it the engine did not answer at all
SIDE_SHARE = 0.8  # probability beyond an end at which the side is told
OPEN_SHARE = 0.2  # probability at the grid's ends at which no interval is given
WHITE_LAGS = 12
DEFAULT_PRIOR = HillPrior()


def fit_hill(
    cycles: CycleTable, use: NDArray[np.bool_], *, prior: HillPrior = DEFAULT_PRIOR
) -> SweepFit:
    """Fit the hill to the usable cycles.

    Parameters
    ----------
    cycles
        The table.
    use
        bool [n], cycles of holds and sweeps.
    prior
        What is held likely beforehand.

    Returns
    -------
    SweepFit
        Always; when nothing could be said, ``why_not`` tells why and the numbers are NaN.
    """
    rows = lagged_rows(cycles, use)
    if not np.isfinite(cycles.advance_deg).any():
        return _nothing("no advance known", rows)
    if len(rows) < LEAST_ROWS:
        return _nothing("too short: too few usable cycles for a fit", rows)
    if np.ptp(rows.advance_deg) < LEAST_SWEPT_DEG or np.ptp(rows.energy) == 0:
        return _nothing("too little was swept: the advance hardly moved", rows)
    ground = Ground(rows, prior)
    post = posterior(ground, prior)
    curve = steady_curve(ground, post, cycles.pressure_kpa[rows.index])
    return _answer(ground, post, curve, usable=int(use.sum()))


def _answer(ground: Ground, post: Posterior, curve: Curve, *, usable: int) -> SweepFit:
    """Judge the posterior against the swept range."""
    rows = ground.rows
    swept_low, swept_high = _swept(rows)
    low, angle, high = post.quantiles(0.025, 0.5, 0.975)
    clear = post.evidence >= EVIDENCE_NEEDED
    known = post.evidence >= EVIDENCE_SEEN and post.open_end < OPEN_SHARE
    beyond = float(post.mass[post.top_deg > swept_high].sum())
    short = float(post.mass[post.top_deg < swept_low].sum())
    inside = max(beyond, short) < END_SHARE
    found = inside and clear and known
    side = 0
    if not found and post.evidence >= EVIDENCE_SEEN:
        side = 1 if beyond > SIDE_SHARE else -1 if short > SIDE_SHARE else 0
    white_p = ljung_box_p(ground.rest * np.sqrt(ground.weights), WHITE_LAGS, fitted=ORDER)
    nan = float("nan")
    return SweepFit(
        found=found,
        why_not=None if found else _why_not(post, side, clear, swept_low, swept_high),
        side=side,
        angle_deg=angle if known else nan,
        u_deg=post.spread() if known else nan,
        low_deg=low if known else nan,
        high_deg=high if known else nan,
        flat_prior_deg=post.flat_deg if known else nan,
        swept_low_deg=swept_low,
        swept_high_deg=swept_high,
        evidence=post.evidence,
        cycles=len(rows),
        curve_deg=curve.deg,
        curve_kpa=curve.kpa,
        low_kpa=curve.low_kpa,
        high_kpa=curve.high_kpa,
        noise_kpa=curve.noise_kpa,
        residual_white_p=white_p,
        limits=limits(ground, post, swept=(swept_low, swept_high), usable=usable, white_p=white_p),
    )


def _why_not(post: Posterior, side: int, clear: bool, swept_low: float, swept_high: float) -> str:
    if side > 0:
        return "the top was not reached: it lies beyond the advanced end of what was swept"
    if side < 0:
        return "the top was not reached: it lies beyond the retarded end of what was swept"
    if not clear:
        return "too flat: within the noise the engine answered no differently over the sweep"
    low, high = post.quantiles(0.025, 0.975)
    if high >= swept_high and low > swept_low:
        return "not passed: the top lies near the advanced end of what was swept, or beyond it"
    if low <= swept_low and high < swept_high:
        return "not passed: the top lies near the retarded end of what was swept, or beyond it"
    return "too short or too narrow: the top may lie anywhere in what was swept, or beyond it"


def _swept(rows: Rows) -> tuple[float, float]:
    """Range of advance that the engine really saw, less a stray cycle at either end."""
    ordered = np.sort(rows.advance_deg)
    stray = max(len(ordered) // 200, 1)
    return float(ordered[stray]), float(ordered[-1 - stray])


def _nothing(why_not: str, rows: Rows) -> SweepFit:
    nan = float("nan")
    none: FloatArray = np.zeros(0)
    low, high = (nan, nan)
    if len(rows) > 2:
        low, high = float(rows.advance_deg.min()), float(rows.advance_deg.max())
    return SweepFit(
        found=False,
        why_not=why_not,
        side=0,
        angle_deg=nan,
        u_deg=nan,
        low_deg=nan,
        high_deg=nan,
        flat_prior_deg=nan,
        swept_low_deg=low,
        swept_high_deg=high,
        evidence=0.0,
        cycles=len(rows),
        curve_deg=none,
        curve_kpa=none,
        low_kpa=none,
        high_kpa=none,
        noise_kpa=nan,
        residual_white_p=nan,
        limits=(why_not,),
    )
