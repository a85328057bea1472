"""Named and random scenarios: they run, differ, and their cards are good cards."""

from collections import Counter

import numpy as np
import pytest

from vaclog.cards import engine_card, rig_card
from vaclog.simulator import MakerFacts, simulate
from vaclog.simulator.presets import HABITS, PRESETS, knobs, preset, random_scenario


@pytest.mark.parametrize("name", sorted(PRESETS))
def test_presets_run_and_their_cards_parse(name):
    scenario = preset(name)
    assert scenario.name == name
    got = scenario.simulate(2)
    engine = engine_card(got.engine_card_toml)
    rig = rig_card(got.rig_card_toml)
    assert engine.cylinders == scenario.engine.cylinders
    assert engine.firing_order == scenario.engine.firing_order
    book_deg = scenario.maker.static_deg
    assert engine.static_deg == (scenario.script.start_deg if book_deg is None else book_deg)
    assert engine.centrifugal == scenario.engine.centrifugal
    assert rig.spark.pickup == scenario.rig.pickup
    assert (rig.mark is not None) == scenario.rig.mark
    assert (rig.body is not None) == (scenario.rig.body is not None)
    assert rig.pressure.gain_per_kpa == scenario.rig.gain_per_kpa
    assert 30.0 < got.trace.time_s[-1] < 240.0


def test_cards_leave_out_what_the_maker_does_not_say():
    scenario = preset("one-way")
    maker = MakerFacts(give_curve=False, give_max_total=False, static_deg=6.5, altitude_m=300.0)
    got = simulate(scenario.engine, scenario.script, scenario.rig, 1, maker=maker)
    card = engine_card(got.engine_card_toml)
    assert card.centrifugal is None
    assert card.max_total_deg is None
    assert (card.static_deg, card.altitude_m) == (6.5, 300.0)


def test_body_card_gives_back_the_advance():
    """anchor + 2 sign (counts - anchor counts) deg_per_count is the true advance at idle."""
    got = preset("body-sensor").simulate(4)
    card = rig_card(got.rig_card_toml).body
    boot = got.boots[0]
    body = boot.pulse_kind == 4
    counts = boot.pulse_value[body]
    read = card.anchor_deg + 2 * card.sign * (counts - card.anchor_counts) * card.deg_per_count
    at = (boot.pulse_tick[body] - boot.first_tick) * boot.seconds_per_tick
    true = np.interp(at, got.truth.spark_s, got.truth.spark_advance_deg)
    assert (read - true).mean() == pytest.approx(0.0, abs=0.15)
    assert np.abs(read - true).max() < 2.0


def test_knobs_reach_the_engine():
    got = knobs(
        cylinders=6, peak_deg=31.0, hill="cubic", lopsided=0.4, scatter=0.11,
        friction_drift_per_min=0.02, habit="nudge",
    )  # fmt: skip
    spec = got.engine
    assert (spec.cylinders, spec.hill.peak_deg, spec.hill.kind) == (6, 31.0, "cubic")
    assert (spec.hill.lopsided, spec.scatter, spec.friction_drift_per_min) == (0.4, 0.11, 0.02)
    assert got.script.start_deg == 17.0
    truth = got.simulate(1).truth
    assert truth.peak_deg == pytest.approx(31.0, abs=0.1)
    assert truth.lopsided == pytest.approx(0.4, abs=0.06)


def test_random_scenarios_are_as_drawn():
    rng = np.random.default_rng(12)
    draws = [random_scenario(rng) for _ in range(300)]
    kinds = Counter(d.engine.hill.kind for d in draws)
    assert 120 <= kinds["tabulated"] <= 180
    assert set(kinds) == {"parabola", "halves", "cubic", "tabulated"}
    assert {d.engine.cylinders for d in draws} == {4, 6, 8}
    assert {d.name for d in draws} == set(HABITS)
    assert 60 <= sum(d.engine.hill.moving for d in draws) <= 140
    again = random_scenario(np.random.default_rng(12))
    assert again == draws[0]
    for d in draws:
        assert 0.04 <= d.engine.scatter <= 0.14
        assert max(abs(s.hi - d.engine.hill.peak_deg) for s in [_Travel(d)]) <= 13.0


class _Travel:
    """Highest setting that a script goes to."""

    def __init__(self, scenario):
        stops = [scenario.script.start_deg]
        stops += [s.to_deg for s in scenario.script.segments if hasattr(s, "to_deg")]
        stops += [s.high_deg for s in scenario.script.segments if hasattr(s, "high_deg")]
        self.hi = max(stops)


@pytest.mark.parametrize(
    ("reach", "low", "high"), [("past", 4.9, 12.1), ("edge", -1.6, 1.6), ("short", -12.1, -3.9)]
)
def test_reach_is_where_the_travel_ends(reach, low, high):
    rng = np.random.default_rng(3)
    for _ in range(40):
        drawn = random_scenario(rng, reach=reach)
        assert low <= _Travel(drawn).hi - drawn.engine.hill.peak_deg <= high


@pytest.mark.parametrize("seed", range(8))
def test_random_scenarios_run_to_their_end(seed):
    drawn = random_scenario(np.random.default_rng(100 + seed), reach="any")
    got = drawn.simulate(seed)
    truth = got.truth
    assert truth.peak_deg == pytest.approx(drawn.engine.hill.peak_deg, abs=1.5)
    assert truth.sweeps
    assert not any(s.kind == "stall" for s in truth.phases[:-2])
    assert 0.2 < truth.information_bound_deg() < 40.0
    assert len(got.text) > 10_000
    engine_card(got.engine_card_toml)
    rig_card(got.rig_card_toml)
