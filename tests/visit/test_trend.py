"""Change, slope and step against other implementations and a published series."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.datasets import nile
from statsmodels.regression.linear_model import WLS

from vaclog.visit.trend import Reading, largest_p, moved, slope, step, two_sided


def rows(values: np.ndarray, u: np.ndarray | float, at: np.ndarray | None = None) -> list[Reading]:
    times = np.arange(len(values), dtype=float) if at is None else at
    us = np.broadcast_to(u, len(values))
    return [
        Reading(at_years=float(t), value=float(v), u=float(w))
        for t, v, w in zip(times, values, us, strict=True)
    ]


@pytest.mark.parametrize("z", [0.0, 0.5, 1.959964, 2.5758, 5.0])
def test_two_sided_is_the_normal_law(z: float) -> None:
    assert two_sided(z) == pytest.approx(2.0 * stats.norm.sf(z), rel=1e-12)
    assert two_sided(-z) == two_sided(z)


def test_a_change_between_two_visits() -> None:
    """z of 3 by hand."""
    one, two = Reading(at_years=0, value=1.0, u=0.3), Reading(at_years=1, value=2.5, u=0.4)
    found = moved(one, two)
    assert found.difference == 1.5
    assert found.u == pytest.approx(0.5)
    assert found.p == pytest.approx(0.0026998, abs=1e-7)
    assert found.changed
    assert not moved(one, Reading(at_years=1, value=2.0, u=0.4)).changed


@pytest.mark.parametrize("seed", range(5))
def test_slope_is_that_of_weighted_least_squares(seed: int) -> None:
    """statsmodels WLS with the scale fixed at 1."""
    rng = np.random.default_rng(seed)
    at = np.sort(rng.uniform(2015, 2030, 9))
    u = rng.uniform(0.1, 1.0, 9)
    value = 3.0 + 0.2 * (at - 2020) + u * rng.standard_normal(9)
    found = slope(rows(value, u, at))
    assert found is not None
    design = np.column_stack([np.ones(9), at - 2020])
    other = WLS(value, design, weights=1 / u**2).fit(cov_type="fixed scale")
    assert found.per_year == pytest.approx(other.params[1], rel=1e-9)
    assert found.u == pytest.approx(other.bse[1], rel=1e-9)
    assert found.p == pytest.approx(other.pvalues[1], abs=1e-12)


def test_slope_agrees_in_sign_with_kendalls_tau() -> None:
    """A clear trend of nine visits is one by the rank test too (scipy.stats.kendalltau)."""
    rng = np.random.default_rng(8)
    at = np.arange(9.0)
    for per_year in (0.5, -0.5):
        value = per_year * at + 0.3 * rng.standard_normal(9)
        found = slope(rows(value, 0.3))
        tau, p = stats.kendalltau(at, value)
        assert found is not None
        assert found.changed
        assert p < 0.01
        assert math.copysign(1, tau) == math.copysign(1, found.per_year)


def test_too_few_visits_have_neither() -> None:
    assert slope(rows(np.array([1.0, 2.0]), 0.1)) is None
    assert step(rows(np.array([1.0, 2.0]), 0.1)) is None
    same_day = rows(np.array([1.0, 2.0, 3.0]), 0.1, np.array([5.0, 5.0, 6.0]))
    assert slope(same_day) is None


def test_a_reading_without_uncertainty_is_refused() -> None:
    with pytest.raises(ValueError, match="uncertainty"):
        slope(rows(np.array([1.0, 2.0, 3.0]), 0.0))


def test_nile_stepped_down_after_1898() -> None:
    """G. W. Cobb, Biometrika 65, 1978: one change of level after 1898, about -247.8."""
    data = nile.load_pandas().data
    flow = data["volume"].to_numpy(float)
    after = data["year"].to_numpy() > 1898
    sigma = math.sqrt((flow[after].var() * after.sum() + flow[~after].var() * (~after).sum()) / 98)
    found = step(rows(flow, sigma, data["year"].to_numpy(float)))
    assert found is not None
    assert found.before == 28  # 1871 … 1898
    assert found.size == pytest.approx(flow[after].mean() - flow[~after].mean(), rel=1e-12)
    assert found.size == pytest.approx(-247.8, abs=0.1)
    assert found.p < 1e-9
    assert found.changed


@pytest.mark.parametrize(("n", "seed"), [(3, 1), (6, 2), (20, 3)])
def test_the_law_of_the_largest_step_is_that_of_simulated_noise(n: int, seed: int) -> None:
    """40,000 unchanged rows, unequal weights: the p-values are uniform."""
    rng = np.random.default_rng(seed)
    weight = rng.uniform(0.2, 5.0, n)
    value = rng.standard_normal((40_000, n)) / np.sqrt(weight)
    done = np.cumsum(weight)[:-1]
    total = weight.sum()
    first = np.cumsum(weight * value, axis=1)[:, :-1]
    whole = (weight * value).sum(axis=1, keepdims=True)
    size = (whole - first) / (total - done) - first / done
    largest = np.abs(size / np.sqrt(1 / done + 1 / (total - done))).max(axis=1)
    for bound in (1.5, 2.0, 2.5, 3.0):
        seen = float(np.mean(largest > bound))
        u = math.sqrt(max(seen, 1e-4) / 40_000)
        assert largest_p(bound, weight) == pytest.approx(seen, abs=4 * u + 1e-3)


def test_one_place_only_is_the_plain_normal_law() -> None:
    assert largest_p(1.959964, np.array([1.0, 3.0])) == pytest.approx(0.05, abs=2e-4)
    assert largest_p(0.0, np.ones(4)) == 1.0


def test_false_alarms_are_as_asked_and_a_step_is_found_where_it_is() -> None:
    rng = np.random.default_rng(5)
    alarms = sum(
        step(rows(rng.standard_normal(8), 1.0), false_alarm=0.05).changed for _ in range(400)
    )  # type: ignore[union-attr]
    assert 8 <= alarms <= 34  # 20 ± 3.1 standard deviations
    values = rng.standard_normal(8) + np.where(np.arange(8) >= 5, 6.0, 0.0)
    found = step(rows(values, 1.0))
    assert found is not None
    assert found.changed
    assert found.before == 5
