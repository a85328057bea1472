"""Answers become points: dwell, gaps, baseline; numbers are judged whatever was said."""

from __future__ import annotations

import pytest

from tests.visit.visit_cases import ENGINE, replace
from vaclog.cards import EngineCard
from vaclog.units import advance_from_dwell_deg, dwell_deg, dwell_percent, mm_from_inch
from vaclog.visit.questions import QUESTIONS, point


@pytest.mark.parametrize(
    ("cylinders", "angle_deg", "percent"),
    [(4, 45.0, 50.0), (4, 50.0, 55.56), (6, 38.0, 63.33), (8, 28.0, 62.22)],
)
def test_dwell_in_both_units(cylinders: int, angle_deg: float, percent: float) -> None:
    """Dwell % = angle x cylinders / 360 (geometry; values recomputed)."""
    assert dwell_percent(angle_deg, cylinders) == pytest.approx(percent, abs=0.005)
    assert dwell_deg(percent, cylinders) == pytest.approx(angle_deg, abs=0.005)
    engine = EngineCard(cylinders=cylinders)
    for value, unit in ((angle_deg, "deg"), (percent, "%")):
        made = point("points", "yes", engine=engine, value=value, unit=unit)
        assert made.verdict == "in order"
        assert made.value == pytest.approx(angle_deg, abs=0.005) and made.unit == "deg"
        assert f"{angle_deg:.0f}° of {360 / cylinders:.0f}°" in made.text


@pytest.mark.parametrize(
    ("cylinders", "low_deg", "high_deg"), [(4, 45, 60), (6, 35, 41), (8, 26, 33)]
)
def test_ordinary_dwell_is_in_order(cylinders: int, low_deg: float, high_deg: float) -> None:
    """45-60, 35-41 and 26-33 degrees (common practice)."""
    engine = EngineCard(cylinders=cylinders)
    for angle_deg in (low_deg, high_deg):
        made = point("points", "yes", engine=engine, value=angle_deg, unit="deg")
        assert made.verdict == "in order", made.text


def test_dwell_in_the_wrong_unit_is_noticed() -> None:
    """45 to 60 degrees of a four-cylinder given as per cent would pass; 33 % would not."""
    made = point("points", "yes", engine=EngineCard(cylinders=8), value=52.0, unit="deg")
    assert made.verdict == "doubtful" and "per cent mixed up" in made.text


def test_a_degree_of_dwell_is_a_degree_of_crank() -> None:
    """Heel wear closes the points: dwell rises, timing retards (common practice; geometry of a
    symmetric cam)."""
    assert advance_from_dwell_deg(3.0) == -3.0


def test_plug_gaps_in_inches() -> None:
    """0.025 in = 0.635 mm (definition of the inch, 1959)."""
    assert mm_from_inch(0.025) == pytest.approx(0.635)
    made = point("plugs", "yes", engine=ENGINE, value=0.025, unit="in")
    assert made.verdict == "in order" and made.value == pytest.approx(0.635)
    slip = point("plugs", "yes", engine=ENGINE, value=0.025)
    assert slip.verdict == "doubtful" and "0.025in" in slip.text


@pytest.mark.parametrize(
    ("strobe_deg", "verdict", "way"),
    [
        (10.0, "in order", ""),
        (12.9, "in order", ""),
        (13.0, "doubtful", "retard"),
        (6.5, "doubtful", "advance"),
    ],
)
def test_three_degrees_off_the_figure(strobe_deg: float, verdict: str, way: str) -> None:
    """3 to 4 degrees or more off is corrected before a vacuum sweep (common practice)."""
    made = point("baseline", "yes", engine=ENGINE, value=strobe_deg)
    assert made.verdict == verdict and way in made.text and made.value == strobe_deg


def test_last_times_setting_is_no_fault() -> None:
    """Retarded against pinking last year, it need not go back to the maker's figure now."""
    made = point("baseline", "yes", engine=ENGINE, value=5.8, left_deg=5.6)
    assert made.verdict == "in order" and "last time" in made.text
    assert point("baseline", "yes", engine=ENGINE, value=5.8, left_deg=9.0).verdict == "doubtful"


def test_weights_that_move_at_idle_belong_to_the_figure() -> None:
    """A strobe at idle reads the static figure and what the weights already add."""
    engine = replace(ENGINE, centrifugal=((600.0, 0.0), (1100.0, 10.0)))
    assert point("baseline", "yes", engine=engine, value=15.0).verdict == "in order"
    assert point("baseline", "yes", engine=engine, value=10.0).verdict == "doubtful"


def test_every_question_can_be_answered_each_way() -> None:
    """No is doubtful with something to do, unless it costs certainty only; skip is left out."""
    for key, question in QUESTIONS.items():
        assert question.ask.endswith(("?", ".")) and question.if_no
        assert point(key, "yes", engine=ENGINE).verdict == "in order"
        no = point(key, "no", engine=ENGINE)
        assert no.verdict == ("not known" if question.soft else "doubtful") and no.text
        assert point(key, "skip", engine=ENGINE).verdict == "left out"


def test_an_odd_idle_outweighs_a_yes() -> None:
    """A number beside the card's is doubtful whatever was said."""
    assert point("idle_speed", "yes", engine=ENGINE, value=1100.0).verdict == "doubtful"
    assert point("idle_speed", "yes", engine=ENGINE, value=880.0).verdict == "in order"
