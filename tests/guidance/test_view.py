"""The view: strict JSON at every moment, and what a page needs in it."""

from __future__ import annotations

import json
import math

import pytest

from vaclog.guidance.guide import Guide
from vaclog.guidance.instructions import Step
from vaclog.guidance.view import View, view_json


def numbers(value: object) -> list[float]:
    """All numbers of a document."""
    if isinstance(value, dict):
        return [n for each in value.values() for n in numbers(each)]
    if isinstance(value, list):
        return [n for each in value for n in numbers(each)]
    return [value] if isinstance(value, float | int) else []


def test_before_the_first_cycle(world) -> None:
    """Nothing is known, and that is said in nulls."""
    view = world().guide.view()
    assert view.stage == "prepare" and view.cycles == 0 and view.say is None
    assert json.loads(view_json(view))["ball_deg"] is None


def test_at_the_end(whole) -> None:
    """The hill, the top in its interval, the set point below it, the sentence."""
    view = whole.guide.view()
    assert view.stage == "done" and view.source == "mark"
    assert view.top_found and view.top_low_deg < view.top_deg < view.top_high_deg
    assert view.set_deg < view.top_deg and view.set_limit == "hill"
    assert view.ball_deg == pytest.approx(whole.hand_deg, abs=0.5)
    assert len({len(view.curve_deg), len(view.curve_kpa), len(view.low_kpa)}) == 1
    assert len(view.high_kpa) == len(view.curve_deg) > 20
    assert len(view.foot_deg) == len(view.foot_kpa) == len(view.foot_age) <= 240
    assert view.foot_age[0] == 0.0 and view.foot_age[-1] == 1.0
    assert view.allowed_low_deg < view.home_deg < view.allowed_high_deg
    assert view.say.instruction.step is Step.LOCKED and "did not move" in view.say.shown
    low = min(zip(view.curve_kpa, view.curve_deg, strict=True))[1]
    assert low == pytest.approx(view.top_deg, abs=1.5)


def test_json_is_strict_and_whole(whole) -> None:
    """No NaN, every field, rounded."""
    text = view_json(whole.guide.view())
    assert "NaN" not in text and "Infinity" not in text and "\n" not in text
    document = json.loads(text)
    assert set(document) == set(View.__dataclass_fields__)
    assert all(math.isfinite(number) for number in numbers(document))
    assert document["say"]["instruction"]["step"] == "locked"
    assert len(text) < 40_000  # a phone gets a few of these a second


def test_every_moment_has_a_view(world) -> None:
    """With and without an angle, in every stage."""
    for angle in (True, False):
        made = world(angle=angle)
        for _ in range(12):
            made.run(seconds=3.0)
            json.loads(view_json(made.guide.view()))
            assert isinstance(made.guide, Guide)


def test_vacuum_with_a_barometer(world) -> None:
    """The digits that ride on the ball."""
    made = world()
    made.run(seconds=5.0)
    made.guide.on_cycles(made.cycles(), made.background(), barometer_kpa=100.0)
    view = made.guide.view()
    assert view.vacuum_kpa == pytest.approx(100.0 - view.ball_kpa)
    assert view.rpm == pytest.approx(850.0, rel=0.1)
