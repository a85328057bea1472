"""The law of the score: its tail, its bump, and the rate where events drown."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from vaclog.analysis.misfire.bulk import bulk_log_density, fit_law, fit_rate


@pytest.mark.parametrize("skew", [-0.2, 0.0, 0.15, 0.5])
def test_density_integrates_to_one_and_is_that_of_the_transform(skew: float) -> None:
    def density(x: float) -> float:
        return float(np.exp(bulk_log_density(np.array([x]), 0.7, 1.3, skew))[0])

    assert quad(density, -15.0, 40.0, limit=400)[0] == pytest.approx(1.0, abs=1e-5)
    z = 1.2
    x = 0.7 + 1.3 * (np.expm1(skew * z) / skew if skew else z)
    assert quad(density, x, 60.0, limit=400)[0] == pytest.approx(float(norm.sf(z)), abs=1e-5)


@pytest.mark.parametrize("skew", [0.0, 0.1, 0.25])
def test_tail_of_a_skewed_bulk_without_events(skew: float) -> None:
    """The score asked for is exceeded as often as asked, within a factor of a few."""
    rng = np.random.default_rng(11)
    ratios = []
    for _ in range(8):
        z = rng.standard_normal(2500)
        x = 0.7 + 0.8 * (np.expm1(skew * z) / skew if skew else z)
        law = fit_law(x)
        assert law.share == 0.0
        at = law.exceeded(1e-3)
        back = (at - 0.7) / 0.8
        true = np.log1p(skew * back) / skew if skew else back
        ratios.append(norm.sf(true) / 1e-3)
    assert np.exp(np.mean(np.log(ratios))) == pytest.approx(1.0, abs=0.4)


@pytest.mark.parametrize("place", [5.0, 8.0])
def test_bump_beside_the_bulk(place: float) -> None:
    rng = np.random.default_rng(2)
    x = np.concatenate([rng.normal(0.7, 0.8, 2000), rng.normal(place, 1.2, 30)])
    law = fit_law(x)
    assert law.place == pytest.approx(place, abs=0.7)
    assert law.share == pytest.approx(30 / 2030, rel=0.3)
    # The bump must not stretch the tail of the bulk.
    assert law.exceeded(1e-4) == pytest.approx(0.7 + 0.8 * norm.isf(1e-4), abs=0.5)


def test_a_crowd_of_events_of_all_sizes_is_no_skewness() -> None:
    rng = np.random.default_rng(3)
    x = np.concatenate([rng.normal(0.7, 0.8, 900), rng.uniform(6.0, 28.0, 110)])
    law = fit_law(x)
    assert law.exceeded(1e-4) < 5.5


@pytest.mark.parametrize(("rate", "size"), [(0.02, 3.0), (0.05, 2.5), (0.01, 5.0)])
def test_rate_of_drowned_events(rate: float, size: float) -> None:
    """Events that echo into their neighbours: rate and size come back unbiased."""
    rng = np.random.default_rng(7)
    n, places, reach = 6000, 4, 3
    echo = np.exp(-0.5 * (np.arange(-reach * places, (reach + 1) * places) / 2.0) ** 2)
    echoes = np.array([np.roll(echo, s) for s in range(places)])
    found = []
    for _ in range(3):
        noise = np.convolve(
            rng.standard_normal(n * places + 30),
            np.exp(-0.5 * (np.arange(-6, 7) / 1.4) ** 2),
            "same",
        )
        noise = noise[: n * places] / noise.std()
        hit = rng.random(n * places) < rate / places
        scores = noise + size * np.convolve(
            hit, np.exp(-0.5 * (np.arange(-12, 13) / 2.0) ** 2), "same"
        )
        law = fit_rate(scores.reshape(n, places), echoes)
        assert law.evidence > 8.0
        found.append((law.share, law.low, law.high, law.separation))
    share, low, high, separation = np.mean(found, axis=0)
    assert share == pytest.approx(rate, rel=0.35)
    assert separation == pytest.approx(size, rel=0.2)
    assert low < rate < high


def test_no_events_no_rate() -> None:
    rng = np.random.default_rng(9)
    echoes = np.array([[0.5, 1.0, 0.5, 0.2], [0.2, 0.5, 1.0, 0.5]])
    law = fit_rate(rng.standard_normal((3000, 2)), echoes)
    assert law.evidence < 4.0
