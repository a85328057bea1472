"""Change points against a public library, the Nile and lines with known corners."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import ruptures
from statsmodels.datasets import nile

from vaclog.analysis.phases.segments import (
    bend_sigma,
    corner,
    plateau,
    ramp_between_levels,
    robust_sigma,
    running_median,
    split,
    without_outliers,
)


def levels_of(y: np.ndarray, price: float) -> list[int]:
    """Change points when only levels are allowed."""
    n = len(y)
    found = split(np.arange(n) * 1.0, y, np.ones(n), level_price=price, line_price=1e12, longest=n)
    return [segment.last for segment in found]


def test_nile_changes_once_after_1898() -> None:
    """G. W. Cobb, Biometrika 65 (1978): one change of level, 1898; data of statsmodels."""
    data = nile.load_pandas().data
    flow = data["volume"].to_numpy()
    sigma = bend_sigma(flow)
    n = len(flow)
    found = split(
        np.arange(n) * 1.0,
        flow,
        np.full(n, 1.0 / sigma**2),
        level_price=3.0 * np.log(n),
        line_price=4.0 * np.log(n),
    )
    assert [segment.slope for segment in found] == [0.0, 0.0]
    assert int(data["year"].iloc[found[0].last - 1]) == 1898
    assert found[0].begin == pytest.approx(flow[:28].mean())  # 1871 to 1898


@pytest.mark.parametrize("seed", range(8))
def test_levels_agree_with_ruptures(seed: int) -> None:
    """The same optimum as ruptures' exact dynamic programming (Dynp, model l2)."""
    rng = np.random.default_rng(seed)
    lengths = rng.integers(15, 50, 5)
    y = np.concatenate([rng.normal(rng.uniform(-6, 6), 1.0, k) for k in lengths])
    ours = levels_of(y, 20.0)
    theirs = ruptures.Dynp(model="l2", min_size=1, jump=1).fit(y).predict(n_bkps=len(ours) - 1)
    assert ours == theirs


@pytest.mark.parametrize("seed", range(4))
def test_price_per_level_agrees_with_ruptures_pelt(seed: int) -> None:
    """Same penalty, same division as the kernel form of PELT (linear kernel is least squares)."""
    rng = np.random.default_rng(100 + seed)
    y = np.concatenate([rng.normal(m, 1.0, 60) for m in (0.0, 1.5, 1.0, 4.0)])
    theirs = ruptures.KernelCPD(kernel="linear", min_size=1).fit(y).predict(pen=14.0)
    assert levels_of(y, 14.0) == theirs


def test_lines_and_levels_are_told_apart() -> None:
    rng = np.random.default_rng(1)
    t = np.arange(0.0, 60.0, 0.5)
    y = np.interp(t, [0, 20, 40, 60], [10, 10, 30, 30]) + 0.2 * rng.standard_normal(len(t))
    w = np.full(len(t), 25.0)
    found = split(t, y, w, level_price=15.0, line_price=22.0)
    assert [segment.slope != 0.0 for segment in found] == [False, True, False]
    assert found[1].slope == pytest.approx(1.0, abs=0.03)
    assert found[1].begin == pytest.approx(10.0, abs=0.6)
    assert found[0].first == 0
    assert found[-1].last == len(t)


def test_rows_without_weight_are_left_out() -> None:
    t = np.arange(40.0)
    y = np.where(t < 20, 1.0, 5.0)
    w = np.ones(40)
    y[7], w[7] = 1000.0, 0.0
    found = split(t, y, w, level_price=3.0, line_price=5.0)
    assert [segment.last for segment in found] == [20, 40]
    assert found[0].begin == pytest.approx(1.0)


def test_segments_partition_beyond_the_longest() -> None:
    y = np.zeros(1000)
    found = split(np.arange(1000.0), y, np.ones(1000), level_price=1.0, line_price=2.0, longest=90)
    assert found[0].first == 0
    assert found[-1].last == 1000
    assert all(a.last == b.first for a, b in pairwise(found))
    assert max(s.last - s.first for s in found) <= 90
    assert split(y[:0], y[:0], y[:0], level_price=1.0, line_price=1.0) == []


def test_noise_is_seen_through_a_slope_and_through_outliers() -> None:
    rng = np.random.default_rng(3)
    y = np.arange(4000) * 0.7 + rng.normal(0.0, 2.0, 4000)
    y[::50] += 300.0
    assert bend_sigma(y) == pytest.approx(2.0, rel=0.15)
    assert robust_sigma(rng.normal(5.0, 3.0, 9000)) == pytest.approx(3.0, rel=0.05)
    assert np.isnan(bend_sigma(y[:3]))


def test_outliers_go_and_steps_stay() -> None:
    y = np.where(np.arange(60) < 30, 10.0, 12.5) + 0.05 * np.sin(np.arange(60) * 2.3)
    y[[12, 44]] = 55.0
    clean = without_outliers(y)
    assert list(np.flatnonzero(~np.isfinite(clean))) == [12, 44]


def test_running_median_leaves_gaps_out() -> None:
    y = np.array([1.0, np.nan, 3.0, 100.0, 5.0])
    assert running_median(y, 1) == pytest.approx([1.0, 2.0, 51.5, 5.0, 52.5])


def test_corners_without_noise_are_exact() -> None:
    t = np.arange(0.0, 20.0, 0.14)
    y = np.interp(t, [0, 8, 20], [10, 10, 22])
    grid = np.arange(5.0, 12.0, 0.1)
    assert corner(t, y, grid, level_before=True, level_after=False) == pytest.approx(8.0, abs=0.06)
    assert corner(20 - t, y, 20 - grid, level_before=False, level_after=True) == pytest.approx(
        12.0, abs=0.06
    )
    y = np.interp(t, [0, 6, 9, 20], [0, 6, 6, -5])
    assert plateau(t, y, np.arange(4.0, 12.0, 0.2), longest_s=4.0) == pytest.approx((6.0, 9.0))


def test_edges_of_a_nudge_are_unbiased() -> None:
    rng = np.random.default_rng(4)
    t = np.arange(0.0, 12.0, 0.14)
    errors = []
    for _ in range(40):
        y = np.interp(t, [0, 5.0, 5.7, 12], [10, 10, 12.5, 12.5]) + rng.normal(0, 0.7, len(t))
        start, end = ramp_between_levels(t, y, np.arange(4.0, 6.0, 0.15), np.arange(5.0, 7.0, 0.15))
        errors.append((start - 5.0, end - 5.7))
    bias = np.mean(errors, axis=0)
    assert np.abs(bias).max() < 0.3
    assert np.abs(errors).max() < 1.0
