"""Noise with memory, and the throttle's law that the lags are counted from.

Oracles: the heteroscedasticity and autocorrelation consistent covariance of statsmodels (W. K.
Newey and K. D. West, Econometrica 55, 1987); the spectrum of a first-order autoregression (any text
on time series); a choked orifice, by hand.
"""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.typing import NDArray

from vaclog.analysis.hill.colour import LONGEST_S, SPANS, colour
from vaclog.analysis.hill.dynamics import THROTTLE_SHARE, bend, lagged_rows, settled_percent
from vaclog.simulator.engine import EngineSpec
from vaclog.simulator.recording import simulate
from vaclog.simulator.rig import RigSpec
from vaclog.simulator.script import Hold, Script, Turn

Array = NDArray[np.float64]
CYCLE_S = 0.14


def _stairs(cycles: int) -> Array:
    """Nudges of 2.5 degrees every ten seconds, up and down between 0 and 25."""
    step = (np.arange(cycles) * CYCLE_S / 10.0).astype(int) % 20
    return 2.5 * np.where(step < 10, step, 20 - step).astype(np.float64)


def _wander(rng: np.random.Generator, cycles: int, memory_s: float, size: float) -> Array:
    """White noise of one, and beside it a slow wander of the given standard deviation."""
    keep = np.exp(-CYCLE_S / memory_s)
    kicks = size * np.sqrt(1 - keep * keep) * rng.standard_normal(cycles)
    slow = np.empty(cycles)
    last = size * rng.standard_normal()
    for k in range(cycles):
        slow[k] = last = keep * last + kicks[k]
    return rng.standard_normal(cycles) + slow


def _left(x: Array, minutes: Array, noise: Array) -> Array:
    """What a cubic and a drift leave of noise."""
    smooth = np.vander(x / 25.0, 4)
    columns = np.column_stack([smooth, minutes])
    return noise - columns @ np.linalg.lstsq(columns, noise, rcond=None)[0]


def _made(
    seed: int, memory_s: float, size: float, cycles: int = 2600
) -> tuple[Array, Array, Array]:
    x, minutes = _stairs(cycles), np.arange(cycles) * CYCLE_S / 60.0
    noise = _wander(np.random.default_rng(seed), cycles, memory_s, size)
    return _left(x, minutes, noise), x, minutes


def test_white_noise_has_no_colour() -> None:
    """By the mean over records; each of them scatters."""
    seen = [colour(*_made(seed, 1.0, 0.0), np.ones(2600)) for seed in range(60)]
    assert min(seen) >= 1.0
    assert np.mean(seen) < 1.2


def test_a_wander_widens_as_its_spectrum_says() -> None:
    """Power of 1 + 2 s**2 T at no frequency, less at that of the stairs: between the two."""
    memory_s, size = 8.0, 0.25
    flat = 1.0 + 2.0 * size**2 * memory_s / CYCLE_S
    turn = 2 * np.pi / 200.0  # the stairs come back after so many seconds
    there = 1.0 + 2.0 * size**2 * (memory_s / CYCLE_S) / (1.0 + (turn * memory_s) ** 2)
    seen = np.mean([colour(*_made(seed, memory_s, size), np.ones(2600)) for seed in range(60)])
    assert there * 0.6 < seen < flat


@pytest.mark.parametrize("size", [0.0, 0.3])
def test_it_is_the_ratio_of_the_robust_to_the_plain_variance(size: float) -> None:
    """statsmodels' Newey-West variance of the slope over the plain one, on the same series."""
    ours, theirs = [], []
    lags = round(LONGEST_S / CYCLE_S)
    for seed in range(40):
        x, minutes = _stairs(2600), np.arange(2600) * CYCLE_S / 60.0
        noise = _wander(np.random.default_rng(seed), 2600, 8.0, size)
        design = sm.add_constant(np.column_stack([x, minutes]))
        plain = sm.OLS(noise, design).fit()
        robust = plain.get_robustcov_results("HAC", maxlags=lags, kernel="bartlett")
        theirs.append(robust.cov_params()[1, 1] / plain.cov_params()[1, 1])
        ours.append(colour(_left(x, minutes, noise), x, minutes, np.ones(2600)))
    # Theirs does not know what the fit itself took away, so it runs low; the more, the whiter.
    assert np.mean(theirs) < np.mean(ours) < 2.0 * np.mean(np.maximum(theirs, 1.0))


