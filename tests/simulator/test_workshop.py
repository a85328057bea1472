"""The story of a whole visit: one engine, one pair of cards, and at each step what it is for."""

from __future__ import annotations

import numpy as np
import pytest

from vaclog.simulator.presets import PRESETS, SINGLE, WORKSHOP, workshop
from vaclog.simulator.recording import Recording


@pytest.fixture(scope="module")
def played() -> dict[str, Recording]:
    """Every scenario of the story, run."""
    return {name: story().simulate(1) for name, story in WORKSHOP.items()}


def rpm_between(played: Recording, start_s: float, end_s: float) -> float:
    """Mean true speed of a stretch of the run."""
    at = played.trace.event_s
    chosen = (at >= start_s) & (at < end_s)
    return float(played.trace.event_rpm[chosen].mean())


def pressed(played: Recording) -> int:
    """How often the passenger pressed the button."""
    return played.text.count(b"\nM ")


def test_each_scenario_has_its_words() -> None:
    """One line for people, no two alike."""
    words = [story.words for story in PRESETS.values()]
    assert all(10 < len(line) < 80 and "\n" not in line for line in words)
    assert len(set(words)) == len(words) == len(SINGLE) + len(WORKSHOP)


def test_all_steps_have_the_same_two_cards(played: dict[str, Recording]) -> None:
    """One visit has one engine card and one rig card."""
    assert len({each.engine_card_toml for each in played.values()}) == 1
    assert len({each.rig_card_toml for each in played.values()}) == 1


def test_the_engine_that_is_not_warm_still_gains_speed(played: dict[str, Recording]) -> None:
    """Cold it speeds up over the minute of idle by some per cent; warm it does not."""
    gain = {}
    for name in ("workshop-cold", "workshop-check"):
        early, late = rpm_between(played[name], 20, 30), rpm_between(played[name], 60, 70)
        gain[name] = late / early - 1.0
    assert gain["workshop-cold"] > 0.04
    assert abs(gain["workshop-check"]) < 0.015


def test_a_leak_costs_vacuum_at_the_same_speed(played: dict[str, Recording]) -> None:
    """More than 20 kPa of vacuum are gone, and the idle is where it was."""
    sound, leaky = played["workshop-check"], played["workshop-leak"]
    kpa = [
        float(each.trace.event_kpa[(each.trace.event_s > 40) & (each.trace.event_s < 70)].mean())
        for each in (sound, leaky)
    ]
    assert kpa[1] - kpa[0] > 20.0
    assert rpm_between(leaky, 40, 70) == pytest.approx(rpm_between(sound, 40, 70), rel=0.02)


def test_the_rev_up_goes_beyond_the_end_of_the_weights(played: dict[str, Recording]) -> None:
    """All of the curve is driven through, slowly enough to be seen."""
    trace = played["workshop-curve"].trace
    assert trace.event_rpm.max() > 3400.0
    rising = trace.event_s[(trace.event_rpm > 1000) & (trace.event_rpm < 3000)]
    assert rising.max() - rising.min() > 6.0


@pytest.mark.parametrize("name", ["workshop-sweep", "workshop-again"])
def test_a_sweep_passes_the_top_and_ends_where_it_began(
    played: dict[str, Recording], name: str
) -> None:
    """Over the top by some degrees, and back to the setting."""
    run = played[name]
    hand = run.trace.hand_deg
    assert hand.max() > run.truth.peak_deg + 5.0
    assert hand[-1] == pytest.approx(hand[0], abs=1e-6)
    assert run.truth.peak_deg == pytest.approx(workshop.TOP_DEG, abs=0.3)


def test_the_clamp_moves_it_or_not(played: dict[str, Recording]) -> None:
    """By as much as it says."""
    moved = np.ptp(played["workshop-lock-moved"].trace.hand_deg)
    assert moved == pytest.approx(workshop.LOCK_MOVES_DEG, abs=0.01)
    assert np.ptp(played["workshop-lock"].trace.hand_deg) == 0.0


def test_it_pinks_where_it_was_set_and_not_two_degrees_later(
    played: dict[str, Recording],
) -> None:
    """Physics decides, and the passenger presses where it was heard."""
    assert len(played["workshop-road"].pinked_s) > 5 and pressed(played["workshop-road"]) >= 1
    assert len(played["workshop-road-later"].pinked_s) == 0
    assert pressed(played["workshop-road-later"]) == 0


@pytest.mark.parametrize("seed", [2, 3])
def test_another_seed_is_another_day_of_the_same_story(seed: int) -> None:
    """Whether it pinks does not hang on luck."""
    assert pressed(workshop.road().simulate(seed)) >= 1
    assert pressed(workshop.road(workshop.SET_DEG - 2.0).simulate(seed)) == 0
