"""The ripple of the manifold as a witness of what the clamp is on."""

from collections.abc import Callable

import numpy as np
import pytest

from vaclog.cards import PressureSensor
from vaclog.signals.pickup import PickupFinding, Verdict, judge_pickup, ripple_power
from vaclog.signals.scales import PressureScale
from vaclog.signals.tails import PressureTail, PulseTail

CYCLE_US = 141_176  # 850 rpm


def tail(
    counts_of_phase: Callable[[np.ndarray], np.ndarray], sample_us: int = 1000
) -> PressureTail:
    """Samples of a pressure that is a function of the phase of the cycle (and of cycles gone)."""
    us = np.arange(0, 40 * CYCLE_US, sample_us, dtype=np.int64)
    pressure = PressureTail(PressureScale(PressureSensor(), 10))
    counts = np.round(counts_of_phase(us / CYCLE_US)).astype(np.int64)
    pressure.append(us, counts, None)
    return pressure


def ripple(**orders: float) -> Callable[[np.ndarray], np.ndarray]:
    """So many counts at each order of the cycle: ``ripple(o4=30)``."""
    return lambda x: (
        400 + sum(a * np.sin(2 * np.pi * int(name[1:]) * x) for name, a in orders.items())
    )


def judged(
    pressure: PressureTail,
    every_us: float,
    declared: int,
    cylinders: int = 4,
    idle_rpm: float | None = None,
) -> PickupFinding:
    count = min(30 * declared, int(36 * CYCLE_US / every_us))
    return judge_pickup(
        (np.arange(2, 2 + count) * every_us).astype(np.int64),
        declared=declared,
        pressure=pressure,
        marks=PulseTail(),
        cylinders=cylinders,
        idle_rpm=idle_rpm,
    )


def test_power_stands_at_the_order_of_the_ripple() -> None:
    edges = np.arange(1, 20) * CYCLE_US
    power = ripple_power(tail(ripple(o4=30.0)), edges, 32)
    # A sine of amplitude a over n points has power (a n / 2)**2 (discrete Fourier transform).
    assert power[4] == pytest.approx((30 * 32 / 2) ** 2, rel=0.02)
    assert np.delete(power, [0, 4]).max() < 0.01 * power[4]


def test_a_slope_is_no_ripple() -> None:
    edges = np.arange(1, 20) * CYCLE_US
    power = ripple_power(tail(lambda x: 300 + 9.0 * x), edges, 32)
    # Rounding alone: 32 points of a variance of 1/12; the slope left in would be 2,000.
    assert power[1:].max() < 30.0


def test_one_draw_per_cylinder_agrees_with_the_card() -> None:
    found = judged(tail(ripple(o4=30.0, o8=12.0, o2=8.0)), CYCLE_US, 1)
    assert found.verdict is Verdict.AGREES


def test_an_unclear_ripple_says_nothing() -> None:
    found = judged(tail(ripple(o4=20.0, o2=22.0)), CYCLE_US, 1)
    assert found.verdict is Verdict.UNCHECKED


def test_ripple_and_idle_speed_together_overrule_the_card() -> None:
    found = judged(tail(ripple(o4=30.0)), CYCLE_US / 2, 1, idle_rpm=900.0)
    assert found.verdict is Verdict.CORRECTED
    assert found.sparks_per_cycle == 2


def test_ripple_alone_raises_a_doubt() -> None:
    found = judged(tail(ripple(o4=30.0)), CYCLE_US / 2, 1)
    assert found.verdict is Verdict.DOUBTFUL
    assert (found.sparks_per_cycle, found.suspected) == (1, 2)


def test_sampling_too_slow_for_the_ripple_says_nothing() -> None:
    # 25 samples a second, and four draws in 141 ms: 28 Hz.
    found = judged(tail(ripple(o4=30.0), sample_us=40_000), CYCLE_US, 1)
    assert found.verdict is Verdict.UNCHECKED


def test_a_single_cylinder_has_nothing_to_compare() -> None:
    found = judged(tail(ripple(o1=60.0)), CYCLE_US, 1, cylinders=1)
    assert found.verdict is Verdict.UNCHECKED
