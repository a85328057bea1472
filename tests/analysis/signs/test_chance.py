"""Errors of means and slopes of series that remember."""

from __future__ import annotations

import numpy as np
import pytest
from sign_cases import remembering
from statsmodels.regression.linear_model import GLSAR
from statsmodels.tools import add_constant

from vaclog.analysis.misfire.find import roc_area
from vaclog.analysis.signs.chance import FALSE_ALARM, block_error, blocks, slope

ONE = np.zeros(40, np.int64)


def test_a_slope_is_that_of_least_squares() -> None:
    """scipy.stats.linregress is the oracle for the estimate, and for its error in white noise."""
    from scipy.stats import linregress

    rng = np.random.default_rng(3)
    x = np.arange(40.0)
    y = 0.3 * x + rng.standard_normal(40)
    line, want = slope(x, y, ONE), linregress(x, y)
    assert line is not None
    assert line.slope == pytest.approx(want.slope, rel=1e-12)
    assert want.stderr * 0.999 <= line.u <= 1.5 * want.stderr  # grows only by memory that is seen


def test_the_error_of_a_slope_is_that_of_a_first_order_fit() -> None:
    """statsmodels GLSAR (iterated, order 1) over 60 draws, mean of the errors, memory 0.4."""
    x, ours, theirs = np.arange(40.0), [], []
    for seed in range(60):
        y = remembering(np.random.default_rng(seed), 40, 0.4)
        line = slope(x, y, ONE)
        assert line is not None
        ours.append(line.u)
        theirs.append(GLSAR(y, add_constant(x), rho=1).iterative_fit(8).bse[1])
    assert np.mean(ours) == pytest.approx(np.mean(theirs), rel=0.15)


@pytest.mark.parametrize("memory", [0.0, 0.3])
@pytest.mark.parametrize("bend", [False, True])
def test_false_alarms_of_a_slope(memory: float, bend: bool) -> None:
    """1000 series without a slope: p below 0.01 in about one of a hundred (up to 2.5)."""
    rng, x, alarms = np.random.default_rng(11), np.arange(16.0), 0
    for _ in range(1000):
        line = slope(x, remembering(rng, 16, memory), ONE[:16], bend=bend)
        assert line is not None
        alarms += line.p < 0.01
    assert 1 <= alarms <= 25


def test_levels_of_groups_do_not_make_a_slope() -> None:
    """Two settings at quite different levels, each flat."""
    rng = np.random.default_rng(5)
    x = np.arange(40.0)
    group = (x >= 20).astype(np.int64)
    line = slope(x, 5.0 * group + 0.1 * rng.standard_normal(40), group)
    assert line is not None and line.p > 0.01
    lumped = slope(x, 5.0 * group + 0.1 * rng.standard_normal(40), ONE)
    assert lumped is not None and lumped.slope > 0.1


def test_what_saturates_has_a_slope() -> None:
    """An exponential rise is significant with the bend taken out, and keeps its size."""
    x = np.arange(12.0)
    y = 5.0 * (1.0 - np.exp(-x / 5.0)) + 0.05 * np.random.default_rng(2).standard_normal(12)
    straight, bent = slope(x, y, ONE[:12]), slope(x, y, ONE[:12], bend=True)
    assert straight is not None and bent is not None
    assert bent.slope == pytest.approx(straight.slope, rel=1e-9)
    assert bent.p < FALSE_ALARM < straight.p


def test_too_few_points_have_no_slope() -> None:
    """Four points leave nothing to judge by."""
    assert slope(np.arange(4.0), np.arange(4.0), ONE[:4]) is None
    assert slope(np.zeros(9), np.arange(9.0), ONE[:9]) is None


def test_block_error_knows_the_memory() -> None:
    """Errors of the mean over 200 series with memory 0.8: true spread within 15 %."""
    rng = np.random.default_rng(4)
    series = np.stack([remembering(rng, 400, 0.8) for _ in range(200)], axis=1)
    mean, error = block_error(series, 20)
    assert np.sqrt((error**2).mean()) == pytest.approx(mean.std(), rel=0.15)
    assert np.isnan(block_error(series[:50], 20)[0]).all()


def test_area_of_a_mean_is_that_of_two_normals() -> None:
    """ROC area is the normal integral of d'/sqrt(2): 0.76025 for d' = 1 (recomputed), 3 SE."""
    rng = np.random.default_rng(8)
    noise = rng.standard_normal((100, 2, 600))
    calm, _ = block_error(noise[:, 0], 10)
    loud, _ = block_error(noise[:, 1] + 1.0 / np.sqrt(100.0), 10)
    assert roc_area(loud, calm) == pytest.approx(0.76025, abs=3 * 0.0136)


def test_blocks_are_means_over_whole_blocks() -> None:
    """Ten seconds at 8 a second in blocks of four: two blocks; the rest is left out."""
    t = np.arange(80) / 8.0
    at_s, means = blocks(t, np.stack([t, 0 * t + 1.0], axis=1), 4.0)
    np.testing.assert_allclose(at_s, [1.9375, 5.9375])
    np.testing.assert_allclose(means, [[1.9375, 1.0], [5.9375, 1.0]])
    assert len(blocks(t[:0], np.empty((0, 2)), 4.0)[0]) == 0
