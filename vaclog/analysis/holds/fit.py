"""The hill fit where every hold has one reading, and every reading its own error.

Enters: tables that carry readings (one, or several ways to divide the capture into holds), a
mask of usable cycles for each, the readings' uncertainty. Leaves: a
:class:`~vaclog.analysis.findings.SweepFit`.

All cycles of a hold share the error of its one reading. Treated as exact, the readings on the
flanks would count far too much (there a degree is worth many times the noise of the level), the
interval would be too narrow, and a narrow range would look wider than it is. So the level of a
hold is compared with what the hill gives over the spread of angles that its reading allows: the
mean and the variance of the hill there (Gauss-Hermite), the variance added to that of the level.
On a straight flank this is the method of effective variance (J. Orear, Am. J. Phys. 50, 1982).

Tops, lopsidedness, families and height are summed over a grid with the priors of
:mod:`~vaclog.analysis.hill.fit`; several ways to divide are averaged (D. B. Rubin, Multiple
Imputation, 1987).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vaclog.analysis.findings import SweepFit
from vaclog.analysis.hill.fit import (
    DEFAULT_PRIOR,
    END_SHARE,
    EVIDENCE_NEEDED,
    EVIDENCE_SEEN,
    OPEN_SHARE,
    SIDE_SHARE,
    fit_hill,
)
from vaclog.analysis.hill.shape import Family, HillPrior
from vaclog.analysis.holds.levels import Levels, find_levels
from vaclog.analysis.holds.readings import U_STROBE_DEG
from vaclog.signals.tables import CycleTable, FloatArray

REACH_DEG: Final = 24.0
COARSE_DEG: Final = 2.0
FINE_POINTS: Final = 49
R_LOW, R_HIGH, R_POINTS = -0.5, 1.2, 11
# Heights from a tenth to five times what the lags leave a usual hill.
H_LOW, H_HIGH, H_POINTS = 0.1, 5.0, 13
# Points and weights that give mean and variance of a hill over a normal spread of angles.
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(5)
# The readings' part is told where they widen the interval by a quarter.
TOLD_SHARE: Final = 1.25


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Surface:
    """Log-likelihood over the grid: float64 [tops, families, r, h]."""

    top_deg: FloatArray
    r: FloatArray
    h: FloatArray
    log_like: FloatArray
    none: float

    def log_mass(self, prior: HillPrior | None) -> FloatArray:
        """With the priors of height (density h, on a grid of log h) and lopsidedness."""
        mass = self.log_like + 2.0 * np.log(self.h)[None, None, None, :]
        if prior is not None:
            mass = mass + prior.log_density(self.r)[None, None, :, None]
        return mass

    def over_top(self, prior: HillPrior | None) -> FloatArray:
        """Probability of each top, float64 [tops]."""
        mass = self.log_mass(prior)
        shares = np.exp(mass - mass.max()).sum(axis=(1, 2, 3))
        return np.asarray(shares / shares.sum())


def fit_holds(
    tables: Sequence[tuple[CycleTable, NDArray[np.bool_]]],
    *,
    u_reading_deg: float = U_STROBE_DEG,
    prior: HillPrior = DEFAULT_PRIOR,
) -> SweepFit:
    """Fit the hill to levels of holds.

    Parameters
    ----------
    tables
        Table and usable cycles; the first is the likeliest way to divide the capture, from
        which all but the top is taken.
    u_reading_deg
        Standard uncertainty of a reading by itself.
    prior
        What is held likely beforehand.
    """
    plain = fit_hill(*tables[0], prior=prior)
    found = [find_levels(cycles, use, prior) for cycles, use in tables]
    levels = pooled([each for each in found if each is not None])
    if levels is None or plain.cycles == 0 or len(plain.curve_deg) == 0:
        if plain.found:
            few = "too few holds: at least three readings are needed, on both sides of the top"
            return replace(plain, found=False, why_not=few)
        return plain
    swept = (float(levels.deg.min()), float(levels.deg.max()))
    tops = np.arange(
        max(swept[0] - REACH_DEG, prior.lowest_deg),
        min(swept[1] + REACH_DEG, prior.highest_deg) + COARSE_DEG / 2,
        COARSE_DEG,
    )
    coarse = surface(levels, tops, u_reading_deg, prior, coarse=True)
    mass, flat = coarse.over_top(prior), coarse.over_top(None)
    ends = (tops < tops[0] + 1.5 * COARSE_DEG) | (tops > tops[-1] - 1.5 * COARSE_DEG)
    alone = surface(levels, tops, u_reading_deg, prior, coarse=True, settling=False)
    reached = np.flatnonzero(mass > 1e-4 * mass.max())
    fine = np.linspace(
        max(tops[reached[0]] - COARSE_DEG, tops[0]),
        min(tops[reached[-1]] + COARSE_DEG, tops[-1]),
        FINE_POINTS,
    )
    shares = surface(levels, fine, u_reading_deg, prior).over_top(prior)
    return _answer(
        plain,
        fine,
        shares,
        swept=swept,
        evidence=float(alone.log_like.max() - alone.none),
        open_end=float(mass[ends].sum()),
        flat_deg=_quantile(tops, flat, 0.5),
        u_reading_deg=u_reading_deg,
    )


def pooled(several: Sequence[Levels]) -> Levels | None:
    """Levels over several ways to divide the capture (D. B. Rubin, 1987, rule of combination).

    The covariance is the mean one and what the levels differ by from way to way; ways in which
    a hold has become too short to tell its level are left out.
    """
    if not several:
        return None
    first = several[0]
    alike = [each for each in several if np.array_equal(each.deg, first.deg)]
    if len(alike) < 3:
        return first
    levels = np.stack([each.level for each in alike])
    between = np.atleast_2d(np.cov(levels.T)) * (1.0 + 1.0 / len(alike))
    return replace(
        first,
        level=levels.mean(axis=0),
        covariance=np.mean([each.covariance for each in alike], axis=0) + between,
    )


def surface(
    levels: Levels,
    top_deg: FloatArray,
    u_reading_deg: float | FloatArray,
    prior: HillPrior,
    *,
    coarse: bool = False,
    settling: bool = True,
) -> Surface:
    """Likelihood of the levels for hills of a grid.

    Parameters
    ----------
    u_reading_deg
        Of each reading, or of all.
    coarse
        Fewer shapes and heights.
    settling
        Whether what the lags leave ties the height down.
    """
    count = len(levels)
    r = np.linspace(R_LOW, R_HIGH, R_POINTS // 2 + 1 if coarse else R_POINTS)
    h_points = H_POINTS // 2 + 2 if coarse else H_POINTS
    usual = prior.bend_percent_per_deg2 * min(max(float(levels.level[-1]), 0.03), 0.5)
    h = usual * np.geomspace(H_LOW, H_HIGH, h_points)
    # What is common to all levels is not known: only their differences count.
    apart = _differences(count)
    wide = (
        apart
        if not settling
        else np.block([[apart, np.zeros((count - 1, 1))], [np.zeros((1, count)), np.ones((1, 1))]])
    )
    size = count if not settling else count + 1
    seen = wide @ levels.level[:size]
    noise = wide @ levels.covariance[:size, :size] @ wide.T
    log_like = np.empty((len(top_deg), len(prior.families), len(r), len(h)))
    for f, family in enumerate(prior.families):
        mean, variance = hill_moments(levels.deg, top_deg, family, r, u_reading_deg)
        for k, height in enumerate(h):
            expected = -height * mean @ apart.T
            blurred = np.einsum("ik,grk,jk->grij", apart, height**2 * variance, apart)
            if settling:
                left = np.full((*expected.shape[:2], 1), height / prior.bend_percent_per_deg2)
                expected = np.concatenate([expected, left], axis=-1)
                blurred = np.pad(blurred, ((0, 0), (0, 0), (0, 1), (0, 1)))
            log_like[:, f, :, k] = _log_normal(seen - expected, noise + blurred)
    flat = seen.copy()
    return Surface(
        top_deg=top_deg,
        r=r,
        h=h,
        log_like=log_like,
        none=float(_log_normal(flat[None], noise[None])[0]),
    )


def _differences(count: int) -> FloatArray:
    """Orthonormal rows [count - 1, count] that know nothing of what is common to all."""
    q = np.linalg.qr(np.hstack([np.ones((count, 1)), np.eye(count)[:, : count - 1]]))[0]
    return np.asarray(q[:, 1:].T)


def hill_moments(
    deg: FloatArray,
    top_deg: FloatArray,
    family: Family,
    r: FloatArray,
    u_deg: float | FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Mean and variance of the fall from the top over what each reading allows, [tops, r, K]."""
    spread = np.multiply.outer(_NODES, np.broadcast_to(np.asarray(u_deg, float), deg.shape))
    x = deg[None, None, :] + spread[:, None, :] - top_deg[None, :, None]  # [nodes, tops, K]
    even, odd = x * x, family.part(x)
    fall = even[:, :, None, :] + family.factor(r)[None, None, :, None] * odd[:, :, None, :]
    weight = _WEIGHTS / _WEIGHTS.sum()
    mean = np.einsum("n,ngrk->grk", weight, fall)
    variance = np.einsum("n,ngrk->grk", weight, (fall - mean[None]) ** 2)
    return mean, variance


