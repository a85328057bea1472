"""Curve, lag, friction, delay and vacuum advance, told apart on a simulated distributor.

The simulator moves the weights as a first-order lag behind dry friction and shares no code with
the fit; its curve is the truth.
"""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from vaclog.analysis.advice.limits import added_at_speed
from vaclog.analysis.curve.collect import speed_at_spark
from vaclog.analysis.curve.find import find_curve
from vaclog.analysis.curve.hose import HoseSeen, hose_seen
from vaclog.analysis.curve.spots import flat, off_card, on_card
from vaclog.analysis.findings import CurveFinding, Phase
from vaclog.analysis.phases.find import find_phases
from vaclog.cards import EngineCard, engine_card, rig_card
from vaclog.signals.chain import SignalChain
from vaclog.signals.tables import CycleTable
from vaclog.simulator import CanisterSpec, EngineSpec, RigSpec, Script, simulate
from vaclog.simulator.script import Blip, Hold
from vaclog.wire.detect import StreamDecoder

PLAIN = EngineSpec()
CURVE = PLAIN.centrifugal
RIG = RigSpec()
UP_AND_DOWN = Blip(throttle=0.11, rise_s=14.0, open_s=3.0, fall_s=10.0, most_rpm=4200.0)
QUICK = Blip(throttle=0.15, rise_s=0.15, open_s=0.5)


@cache
def revved(
    engine: EngineSpec, *blips: Blip, rig: RigSpec = RIG, seed: int = 3
) -> tuple[CycleTable, tuple[Phase, ...], str, str]:
    """Cycles and phases of an idle with rev-ups, through bytes."""
    segments = [Hold(seconds=8.0)]
    for blip in blips:
        segments += [blip, Hold(seconds=6.0)]  # type: ignore[list-item]
    made = simulate(engine, Script(segments=tuple(segments)), rig, seed)
    card, rig_of = engine_card(made.engine_card_toml), rig_card(made.rig_card_toml)
    chain, decoder = SignalChain(card, rig_of), StreamDecoder()
    chain.feed([*decoder.feed(made.text), *decoder.finish()])
    chain.finish()
    cycles = chain.cycles()
    phases, _ = find_phases(cycles, chain.background(), card, chain.report().duration_us)
    return cycles, tuple(phases), made.engine_card_toml, made.rig_card_toml


def curve_of(engine: EngineSpec, *blips: Blip, rig: RigSpec = RIG) -> CurveFinding:
    cycles, phases, card, rig_of = revved(engine, *blips, rig=rig)
    found = find_curve(cycles, phases, engine_card(card), rig_card(rig_of))
    assert found is not None
    return found


def hose_of(engine: EngineSpec, *blips: Blip) -> HoseSeen:
    cycles, phases, _, _ = revved(engine, *blips)
    seen = hose_seen(cycles, phases)
    assert seen is not None
    return seen


def true_deg(curve: tuple[tuple[float, float], ...], found: CurveFinding) -> np.ndarray:
    rpm, deg = np.array(curve).T
    return np.interp(found.rpm, rpm, deg) - np.interp(found.idle_rpm, rpm, deg)


def test_speed_at_a_spark_is_that_of_the_spark() -> None:
    """An even gain of 600 rpm a second: the mean of a whole cycle is 20 to 40 rpm too fast."""
    cycles = revved(PLAIN, UP_AND_DOWN)[0]
    angle = np.arange(len(cycles) + 1) * 720.0
    # angle = 6 (n0 t + a t^2 / 2) with n0 = 900 rpm, a = 600 rpm/s
    at_s = (np.sqrt(900.0**2 + 2.0 * 600.0 * angle / 6.0) - 900.0) / 600.0
    us = np.round(at_s * 1e6).astype(np.int64)
    made = replace(cycles, start_us=us[:-1], end_us=us[1:], rpm=120.0 / np.diff(at_s))
    rpm, rate = speed_at_spark(made)
    true = 900.0 + 600.0 * at_s[:-1]
    assert np.abs(rpm - true)[1:40].max() < 4.0
    assert np.abs(rate - 600.0)[2:40].max() < 60.0
    assert (made.rpm - true)[1:10].min() > 20.0


def test_start_end_slope_and_height() -> None:
    """Of the plain curve 1000 → 3000 rpm, 22 degrees, each within three of its u."""
    found = curve_of(PLAIN, UP_AND_DOWN)
    for seen, u, true in (
        (found.start_rpm, found.u_start_rpm, 1000.0),
        (found.all_in_rpm, found.u_all_in_rpm, 3000.0),
        (found.most_deg, found.u_most_deg, 22.0),
        (found.slope_deg_per_1000rpm, found.u_slope_deg_per_1000rpm, 11.0),
        (found.friction_deg, found.u_friction_deg, 0.0),
        (found.lag_s, found.u_lag_s, 0.15),
    ):
        assert abs(seen - true) < 3.0 * u, (seen, u, true)
    assert found.u_most_deg < 0.5
    assert found.u_start_rpm < 50.0
    off = np.abs(found.added_deg - true_deg(CURVE, found))
    assert np.mean(off < 1.96 * found.u_added_deg) > 0.9
    assert found.u_added_deg.mean() < 0.35
    assert not flat(found)
    assert not off_card(found, on_card(found, CURVE))


@pytest.mark.parametrize("stick_deg", [0.5, 1.0])
def test_sticking_is_told_from_lag_by_a_slow_way_down(stick_deg: float) -> None:
    """Friction is the same at any rate, lag goes with it."""
    sticks = curve_of(replace(PLAIN, weights_stick_deg=stick_deg), UP_AND_DOWN)
    assert abs(sticks.friction_deg - stick_deg) < 0.2
    assert sticks.friction_deg > 3.0 * sticks.u_friction_deg
    lags = curve_of(replace(PLAIN, weights_s=0.3), UP_AND_DOWN)
    assert abs(lags.friction_deg) < 0.3
    assert lags.lag_s > 0.22


