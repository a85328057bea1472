"""The fit with errors in the readings, against methods from elsewhere."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vaclog.analysis.hill.shape import HALVES, HillPrior
from vaclog.analysis.holds.check import against_others
from vaclog.analysis.holds.fit import pooled, surface
from vaclog.analysis.holds.levels import Levels

# A symmetric hill, as the oracles have it.
PLAIN = HillPrior(families=(HALVES,), lopsided=0.0, u_lopsided=1e-3)
H = 0.0254 * 0.2


def levels_at(
    read: np.ndarray, true: np.ndarray, top: float, sigma: float, rng: np.random.Generator
) -> Levels:
    """Levels of a symmetric hill with white noise; the last entry: what the lags leave."""
    level = -H * (true - top) ** 2 + sigma * rng.standard_normal(len(true))
    return Levels(
        deg=read,
        level=np.append(level, 0.2),
        covariance=np.diag(np.append(np.full(len(true), sigma**2), 0.07**2)),
        sigma=sigma,
        hold=np.arange(len(true)),
        rows=1000,
    )


def top_of(levels: Levels, u_deg: float, prior: HillPrior = PLAIN) -> tuple[float, float]:
    """Mean and standard deviation of the top."""
    tops = np.linspace(8.0, 40.0, 321)
    mass = surface(levels, tops, u_deg, prior, settling=False).over_top(prior)
    mean = float(mass @ tops)
    return mean, float(np.sqrt(mass @ (tops - mean) ** 2))


@pytest.mark.filterwarnings("ignore:.*scipy.odr.*:DeprecationWarning")
def test_against_orthogonal_distance_regression() -> None:
    """scipy.odr (ODRPACK; P. T. Boggs, J. E. Rogers, 1990) on a static parabola.

    It minimises the weighted distances in both directions, another route to errors in variables:
    over many draws both must scatter as widely, about the truth, and agree with each other.
    """
    from scipy.odr import ODR, Model, RealData

    rng = np.random.default_rng(8)
    u_deg, sigma, top = 1.0, 0.05, 24.0
    ours, theirs, claimed = [], [], []
    for _ in range(60):
        true = np.linspace(10.0, 34.0, 9) + rng.normal(0.0, 0.5, 9)
        read = true + u_deg * rng.standard_normal(9)
        levels = levels_at(read, true, top, sigma, rng)
        model = Model(lambda b, x: b[0] - H * b[2] ** 2 * (x - b[1]) ** 2)
        data = RealData(read, levels.level[:-1], sx=u_deg, sy=sigma)
        theirs.append(ODR(data, model, beta0=[0.0, 22.0, 1.0]).run().beta[1])
        mean, spread = top_of(levels, u_deg)
        ours.append(mean)
        claimed.append(spread)
    ours_, theirs_ = np.array(ours), np.array(theirs)
    assert np.std(ours_ - theirs_) < 0.5 * np.std(theirs_ - top)
    assert abs(ours_.mean() - top) < 3.0 * ours_.std() / np.sqrt(60)
    rms = float(np.sqrt(np.mean((ours_ - top) ** 2)))
    assert rms < 1.1 * np.sqrt(np.mean((theirs_ - top) ** 2))
    # Claimed is what was really made (chi-squared of 60 draws: 0.82 ... 1.18 in 95 of 100).
    assert 0.8 < rms / np.sqrt(np.mean(np.square(claimed))) < 1.2


def test_exact_readings_give_the_vertex_of_least_squares() -> None:
    """Without errors of reading the top is the vertex of the ordinary parabola, its spread the
    delta method's (formula in E. C. Fieller, J. R. Stat. Soc. B 16, 1954)."""
    rng = np.random.default_rng(3)
    true = np.linspace(12.0, 34.0, 12)
    levels = levels_at(true, true, 24.0, 0.05, rng)
    b2, b1, _ = np.polyfit(true - 23.0, levels.level[:-1], 2)
    _, covariance = np.polyfit(true - 23.0, levels.level[:-1], 2, cov="unscaled")
    v = covariance * 0.05**2
    spread = np.sqrt((v[1, 1] - 2 * (b1 / b2) * v[0, 1] + (b1 / b2) ** 2 * v[0, 0]) / (4 * b2**2))
    mean, claimed = top_of(levels, 1e-6)
    assert mean == pytest.approx(23.0 - b1 / (2 * b2), abs=0.12)
    assert claimed == pytest.approx(spread, rel=0.15)


def test_a_reading_error_counts_by_the_slope_as_a_calibration_error_does() -> None:
    """An error u of x adds (slope u)^2 to the variance of y, as JCGM 100:2008, 5.1.2 has it: on
    two flanks seen through straight lines the top then errs by the flanks' shifts alone."""
    # Two holds on either flank and one at the top: with noise-free levels only u matters.
    true = np.array([12.0, 13.0, 24.0, 35.0, 36.0])
    levels = levels_at(true, true, 24.0, 1e-3, np.random.default_rng(1))
    slopes = 2 * H * np.abs(true - 24.0)
    # Numerically: shift each reading by a little, refit, add squares (linear propagation).
    exact = []
    for k in range(5):
        moved = true.copy()
        moved[k] += 0.05
        weights = 1.0 / np.hypot(1e-3, slopes * 1.0 + 1e-3)
        vertex = []
        for x in (true, moved):
            b2, b1, _ = np.polyfit(x - 24.0, levels.level[:-1], 2, w=weights)
            vertex.append(-b1 / (2 * b2))
        exact.append((vertex[1] - vertex[0]) / 0.05)
    linear = float(np.sqrt(np.sum(np.square(exact))))
    _, claimed = top_of(levels, 1.0)
    assert claimed == pytest.approx(linear, rel=0.3)


def test_ways_to_divide_widen_the_covariance() -> None:
    """Rubin's rule: mean covariance plus (1 + 1/m) times what the levels differ by."""
    rng = np.random.default_rng(2)
    true = np.linspace(10.0, 34.0, 6)
    one = levels_at(true, true, 24.0, 0.05, rng)
    several = [replace(one, level=one.level + np.eye(7)[2] * d) for d in (-0.1, 0.0, 0.1)]
    both = pooled(several)
    assert both is not None
    assert both.level == pytest.approx(one.level)
    wider = both.covariance - one.covariance
    assert wider[2, 2] == pytest.approx((1 + 1 / 3) * 0.01)
    assert np.abs(wider).sum() == pytest.approx(wider[2, 2])


def test_a_slip_stands_off_the_hill_of_the_others() -> None:
    rng = np.random.default_rng(4)
    true = np.array([8.0, 12.0, 16.0, 20.0, 24.0, 28.0, 32.0, 30.0, 22.0, 14.0])
    right = against_others(levels_at(true, true, 24.0, 0.05, rng), 1.0, HillPrior())
    assert np.abs(right.sigmas).max() < 3.0
    read = true.copy()
    read[1] = 22.0
    off = against_others(levels_at(read, true, 24.0, 0.05, rng), 1.0, HillPrior())
    assert np.argmax(np.abs(off.sigmas)) == 1 and abs(off.sigmas[1]) > 3.5
    assert off.fitting(1, 12.0) == pytest.approx(12.0, abs=2.5)
