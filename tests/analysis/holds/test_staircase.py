"""Borders between holds: against all ways to divide, counted one by one."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from vaclog.analysis.holds.staircase import (
    LEAST_HOLD_S,
    LENGTH_SPREAD,
    PATHS,
    find_borders,
    make_blocks,
)

BLOCK_S = 1.0


def by_counting(
    fit: np.ndarray, typical_s: float, windows: list[tuple[int, int] | None]
) -> tuple[float, np.ndarray]:
    """Log-likelihood and share of each block, by adding up every way to divide."""
    m, holds = fit.shape
    total, share = 0.0, np.zeros((m, holds))
    for inner in combinations(range(1, m), holds - 1):
        edges = [0, *inner, m]
        log = 0.0
        for k in range(holds):
            a, b = edges[k], edges[k + 1]
            length = (b - a) * BLOCK_S
            if length < LEAST_HOLD_S:
                log = -np.inf
                break
            if windows[k] is not None and not (a <= windows[k][0] and b >= windows[k][1]):
                log = -np.inf
                break
            log += fit[a:b, k].sum()
            if 0 < k < holds - 1:
                log -= 0.5 * (np.log(length / typical_s) / LENGTH_SPREAD) ** 2
        if np.isfinite(log):
            weight = np.exp(log)
            total += weight
            for k in range(holds):
                share[edges[k] : edges[k + 1], k] += weight
    return float(np.log(total)), share / total


@pytest.mark.parametrize(
    "windows",
    [
        [None, None, None],
        [None, (6, 8), None],
        [(2, 4), (6, 8), (12, 13)],
        [(2, 4), None, (12, 13)],
    ],
)
def test_forward_and_backward_agree_with_counting(
    windows: list[tuple[int, int] | None],
) -> None:
    rng = np.random.default_rng(3)
    fit = rng.normal(size=(16, 3))
    time_s = np.arange(16) * BLOCK_S
    blocks = make_blocks(time_s, BLOCK_S)
    assert len(blocks) == 16
    log_like, share = by_counting(fit, 5.0, windows)
    found = find_borders(fit, blocks, typical_s=5.0, windows=windows, draw=True)
    assert found.log_like == pytest.approx(log_like, abs=1e-9)
    assert found.share == pytest.approx(share, abs=1e-9)
    assert found.paths.shape == (PATHS, 4)
    assert (np.diff(found.paths, axis=1) >= LEAST_HOLD_S).all()
    for window, first, last in zip(windows, found.paths.T[:-1], found.paths.T[1:], strict=True):
        if window is not None:
            assert (first <= window[0]).all() and (last >= window[1]).all()


def test_paths_spread_as_the_probability_does() -> None:
    """With nothing to tell two holds apart, the border is drawn all over where it may lie."""
    blocks = make_blocks(np.arange(60) * 1.0, 1.0)
    found = find_borders(np.zeros((60, 2)), blocks, typical_s=30.0, windows=[None, None], draw=True)
    borders = np.sort(found.paths[:, 1])
    expected = 3.0 + (np.arange(PATHS) + 0.5) / PATHS * 55.0
    assert borders == pytest.approx(expected, abs=1.5)


def test_too_many_holds_for_the_time_are_said_to_be_impossible() -> None:
    blocks = make_blocks(np.arange(8) * 1.0, 1.0)
    found = find_borders(np.zeros((8, 4)), blocks, typical_s=2.0, windows=[None] * 4)
    assert found.log_like == -np.inf
