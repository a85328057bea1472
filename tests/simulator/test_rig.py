"""The rig: what it shows is the engine's truth, and its faults are as asked."""

from dataclasses import replace

import numpy as np
import pytest

from vaclog.simulator import BodyRig, RigSpec
from vaclog.simulator.rig import MARKER, body_counts, pin_signals, record


def pins_of(trace, rig, seed=1, cylinders=4, markers_s=()):
    return pin_signals(trace, rig, cylinders, np.random.default_rng(seed), markers_s=markers_s)


def sparks_of(trace, *slots):
    mine = np.isin(trace.event_slot, slots) & (trace.event_s >= 0.0)
    return trace.event_s[mine] * 1e9


CLEAN = RigSpec(jitter_us=0.0, mark_jitter_us=0.0, noise_kpa=0.0, sensor_lag_s=0.0)


def with_(**changes):
    """The clean rig with some faults."""
    return replace(CLEAN, **changes)


def test_pickups(long_idle):
    """No. 1 alone, with its companion 360° later, or every cylinder."""
    one = pins_of(long_idle, CLEAN)
    assert one.spark_ns == pytest.approx(sparks_of(long_idle, 1), abs=1)
    two = pins_of(long_idle, with_(pickup="wasted"))
    assert two.spark_ns == pytest.approx(sparks_of(long_idle, 1, 3), abs=1)
    every = pins_of(long_idle, with_(pickup="coil"))
    assert every.spark_ns == pytest.approx(sparks_of(long_idle, 1, 2, 3, 4), abs=1)
    wrong = pins_of(long_idle, with_(clamp_slot=3))
    assert wrong.spark_ns == pytest.approx(sparks_of(long_idle, 3), abs=1)
    assert len(one.coil_ns) == 0
    both = pins_of(long_idle, with_(coil_lead=True))
    assert both.coil_ns == pytest.approx(sparks_of(long_idle, 1, 2, 3, 4), abs=1)


def test_mark_and_spark_give_the_advance(long_idle):
    """By hand: degrees from spark to mark at the crank's own angle, and twice per cycle."""
    pins = pins_of(long_idle, with_(mark_deg=12.0))
    theta_mark = np.interp(pins.mark_ns * 1e-9, long_idle.time_s, long_idle.theta_deg)
    assert np.diff(theta_mark) == pytest.approx(360.0, abs=1e-3)
    assert theta_mark % 360.0 == pytest.approx(348.0, abs=1e-3)
    spark = pins.spark_ns * 1e-9
    advance = long_idle.event_advance_deg[(long_idle.event_slot == 1) & (long_idle.event_s >= 0)]
    theta_spark = np.interp(spark, long_idle.time_s, long_idle.theta_deg)
    after = theta_mark[np.searchsorted(theta_mark, theta_spark[:-2] - 100.0)]
    signed = (after - theta_spark[:-2] + 180.0) % 360.0 - 180.0
    assert 12.0 + signed == pytest.approx(advance[:-2], abs=1e-3)


def test_no_mark_no_pulses(long_idle):
    assert len(pins_of(long_idle, with_(mark=False)).mark_ns) == 0


def test_ghost_tooth_doubles_the_marks(long_idle):
    n = len(pins_of(long_idle, CLEAN).mark_ns)
    assert abs(len(pins_of(long_idle, with_(mark_ghost_deg=90.0)).mark_ns) - 2 * n) <= 1


def test_delay_and_jitter(long_idle):
    true = sparks_of(long_idle, 1)
    seen = pins_of(long_idle, with_(delay_us=80.0, jitter_us=10.0)).spark_ns[: len(true)]
    error_us = (seen - true) * 1e-3
    assert error_us.mean() == pytest.approx(80.0, abs=1.5)
    assert error_us.std() == pytest.approx(10.0, rel=0.1)


def test_losses_ringing_multiple_sparks_and_ghosts(long_idle):
    n = len(sparks_of(long_idle, 1))
    count = {
        name: len(pins_of(long_idle, with_(**{name: value})).spark_ns)
        for name, value in (
            ("drop_share", 0.2),
            ("ring_share", 0.5),
            ("multi_spark", 2),
            ("spurious_per_s", 1.0),
        )
    }
    assert count["drop_share"] == pytest.approx(0.8 * n, abs=4 * np.sqrt(0.16 * n))
    # a ring is one pulse, a second in 60 %, a third in 40 %
    assert count["ring_share"] == pytest.approx(n + n, abs=0.12 * n)
    assert abs(count["multi_spark"] - 3 * n) <= 2
    assert count["spurious_per_s"] == pytest.approx(n + 120, abs=45)
    ringing = pins_of(long_idle, with_(ring_share=1.0)).spark_ns
    true = sparks_of(long_idle, 1)
    since = ringing - true[np.searchsorted(true, ringing + 10.0) - 1]
    assert since.max() < 1.6e6


def test_pressure_voltage_is_the_sensor_line(visit):
    """Vs (0.004 P - 0.04): 101.3 kPa gives 1.826 V on 5 V."""
    pins = pins_of(visit.trace, CLEAN)
    assert pins.pressure_mv[100] == pytest.approx(5000 * (0.004 * 101.3 - 0.04), abs=0.5)
    grid_s = np.arange(len(pins.pressure_mv)) * pins.grid_us * 1e-6
    kpa = np.interp(grid_s, visit.trace.time_s, visit.trace.pressure_kpa)
    assert (pins.pressure_mv / 5000.0 + 0.04) / 0.004 == pytest.approx(kpa, abs=1e-6)