def _log_normal(rest: FloatArray, covariance: FloatArray) -> FloatArray:
    """Log density of normal vectors [..., n] with covariances [..., n, n], up to a constant."""
    root = np.linalg.cholesky(covariance)
    z = np.linalg.solve(root, rest[..., None])[..., 0]
    size = np.log(np.diagonal(root, axis1=-2, axis2=-1)).sum(axis=-1)
    return np.asarray(-0.5 * (z * z).sum(axis=-1) - size)


def _answer(
    plain: SweepFit,
    top_deg: FloatArray,
    mass: FloatArray,
    *,
    swept: tuple[float, float],
    evidence: float,
    open_end: float,
    flat_deg: float,
    u_reading_deg: float,
) -> SweepFit:
    """Judge the posterior against the range of the readings, as the hill fit does."""
    low, angle, high = (_quantile(top_deg, mass, q) for q in (0.025, 0.5, 0.975))
    mean = float(mass @ top_deg)
    u_deg = float(np.sqrt(mass @ (top_deg - mean) ** 2))
    beyond = float(mass[top_deg > swept[1]].sum())
    short = float(mass[top_deg < swept[0]].sum())
    found = evidence >= EVIDENCE_NEEDED and max(beyond, short) < END_SHARE
    known = evidence >= EVIDENCE_SEEN and open_end < OPEN_SHARE
    side = 0
    if not found and evidence >= EVIDENCE_SEEN:
        side = 1 if beyond > SIDE_SHARE else -1 if short > SIDE_SHARE else 0
    nan = float("nan")
    limits = plain.limits
    if np.isfinite(plain.u_deg) and u_deg > TOLD_SHARE * plain.u_deg:
        limits = (f"the readings: each may be off by {u_reading_deg:g}°", *limits)
    return replace(
        plain,
        found=found,
        why_not=None if found else _why_not(side, evidence, low, high, swept),
        side=side,
        angle_deg=angle if known else nan,
        u_deg=u_deg if known else nan,
        low_deg=low if known else nan,
        high_deg=high if known else nan,
        flat_prior_deg=flat_deg if known else nan,
        swept_low_deg=swept[0],
        swept_high_deg=swept[1],
        evidence=evidence,
        limits=limits,
    )


def _why_not(
    side: int, evidence: float, low: float, high: float, swept: tuple[float, float]
) -> str:
    if side > 0:
        return "the top was not reached: it lies beyond the advanced end of what was swept"
    if side < 0:
        return "the top was not reached: it lies beyond the retarded end of what was swept"
    if evidence < EVIDENCE_NEEDED:
        return "too flat: within the noise the engine answered no differently at the holds"
    if high >= swept[1] and low > swept[0]:
        return "not passed: the top lies near the advanced end of what was read, or beyond it"
    if low <= swept[0] and high < swept[1]:
        return "not passed: the top lies near the retarded end of what was read, or beyond it"
    return "too few or too narrow: the top may lie anywhere among the holds, or beyond them"


def _quantile(top_deg: FloatArray, mass: FloatArray, level: float) -> float:
    below = np.cumsum(mass) - mass / 2
    return float(np.interp(level, below, top_deg))
