"""The lock check against simulation and against an independent implementation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter
from statsmodels.regression.linear_model import GLSAR

from vaclog.guidance.lock import compare


def wander(rng: np.random.Generator, n: int, phi: float) -> np.ndarray:
    """A stationary AR(1) series of unit variance."""
    kicks = np.sqrt(1 - phi**2) * rng.standard_normal(n + 300)
    return lfilter([1.0], [1.0, -phi], kicks)[300:]


@pytest.mark.parametrize(
    ("phi", "cycles"), [(0.0, 70), (0.5, 70), (0.8, 70), (0.9, 70), (0.6, 24), (0.8, 36)]
)
def test_the_interval_holds_no_change_as_often_as_it_says(phi: float, cycles: int) -> None:
    """95 % within three standard errors of 2000 draws, also on short stretches."""
    rng = np.random.default_rng(round(100 * phi) + cycles)
    runs, held = 2000, 0
    for _ in range(runs):
        series = wander(rng, 3 * cycles, phi)
        verdict = compare(series[:cycles], series[-cycles:], tolerance=0.5)
        held += verdict.low <= 0.0 <= verdict.high
    assert held / runs == pytest.approx(0.95, abs=3 * np.sqrt(0.05 * 0.95 / runs))


def test_both_corrections_for_short_stretches_are_needed() -> None:
    """Without either the share is 93.8 % or less (3000 draws); this is within 0.7 of 95 %."""
    rng = np.random.default_rng(11)
    runs, held = 6000, 0
    for _ in range(runs):
        series = wander(rng, 210, 0.9)
        verdict = compare(series[:70], series[140:], tolerance=0.5)
        held += verdict.low <= 0.0 <= verdict.high
    assert held / runs == pytest.approx(0.95, abs=0.007)


def test_a_white_interval_would_not_hold() -> None:
    """Why the correlation is allowed for: ignoring it, the interval holds about half as often."""
    rng = np.random.default_rng(1)
    held = 0
    for _ in range(400):
        series = wander(rng, 210, 0.8)
        before, after = series[:70], series[140:]
        half = 1.96 * np.hypot(before.std(), after.std()) / np.sqrt(70)
        held += abs(after.mean() - before.mean()) <= half
    assert held / 400 < 0.6


def test_standard_error_agrees_with_feasible_gls() -> None:
    """Statsmodels' GLSAR on a step: the same standard error within a fifth, on long stretches."""
    rng = np.random.default_rng(2)
    series = wander(rng, 4000, 0.7)
    verdict = compare(series[:2000], series[2000:], tolerance=0.5)
    step = np.column_stack([np.ones(4000), np.repeat([0.0, 1.0], 2000)])
    fitted = GLSAR(series, step, rho=1).iterative_fit(8)
    assert verdict.u_moved == pytest.approx(float(fitted.bse[1]), rel=0.2)
    assert verdict.moved == pytest.approx(float(fitted.params[1]), abs=0.3 * verdict.u_moved)
    assert verdict.phi == pytest.approx(0.7, abs=0.05)


@pytest.mark.parametrize(
    ("shift", "verdict"), [(0.0, "held"), (0.2, "held"), (0.7, "moved"), (-2.0, "moved")]
)
def test_verdicts(shift: float, verdict: str) -> None:
    """White advance of 0.25 degrees scatter: half a degree decides."""
    rng = np.random.default_rng(3)
    before, after = 0.25 * rng.standard_normal((2, 60))
    found = compare(before, after + shift, tolerance=0.5)
    assert found.verdict == verdict
    assert found.low <= shift <= found.high


def test_too_little_or_too_restless_is_unsure() -> None:
    """A dozen cycles, or a wander as large as the change, decide nothing."""
    rng = np.random.default_rng(4)
    assert compare(np.zeros(8), np.ones(60), tolerance=0.5).verdict == "unsure"
    wide = 3.0 * rng.standard_normal((2, 60))
    assert compare(*(each - each.mean() for each in wide), tolerance=0.3).verdict == "unsure"
    restless = wander(rng, 200, 0.95)
    assert compare(restless[:60], restless[140:], tolerance=0.3).verdict == "unsure"


def test_unknown_cycles_are_left_out() -> None:
    """NaN here and there changes nothing but the number of readings."""
    rng = np.random.default_rng(5)
    before, after = 0.2 * rng.standard_normal((2, 60))
    holes = before.copy()
    holes[::7] = np.nan
    whole, part = (compare(each, after, tolerance=0.5) for each in (before, holes))
    assert part.verdict == whole.verdict == "held"
    assert part.u_moved > 0.9 * whole.u_moved


def test_a_constant_series_has_not_moved() -> None:
    """A sensor that never flickers."""
    found = compare(np.full(40, 9.0), np.full(40, 9.0), tolerance=0.5)
    assert (found.verdict, found.moved, found.u_moved) == ("held", 0.0, 0.0)
