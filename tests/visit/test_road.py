"""The trail of the road trials: always to retard, and never a clean bill."""

from __future__ import annotations

import pytest

from tests.visit.visit_cases import brought_to, driven
from vaclog.visit import road
from vaclog.visit.catalogue import STEPS
from vaclog.visit.events import Tightened, TurnedTo
from vaclog.visit.records import Pinking, Setting, Visit
from vaclog.visit.steps import take


def after_trials(*heard: Pinking) -> Visit:
    """Trials one after the other, each retard set and locked."""
    visit = brought_to("road")
    for number, pinking in enumerate(heard):
        visit = take(visit, driven(pinking, rpm=2149.0))
        if number + 1 < len(heard):
            visit = take(visit, TurnedTo(setting=Setting()))
            visit = take(visit, Tightened(moved_deg=0.0, u_moved_deg=0.1))
    return visit


def test_the_trail_tells_each_trial() -> None:
    """Setting, what was heard and where, what came off."""
    trail = road.trail(after_trials("heard", "unsure", "none heard"))
    assert trail == (
        "Trial 1 at 12.0°: pinking at about 2100 rpm; retard by 2°.",
        "Trial 2 at 10.0°: not sure at about 2100 rpm; retard by 1°.",
        "Trial 3 at 9.0°: nothing heard.",
    )


@pytest.mark.parametrize("heard", [("heard",), ("unsure",), ("none heard",), ("heard",) * 4])
def test_no_sentence_declares_an_engine_clean_or_advances(heard: tuple[Pinking, ...]) -> None:
    """What was not heard is no proof; pinking is cured by retarding (common practice)."""
    said = " ".join(road.follows(after_trials(*heard))).lower()
    assert not any(word in said for word in ("safe", "clean", "free of", "advance it", "sound"))
    if heard[-1] == "none heard":
        assert "no proof" in said
    elif len(heard) < road.TRIALS_MOST:
        assert "retard by" in said
    else:
        assert "do not load" in said


def test_dangers_of_the_road_stand_at_the_road() -> None:
    """A passenger works the phone, a private or quiet road, law first, lift off at pinking."""
    step = next(each for each in STEPS if each.key == "road")
    said = " ".join(step.cautions).lower()
    for words in ("passenger", "private or a quiet road", "law and insurance", "lift off"):
        assert words in said
    assert "rig" in " ".join(step.do).lower()