def test_a_short_record_is_believed_less_of_its_colour() -> None:
    """The same wander in a quarter of the time: a quarter of what is seen counts."""
    long_cycles, short_cycles = round(SPANS * LONGEST_S / CYCLE_S), 430
    long = np.mean(
        [colour(*_made(s, 8.0, 0.5, long_cycles), np.ones(long_cycles)) for s in range(9)]
    )
    short = np.mean([colour(*_made(s, 8.0, 0.5, short_cycles), np.ones(430)) for s in range(9)])
    assert 1.0 < short < 0.6 * long


def test_nothing_to_tell_from_is_white() -> None:
    """No noise, no move, no rows."""
    x, minutes = _stairs(200), np.arange(200) * CYCLE_S / 60.0
    assert colour(np.zeros(200), x, minutes, np.ones(200)) == 1.0
    noise = np.random.default_rng(0).standard_normal(200)
    assert colour(noise, np.full(200, 7.0), minutes, np.ones(200)) == 1.0
    assert colour(noise[:1], x[:1], minutes[:1], np.ones(1)) == 1.0


def test_the_throttles_law_is_that_of_constant_air() -> None:
    """A fifth of the pressure stays, the rest goes as one over speed: air a second is constant."""
    rpm = np.array([650.0, 800.0, 950.0])
    pressure = 40.0 * (1.0 + settled_percent(rpm, 800.0) / 100.0)
    air = (pressure - 40.0 * (1.0 - THROTTLE_SHARE)) * rpm
    assert air == pytest.approx(np.full(3, air[1]))


def test_a_bend_has_no_slope_at_the_mean_and_is_never_below_nothing() -> None:
    """It is what the law adds to its own tangent over energy."""
    near = bend(np.array([799.9, 800.0, 800.1]), 800.0)
    assert near == pytest.approx(np.zeros(3), abs=1e-5)
    far = bend(np.array([680.0, 740.0, 860.0, 920.0]), 800.0)
    assert (far > 0).all() and far[0] > far[1]


def test_a_simulated_idle_keeps_to_the_law_over_a_whole_sweep() -> None:
    """Pressure moves by some per cent; of that less than a fifth is not the law's."""
    script = Script(
        start_deg=8.0,
        segments=(Hold(seconds=10.0), Turn(to_deg=32.0, rate_deg_s=0.8), Hold(seconds=10.0)),
    )
    spec = EngineSpec(scatter=0.004, spark_jitter_deg=0.0, centrifugal=())
    cycles = _cycles(spec, script)
    rows = lagged_rows(cycles, np.ones(len(cycles), dtype=bool))
    percent = cycles.pressure_kpa[rows.index] / rows.kpa_per_percent
    assert np.ptp(percent) > 4.0
    assert np.std(rows.above) < 0.2 * np.std(percent)


def _cycles(spec, script):
    """Bytes to cycles."""
    from vaclog.cards import engine_card, rig_card
    from vaclog.signals.chain import SignalChain
    from vaclog.simulator.recording import MakerFacts
    from vaclog.simulator.recording import engine_card as engine_toml
    from vaclog.simulator.recording import rig_card as rig_toml
    from vaclog.wire.detect import StreamDecoder

    rig = RigSpec(pickup="no1")
    made = simulate(spec, script, rig, 1)
    facts = MakerFacts(static_deg=8.0, max_total_deg=36.0)
    chain = SignalChain(
        engine_card(engine_toml(spec, script, facts)), rig_card(rig_toml(spec, script, rig))
    )
    chain.feed(StreamDecoder().feed(made.binary))
    chain.finish()
    return chain.cycles()