def test_sensor_lag_delays_and_damps(long_idle):
    plain = pins_of(long_idle, CLEAN).pressure_mv
    slow = pins_of(long_idle, with_(sensor_lag_s=0.02)).pressure_mv
    assert slow.std() < 0.8 * plain.std()
    assert slow.mean() == pytest.approx(plain.mean(), abs=0.5)
    shift = [np.corrcoef(plain[500:-500], np.roll(slow, -k)[500:-500])[0, 1] for k in range(30)]
    assert 2 <= int(np.argmax(shift)) <= 20


def test_noise_is_as_large_as_asked(long_idle):
    noisy = pins_of(long_idle, with_(noise_kpa=0.5)).pressure_mv
    difference = (noisy - pins_of(long_idle, CLEAN).pressure_mv) / (5000 * 0.004)
    assert difference.std() == pytest.approx(0.5, rel=0.02)


@pytest.mark.parametrize(("rail", "count"), [("high", 1023), ("low", 0)])
def test_broken_sensor_sits_at_a_rail(long_idle, rail, count):
    rig = with_(rail=rail)
    boots = record(pins_of(long_idle, rig), rig)
    assert set(boots[0].sample_counts.tolist()) == {count}


def test_counts_are_the_converter_of_the_card(long_idle):
    """(counts + 0.5) / 2**bits = gain P + offset, to half a step."""
    for bits in (8, 10, 12):
        rig = with_(adc_bits=bits)
        pins = pins_of(long_idle, rig)
        boot = record(pins, rig)[0]
        assert boot.sample_counts.max() < 1 << bits
        kpa = ((boot.sample_counts + 0.5) / (1 << bits) + 0.04) / 0.004
        true = (pins.pressure_mv[: len(kpa)] / 5000.0 + 0.04) / 0.004
        assert np.abs(kpa - true).max() <= 0.5001 / (1 << bits) / 0.004


def test_ticks_are_time_on_the_devices_clock(long_idle):
    rig = with_(clock_ppm=200.0, first_tick=777)
    boot = record(pins_of(long_idle, rig), rig)[0]
    sparks = boot.pulse_tick[boot.pulse_kind == 1]
    device_s = (sparks - 777) * 0.5e-6
    assert device_s == pytest.approx(sparks_of(long_idle, 1) * 1e-9 * 1.0002, abs=1e-6)
    assert (np.diff(boot.sample_tick) == 2000).all()
    assert len(boot.sample_tick) == pytest.approx(120_000 * 1.0002, abs=3)


def test_slower_sampling(long_idle):
    rig = with_(sample_period_us=5000)
    boot = record(pins_of(long_idle, rig), rig)[0]
    assert (np.diff(boot.sample_tick) == 10_000).all()
    assert len(boot.sample_tick) == pytest.approx(24_000, abs=2)


def test_reset_starts_the_counter_again(long_idle):
    rig = with_(reset_at_s=50.0, reset_gap_s=1.5)
    first, second = record(pins_of(long_idle, rig), rig)
    assert first.end_s == 50.0
    assert second.start_s == 51.5
    assert second.sample_tick[0] == 0
    sparks = second.pulse_tick[second.pulse_kind == 1] * second.seconds_per_tick + 51.5
    true = sparks_of(long_idle, 1) * 1e-9
    assert sparks == pytest.approx(true[true >= 51.5], abs=1e-6)


def test_markers_are_recorded(long_idle):
    boot = record(pins_of(long_idle, CLEAN, markers_s=(5.0, 60.5)), CLEAN)[0]
    ticks = boot.pulse_tick[boot.pulse_kind == MARKER]
    assert (ticks - boot.first_tick) * 0.5e-6 == pytest.approx([5.0, 60.5], abs=1e-6)


def test_body_sensor_reads_half_the_crank_degrees(sweep_record):
    """One degree of the body is two of the crank; sign and anchor as on the card."""
    trace = sweep_record.trace
    for sign in (1, -1):
        counts = body_counts(trace, BodyRig(sign=sign, deg_per_count=0.1, anchor_counts=400.0))
        crank = 10.0 + 2 * sign * (counts - 400.0) * 0.1
        assert crank == pytest.approx(trace.hand_deg, abs=1e-6)


def test_backlash_leaves_a_loop(sweep_record):
    trace = sweep_record.trace
    counts = body_counts(trace, BodyRig(backlash_deg=0.6, deg_per_count=0.1))
    crank = 10.0 + 2 * (counts - 400.0) * 0.1
    up, down = sweep_record.truth.sweeps
    late = (trace.hand_time_s > up.start_s + 5) & (trace.hand_time_s < up.end_s)
    assert trace.hand_deg[late] - crank[late] == pytest.approx(0.6, abs=1e-6)
    back = (trace.hand_time_s > down.start_s + 5) & (trace.hand_time_s < down.end_s)
    assert trace.hand_deg[back] - crank[back] == pytest.approx(-0.6, abs=1e-6)


def test_slip_stays(sweep_record):
    trace = sweep_record.trace
    plain = body_counts(trace, BodyRig())
    slipped = body_counts(trace, BodyRig(slip_at_s=30.0, slip_deg=1.5))
    late = trace.hand_time_s >= 30.0
    assert slipped[late] - plain[late] == pytest.approx(15.0)
    assert (slipped[~late] == plain[~late]).all()


def test_body_readings_come_at_their_period(sweep_record):
    boot = sweep_record.boots[0]
    body = boot.pulse_kind == 4
    assert np.diff(boot.pulse_tick[body]) == pytest.approx(100_000, abs=1)
    crank = 10.0 + 2 * (boot.pulse_value[body] - 400.0) * 0.1
    at = (boot.pulse_tick[body] - boot.first_tick) * boot.seconds_per_tick
    true = np.interp(at, sweep_record.trace.hand_time_s, sweep_record.trace.hand_deg)
    assert np.abs(crank - true).max() < 0.6
    assert (crank - true).mean() == pytest.approx(0.0, abs=0.03)
