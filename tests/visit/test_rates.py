"""Exact comparison of two rates, against scipy.stats, which shares no code with it."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vaclog.visit.rates import binomial_p, compare_rates

# (events, cycles) twice; among them the corners: none at all, all on one side, unequal lengths.
COUNTS = [
    (0, 1000, 0, 1000),
    (0, 1000, 1, 1000),
    (3, 1710, 43, 1710),
    (12, 900, 9, 2400),
    (0, 300, 25, 5000),
    (40, 40, 7, 4000),
    (500, 9000, 560, 9100),
]


@pytest.mark.parametrize("counts", COUNTS)
def test_p_is_that_of_the_exact_binomial_test(counts: tuple[int, int, int, int]) -> None:
    """scipy.stats.binomtest, two-sided, on the events given their total."""
    stats = pytest.importorskip("scipy.stats")
    one, cycles_1, two, cycles_2 = counts
    found = compare_rates(one, cycles_1, two, cycles_2)
    if one + two == 0:
        assert found.p == 1.0
        return
    oracle = stats.binomtest(two, one + two, cycles_2 / (cycles_1 + cycles_2))
    assert found.p == pytest.approx(oracle.pvalue, rel=1e-9)


@pytest.mark.parametrize("counts", COUNTS[1:])
def test_the_interval_is_that_of_clopper_and_pearson(counts: tuple[int, int, int, int]) -> None:
    """scipy.stats.binomtest(...).proportion_ci("exact"), carried over to the ratio of rates."""
    stats = pytest.importorskip("scipy.stats")
    one, cycles_1, two, cycles_2 = counts
    found = compare_rates(one, cycles_1, two, cycles_2)
    oracle = stats.binomtest(two, one + two, 0.5).proportion_ci(0.95, method="exact")
    for share, ratio in ((oracle.low, found.low_ratio), (oracle.high, found.high_ratio)):
        expected = math.inf if share == 1.0 else share / (1 - share) * cycles_1 / cycles_2
        assert ratio == pytest.approx(expected, rel=1e-9)


def test_false_alarms_are_no_more_than_said() -> None:
    """Summed over all outcomes, exactly: at most 0.5 % of unchanged pairs have p < 0.005."""
    stats = pytest.importorskip("scipy.stats")
    for mean_1, mean_2 in ((2.0, 2.0), (8.0, 8.0), (5.0, 15.0)):
        alarms = sum(
            stats.poisson.pmf(one, mean_1) * stats.poisson.pmf(two, mean_2)
            for one in range(50)
            for two in range(60)
            if one + two and binomial_p(two, one + two, mean_2 / (mean_1 + mean_2)) < 0.005
        )
        assert alarms <= 0.005


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.integers(0, 60), st.integers(1, 5000), st.integers(0, 60), st.integers(1, 5000))
def test_turned_round_it_says_the_same(one: int, n_1: int, two: int, n_2: int) -> None:
    """Which visit is named first does not matter; the ratio lies within its interval."""
    forth, back = compare_rates(one, n_1, two, n_2), compare_rates(two, n_2, one, n_1)
    assert forth.p == pytest.approx(back.p, rel=1e-9)
    if one and two:
        assert forth.ratio * back.ratio == pytest.approx(1.0)
        assert forth.low_ratio * back.high_ratio == pytest.approx(1.0)
        assert forth.low_ratio < forth.ratio < forth.high_ratio