def test_quick_rev_ups_do_not_claim_to_know_friction() -> None:
    """What a snap of the throttle says of friction is hardly better than half a degree."""
    found = curve_of(PLAIN, QUICK, QUICK)
    assert found.u_friction_deg > 0.2
    assert abs(found.friction_deg) < 3.0 * found.u_friction_deg
    assert np.isnan(found.all_in_rpm)


def test_a_flat_spot_and_a_late_curve_are_found_where_they_are() -> None:
    """Standing still from 1500 to 2000 rpm; late against a card that does not."""
    curve = ((1000.0, 0.0), (1500.0, 8.0), (2000.0, 8.0), (2800.0, 20.0))
    found = curve_of(replace(PLAIN, centrifugal=curve), UP_AND_DOWN)
    (spot,) = flat(found)
    assert abs(spot.from_rpm - 1500.0) <= 150.0
    assert abs(spot.to_rpm - 2000.0) <= 150.0
    assert spot.off_deg < -3.0
    straight = ((1000.0, 0.0), (2800.0, 20.0))
    kinds = {spot.kind for spot in off_card(found, on_card(found, straight))}
    assert "late" in kinds


def test_weights_that_move_at_idle_are_said_to() -> None:
    found = curve_of(replace(PLAIN, centrifugal=((600.0, 0.0), (2600.0, 20.0))), UP_AND_DOWN)
    assert found.moving_at_idle
    assert np.isnan(found.start_rpm)
    off = np.abs(found.added_deg - true_deg(((600.0, 0.0), (2600.0, 20.0)), found))
    assert off.max() < 0.8


def test_a_delay_is_learned_where_the_weights_rest_and_only_there() -> None:
    """60 µs more than the card says; its prior is 20 µs, so a part of it is believed."""
    found = curve_of(PLAIN, UP_AND_DOWN, rig=RigSpec(delay_us=60.0))
    assert 12.0 < found.delay_us < 60.0
    assert found.u_delay_us < 19.0
    plain = curve_of(PLAIN, UP_AND_DOWN)
    assert abs(plain.delay_us) < 2.0 * plain.u_delay_us
    short = curve_of(PLAIN, QUICK, QUICK)
    assert short.u_delay_us > 19.0


@pytest.mark.parametrize("fed", ["manifold", "port"])
def test_a_vacuum_advance_is_seen(fed: str) -> None:
    """A canister of 14 degrees, by what pressure or the way of the throttle does."""
    engine = replace(PLAIN, canister=CanisterSpec(fed=fed))  # type: ignore[arg-type]
    slow_up = replace(UP_AND_DOWN, fall_s=0.2)
    blip = slow_up if fed == "port" else UP_AND_DOWN
    seen = hose_of(engine, blip)
    assert seen.verdict == fed
    assert max(seen.swing_deg, seen.up_more_deg) > 4.0


def test_without_a_hose_none_is_seen_and_off_needs_an_open_throttle() -> None:
    """A gentle rev-up moves no canister: nothing was seen, and nothing is proved."""
    assert hose_of(PLAIN, QUICK, QUICK).verdict == "off"
    gentle = hose_of(PLAIN, UP_AND_DOWN)
    assert gentle.verdict == "unclear"
    assert gentle.swing_deg < 1.0
    sticky = hose_of(replace(PLAIN, weights_stick_deg=1.0), UP_AND_DOWN)
    assert sticky.verdict in ("off", "unclear")


def test_a_knee_is_not_taken_for_the_end() -> None:
    """A rev-up to just beyond the change of springs: how much is still to come is not known."""
    engine = replace(PLAIN, centrifugal=((1000.0, 0.0), (1500.0, 10.0), (3200.0, 16.0)))
    found = curve_of(engine, Blip(throttle=0.06, rise_s=8.0, open_s=2.0, most_rpm=1950.0))
    assert 1700.0 < found.max_rpm < 2300.0
    assert np.isnan(found.all_in_rpm)
    assert found.most_deg < 13.5


def test_curve_bench_in_short() -> None:
    """A random distributor, two ways to rev: the band holds most knots of each."""
    path = Path(__file__).parents[1] / "bench" / "curve_bench.py"
    spec = importlib.util.spec_from_file_location("curve_bench", path)
    assert spec is not None
    assert spec.loader is not None
    bench = importlib.util.module_from_spec(spec)
    sys.modules["curve_bench"] = bench
    spec.loader.exec_module(bench)
    done = [bench.run(way, seed) for way in ("slow up and down", "three snaps") for seed in (1,)]
    assert None not in done
    assert bench.coverage(done) > 0.85
    assert np.mean([each.found.u_added_deg.mean() for each in done]) < 0.5


def test_a_curve_with_the_hose_on_sets_no_cap_by_itself() -> None:
    """Without a curve on the card there is then no number; with one, the larger is counted."""
    engine = replace(PLAIN, canister=CanisterSpec(fed="port"))
    found = curve_of(engine, replace(UP_AND_DOWN, fall_s=0.2))
    assert found.hose == "port"
    added, remarks = added_at_speed(EngineCard(max_total_deg=34.0), found, 850.0)
    assert added is None
    assert any("hose" in remark for remark in remarks)
    card = EngineCard(max_total_deg=34.0, centrifugal=CURVE)
    added, _ = added_at_speed(card, found, 850.0)
    assert added is not None
    assert added.added_deg >= 22.0
