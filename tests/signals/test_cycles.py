"""Exact cycle averages against integrals worked out another way."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_engine import RIG, chain_of, make, messages
from scipy.integrate import trapezoid

from vaclog.cards import EngineCard, PressureSensor
from vaclog.signals.scales import PressureScale
from vaclog.signals.tables import CycleFlag

SCALE = PressureScale(PressureSensor(), 10)


def plain(table_flags: np.ndarray) -> np.ndarray:
    return (table_flags & ~np.uint8(CycleFlag.AFTER_BREAK)) == 0


def oracle_mean(us: np.ndarray, counts: np.ndarray, start: float, end: float) -> float:
    """Mean of the straight lines between samples, by numpy and scipy alone."""
    inner = us[(us > start) & (us < end)]
    at = np.concatenate(([start], inner, [end]))
    return float(trapezoid(np.interp(at, us, counts), at) / (end - start))


@settings(derandomize=True, max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 1000),
    sample_s=st.sampled_from([0.001, 0.002, 0.005, 0.01]),
    rpm=st.floats(500, 4500),
)
def test_mean_is_the_integral_of_the_samples(seed: int, sample_s: float, rpm: float) -> None:
    rng = np.random.default_rng(seed)
    made = make(
        seconds=6.0,
        rpm=rpm,
        sample_s=sample_s,
        counts=lambda t: 200 + rng.integers(-60, 60, len(t)),
    )
    table = chain_of([messages(made)]).cycles()
    us = np.round(made.samples_s * 1e6)
    for row in rng.integers(0, len(table), 5):
        want = oracle_mean(us, made.counts, table.start_us[row], table.end_us[row])
        assert table.pressure_kpa[row] == pytest.approx(SCALE.kpa(want), abs=1e-6)
        edges = np.linspace(table.start_us[row], table.end_us[row], 5)
        slots = [oracle_mean(us, made.counts, a, b) for a, b in pairwise(edges)]
        np.testing.assert_allclose(table.slot_kpa[row], SCALE.kpa(np.array(slots)), atol=1e-6)
        inside = (us > table.start_us[row]) & (us <= table.end_us[row])
        ends = np.interp([table.start_us[row], table.end_us[row]], us, made.counts)
        all_counts = np.concatenate((made.counts[inside], ends))
        assert table.min_kpa[row] == pytest.approx(SCALE.kpa(all_counts.min()), abs=1e-9)
        assert table.max_kpa[row] == pytest.approx(SCALE.kpa(all_counts.max()), abs=1e-9)


def test_pulsation_averages_out_while_the_speed_changes() -> None:
    # Ripple of 40 counts at four per cycle; the speed swings by 20 % and so does the ripple.
    # A filter in time would leave a beat; whole cycles leave the level.
    def rpm(t: np.ndarray) -> np.ndarray:
        return 850.0 * (1.0 + 0.2 * np.sin(2 * np.pi * t / 5.0))

    def counts(t: np.ndarray) -> np.ndarray:
        swing = 850 * 6 * (t + 0.2 * 5.0 / (2 * np.pi) * (1 - np.cos(2 * np.pi * t / 5.0)))
        return 200 + 40 * np.sin(np.radians(swing * 2))

    table = chain_of([messages(make(seconds=20.0, rpm=rpm, counts=counts))]).cycles()
    kpa = table.pressure_kpa
    # 40 counts are 9.8 kPa; rounding and straight lines between samples leave some 0.02.
    assert np.abs(kpa - SCALE.kpa(200.0)).max() < 0.05
    assert np.ptp(table.rpm) > 300


@pytest.mark.parametrize("rpm", [600.0, 850.0, 3400.0])
def test_speed_and_turns(rpm: float) -> None:
    # 850 rpm: a cycle of 141.18 ms, 5.1 degrees a millisecond, four firings 35.294 ms apart
    # (30 / rpm seconds); recomputed.
    table = chain_of([messages(make(rpm=rpm))]).cycles()
    np.testing.assert_allclose(table.rpm, rpm, rtol=1e-4)
    np.testing.assert_allclose(table.turn_us[:-1], 60e6 / rpm, atol=1.1)
    np.testing.assert_allclose((table.end_us - table.start_us) / 4, 30e6 / rpm, atol=0.6)


def test_cycles_join_without_holes() -> None:
    table = chain_of([messages(make())]).cycles()
    np.testing.assert_array_equal(table.end_us[:-1], table.start_us[1:])
    assert table.flags[0] == CycleFlag.AFTER_BREAK and not table.flags[1:].any()


def test_slots_are_as_many_as_cylinders() -> None:
    made = messages(make())
    for cylinders in (1, 3, 8):
        table = chain_of([made], engine=EngineCard(cylinders=cylinders)).cycles()
        assert table.slot_kpa.shape == (len(table), cylinders)


def test_lost_samples_are_flagged_where_they_are() -> None:
    made = make()
    keep = np.ones(len(made.samples_s), bool)
    keep[5000:5030] = False  # 30 ms of a cycle of 141 ms
    keep[9000:9010] = False  # 10 ms: less than a tenth
    lossy = make()
    lossy.samples_s = made.samples_s[keep]
    lossy.counts = made.counts[keep]
    table = chain_of([messages(lossy)]).cycles()
    gaps = np.flatnonzero(table.flags & CycleFlag.GAP)
    assert len(gaps) in (1, 2)
    for row in gaps:
        assert table.start_us[row] < 5_030_000 and table.end_us[row] > 5_000_000
    np.testing.assert_allclose(table.pressure_kpa, SCALE.kpa(200.0), atol=1e-9)


def test_a_cycle_without_samples_has_no_pressure() -> None:
    made = make()
    keep = (made.samples_s < 8.0) | (made.samples_s > 10.0)
    made.counts = made.counts[keep]
    made.samples_s = made.samples_s[keep]
    table = chain_of([messages(made)]).cycles()
    blind = np.isnan(table.pressure_kpa)
    inside = (table.start_us > 8_000_000) & (table.end_us < 10_000_000)
    assert blind[inside].all() and 12 <= blind.sum() <= 16
    assert (table.flags[blind] & CycleFlag.GAP).all()
    assert np.isfinite(table.advance_deg).all()


@pytest.mark.parametrize(("level", "flagged"), [(0, True), (1023, True), (40, False)])
def test_rails_are_flagged(level: int, flagged: bool) -> None:
    def counts(t: np.ndarray) -> np.ndarray:
        return np.where((t > 6.0) & (t < 8.0), level, 200.0)

    table = chain_of([messages(make(counts=counts))]).cycles()
    inside = (table.start_us > 6_000_000) & (table.end_us < 8_000_000)
    outside = (table.end_us < 6_000_000) | (table.start_us > 8_000_000)
    assert ((table.flags[inside] & CycleFlag.RAIL) > 0).all() == flagged
    assert not (table.flags[outside] & CycleFlag.RAIL).any()


def test_a_missing_spark_is_put_where_its_mark_says() -> None:
    # The speed rises by a fifth within the two cycles, so half-way in time would be wrong.
    def rpm(t: np.ndarray) -> np.ndarray:
        return np.interp(t, [0.0, 5.0, 5.4, 20.0], [800.0, 800.0, 1100.0, 1100.0])

    made = make(rpm=rpm)
    lost = int(np.searchsorted(made.sparks_s, 5.1))
    truth = made.sparks_s[lost] * 1e6
    made.sparks_s = np.delete(made.sparks_s, lost)
    table = chain_of([messages(made)]).cycles()
    row = int(np.argmin(np.abs(table.start_us - truth)))
    halfway = (table.start_us[row - 1] + table.end_us[row]) / 2
    assert abs(table.start_us[row] - truth) < 150
    assert abs(halfway - truth) > 1000
    np.testing.assert_array_equal(np.flatnonzero(table.flags & CycleFlag.SPLIT), [row - 1, row])


def test_a_starter_is_told_from_an_engine() -> None:
    def rpm(t: np.ndarray) -> np.ndarray:
        return np.where(t < 6.0, 180.0, 850.0)  # 120 to 300 rpm (common practice)

    table = chain_of([messages(make(rpm=rpm))]).cycles()
    cranking = (table.flags & CycleFlag.CRANKING) > 0
    np.testing.assert_array_equal(cranking, table.rpm < 350)
    assert cranking.sum() > 5
    slow_idler = chain_of([messages(make(rpm=340.0))], engine=EngineCard(idle_rpm=400.0))
    assert not (slow_idler.cycles().flags & CycleFlag.CRANKING).any()


def test_a_stall_is_a_break() -> None:
    made = make()
    still = (made.sparks_s > 8.0) & (made.sparks_s < 13.0)
    made.sparks_s = made.sparks_s[~still]
    turning = (made.marks_s > 8.0) & (made.marks_s < 13.0)
    made.marks_s = made.marks_s[~turning]
    table = chain_of([messages(made)], rig=RIG).cycles()
    breaks = np.flatnonzero(table.flags & CycleFlag.AFTER_BREAK)
    assert len(breaks) == 2
    assert table.end_us[breaks[1] - 1] <= 8_000_000
    assert table.start_us[breaks[1]] >= 13_000_000
