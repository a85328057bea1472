"""The barometer from the engine at rest."""

import numpy as np
import pytest

from vaclog.signals.barometer import barometer_kpa
from vaclog.signals.tables import Background


def background(kpa: np.ndarray, sparks: np.ndarray, swing: float = 0.6) -> Background:
    """Bins of 100 ms."""
    return Background(
        bin_us=100_000,
        mean_kpa=kpa,
        min_kpa=kpa - swing / 2,
        max_kpa=kpa + swing / 2,
        sparks=sparks.astype(np.int32),
        marks=np.zeros(len(kpa), np.int32),
    )


def visit(still_kpa: float = 100.2, idle_kpa: float = 38.0) -> tuple[np.ndarray, np.ndarray]:
    """3 s at rest, 20 s of idle, running down and filling up in 1 s, 5 s at rest."""
    fill = still_kpa - (still_kpa - idle_kpa) * np.exp(-np.arange(10) / 2.5)
    kpa = np.concatenate(
        (np.full(30, still_kpa), np.full(200, idle_kpa), fill, np.full(50, still_kpa))
    )
    sparks = np.zeros(len(kpa))
    sparks[30:230] = 1
    return kpa, sparks


def test_engine_at_rest_is_the_open_air() -> None:
    kpa, sparks = visit()
    rail = np.zeros(len(kpa), bool)
    assert barometer_kpa(background(kpa, sparks), rail, 38.0) == pytest.approx(100.2, abs=0.05)
    noisy = kpa + 0.15 * np.random.default_rng(1).standard_normal(len(kpa))
    assert barometer_kpa(background(noisy, sparks), rail, 38.0) == pytest.approx(100.2, abs=0.1)


@pytest.mark.parametrize(
    ("height_m", "kpa"),
    # ISO 2533:1975, geometric height; agreed by three public libraries within 0.02 Pa.
    [(0, 101.325), (1000, 89.876), (2000, 79.501), (3000, 70.121)],
)
def test_mountain_air_is_believed(height_m: int, kpa: float) -> None:
    level, sparks = visit(still_kpa=kpa, idle_kpa=0.4 * kpa)
    got = barometer_kpa(background(level, sparks), np.zeros(len(level), bool), 0.4 * kpa)
    assert got == pytest.approx(kpa, abs=0.05), height_m


def test_only_idle_tells_nothing() -> None:
    kpa, sparks = np.full(300, 38.0), np.ones(300)
    assert barometer_kpa(background(kpa, sparks), np.zeros(300, bool), 38.0) is None


def test_an_engine_that_turns_unseen_is_not_at_rest() -> None:
    # The clamp fell off: no sparks, but pressure ripples; or wide throttle at 98 kPa.
    kpa, sparks = np.full(300, 66.0), np.zeros(300)
    bins = background(kpa, sparks, swing=9.0)
    assert barometer_kpa(bins, np.zeros(300, bool), None) is None


def test_a_dead_sensor_is_no_weather() -> None:
    kpa, sparks = np.full(300, 100.0), np.zeros(300)
    bins = background(kpa, sparks)
    assert barometer_kpa(bins, np.ones(300, bool), None) is None
    for odd in (40.0, 135.0):
        assert barometer_kpa(background(kpa * 0 + odd, sparks), np.zeros(300, bool), None) is None


def test_rest_must_be_well_above_idle() -> None:
    # The hose is off: the sensor sees open air all the time, at rest and running.
    kpa, sparks = visit(still_kpa=101.0, idle_kpa=97.0)
    rail = np.zeros(len(kpa), bool)
    assert barometer_kpa(background(kpa, sparks), rail, 97.0) is None


def test_too_short_a_rest_is_not_taken() -> None:
    kpa, sparks = np.full(60, 100.0), np.zeros(60)
    sparks[6:] = 1
    assert barometer_kpa(background(kpa, sparks), np.zeros(60, bool), None) is None


def test_missing_samples_do_not_harm() -> None:
    kpa, sparks = visit()
    kpa[5:9] = np.nan
    got = barometer_kpa(background(kpa, sparks), np.zeros(len(kpa), bool), 38.0)
    assert got == pytest.approx(100.2, abs=0.05)
    assert barometer_kpa(background(kpa[:0], sparks[:0]), np.zeros(0, bool), None) is None


def test_a_manifold_that_fills_slowly_is_waited_for() -> None:
    # A second after the last spark it may still be kilopascals short, and creeping.
    kpa = np.concatenate((np.full(100, 38.0), 100.0 - 4.0 * np.exp(-np.arange(60) / 8.0)))
    sparks = np.zeros(160)
    sparks[:100] = 1
    rail = np.zeros(160, bool)
    assert barometer_kpa(background(kpa[:114], sparks[:114]), rail[:114], 38.0) is None
    assert barometer_kpa(background(kpa, sparks), rail, 38.0) == pytest.approx(100.0, abs=0.15)
