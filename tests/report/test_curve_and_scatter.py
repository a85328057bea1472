"""The fan of angles, and what is said of curve and sparks."""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from typing import Any

import pytest
from report_cases import CASES

from vaclog.report import fan, page, text
from vaclog.report.words.curve import CURVE as CURVE_TITLE
from vaclog.report.words.curve import curve
from vaclog.report.words.scatter import SCATTER, scatter
from vaclog.result import (
    CurveSeen,
    CurveSpot,
    Result,
    SlotSeen,
    SparkScatter,
    faults,
    from_json,
    to_json,
)

RPM = tuple(float(rpm) for rpm in range(900, 3600, 100))
DEG = tuple(min(max(rpm - 1000.0, 0.0) * 0.011, 22.0) for rpm in RPM)
CURVE = CurveSeen(
    rpm=RPM,
    added_deg=DEG,
    low_deg=tuple(deg - 0.4 for deg in DEG),
    high_deg=tuple(deg + 0.4 for deg in DEG),
    card_deg=DEG,
    idle_rpm=850.0,
    most_rpm=3550.0,
    start_rpm=1000.0,
    u_start_rpm=15.0,
    all_in_rpm=3000.0,
    u_all_in_rpm=30.0,
    most_deg=22.0,
    u_most_deg=0.2,
    slope_deg_per_1000rpm=11.0,
    u_slope_deg_per_1000rpm=0.2,
    all_seen=True,
    friction_deg=0.05,
    u_friction_deg=0.1,
    lag_s=0.15,
    u_lag_s=0.03,
    delay_us=0.0,
    u_delay_us=15.0,
    stays_out_deg=0.0,
    u_stays_out_deg=0.05,
    hose="off",
    total_now_deg=32.0,
    u_total_deg=1.2,
    max_total_deg=34.0,
    from_card_deg=22.0,
    rev_ups=1,
    sparks=400,
)
STEADY = SparkScatter(
    cycles=250,
    total_deg=0.22,
    sensor_deg=0.04,
    speed_deg=0.02,
    real_deg=0.21,
    low_deg=0.19,
    high_deg=0.23,
    alternate_deg=0.01,
    u_alternate_deg=0.01,
    per_100rpm_deg=0.0,
    u_per_100rpm_deg=0.1,
)


def a_result(**parts: Any) -> Result:
    base = CASES["found"]
    return replace(base, **parts)


def curve_said(**parts: Any) -> str:
    return " ".join(curve(a_result(curve=replace(CURVE, **parts))))


def scatter_said(**parts: Any) -> str:
    return " ".join(scatter(a_result(scatter=replace(STEADY, **parts))))


def test_nothing_seen_nothing_said_nothing_drawn() -> None:
    bare = a_result(curve=None, scatter=None)
    assert curve(bare) == ()
    assert scatter(bare) == ()
    assert fan.svg(bare) == ""


def test_the_parts_survive_the_document_and_keep_their_rules() -> None:
    whole = a_result(curve=replace(CURVE, spots=(_spot("late"),)), scatter=STEADY)
    assert faults(whole) == []
    again = from_json(to_json(whole))
    assert to_json(again) == to_json(whole)
    assert again.scatter == STEADY
    wrong = a_result(curve=replace(CURVE, low_deg=CURVE.high_deg))
    assert any("band" in fault for fault in faults(wrong))
    assert any("outside" in f for f in faults(a_result(scatter=replace(STEADY, low_deg=0.3))))


def _spot(kind: str) -> CurveSpot:
    return CurveSpot(kind=kind, from_rpm=1500.0, to_rpm=2100.0, off_deg=-3.0, u_off_deg=0.3)  # type: ignore[arg-type]


def test_a_sound_curve_is_told_with_its_doubt() -> None:
    said = curve_said()
    assert "begin to move at 1000 ± 30 rpm" in said
    assert "all in by 3000 ± 60 rpm" in said
    assert "22.0 ± 0.4° above idle" in said
    assert "No sticking of the weights was seen" in said
    assert "comes to 32.0 ± 2.4°; the maker allows 34.0°" in said
    assert "larger is counted" in said


@pytest.mark.parametrize("kind", ["flat", "late", "early"])
def test_odd_stretches_name_candidates_and_no_verdict(kind: str) -> None:
    said = curve_said(spots=(_spot(kind),))
    assert "Between 1500 and 2100 rpm" in said
    assert "could be" in said
    assert "common practice" in said
    assert "do not tell which" in said


def test_friction_is_told_only_beyond_its_doubt() -> None:
    assert "weights that stick" in curve_said(friction_deg=0.8, u_friction_deg=0.1)
    assert "weights that stick" not in curve_said(friction_deg=0.8, u_friction_deg=0.4)
    assert "too quick to tell" in curve_said(friction_deg=0.8, u_friction_deg=0.4)
    assert "vacuum advance" in curve_said(friction_deg=-1.5, u_friction_deg=0.1)
    assert "do not come home" in curve_said(stays_out_deg=1.5, u_stays_out_deg=0.1)


def test_an_end_not_seen_asks_for_more() -> None:
    said = curve_said(all_in_rpm=None, u_all_in_rpm=None, all_seen=False)
    assert "end of their way was not seen" in said
    assert "already at idle" in curve_said(start_rpm=None, u_start_rpm=None, moving_at_idle=True)


def test_distributor_degrees_on_the_card_are_suspected() -> None:
    assert "Double both" in curve_said(from_card_deg=11.0)
    assert "about half" in curve_said(from_card_deg=44.0)
    assert "Double both" not in curve_said(from_card_deg=15.0)


def test_a_hose_that_is_on_comes_first() -> None:
    points = curve(
        a_result(curve=replace(CURVE, hose="manifold", hose_swing_deg=9.0, u_hose_swing_deg=0.5))
    )
    assert "Take its hose off, plug it" in points[0]
    assert "9.0 ± 1.0°" in points[0]


def test_steadiness_and_play() -> None:
    assert "That is steady" in scatter_said()
    worn = scatter_said(real_deg=0.9, low_deg=0.8, high_deg=1.0)
    assert "worth looking at the distributor's drive" in worn
    assert "common practice" in worn
    assert "0.80–1.00°" in worn
    doubt = scatter_said(real_deg=0.6, low_deg=0.4, high_deg=0.8)
    assert "worth looking" not in doubt
    assert "That is steady" not in doubt


def test_more_scatter_at_speed_is_said() -> None:
    assert "In rev-ups, around 2200 rpm" in scatter_said(at_speed_deg=0.8, at_speed_rpm=2200.0)
    assert "In rev-ups" not in scatter_said(at_speed_deg=0.25, at_speed_rpm=2200.0)


def test_every_other_spark_only_with_evidence() -> None:
    assert "two of its turns" in scatter_said(alternate_deg=0.4, u_alternate_deg=0.03)
    assert "two of its turns" not in scatter_said(alternate_deg=0.4, u_alternate_deg=0.2)


def test_the_earliest_cylinder_is_named_and_an_uneven_engine_is_left_alone() -> None:
    slots = tuple(
        SlotSeen(
            slot=n, cylinder=c, ahead_deg=a, u_ahead_deg=0.1, pull_percent=p, u_pull_percent=0.1
        )
        for n, c, a, p in ((1, 1, 0.0, 0.3), (2, 3, 1.5, 0.3), (3, 4, -0.8, -1.2), (4, 2, 0.4, 0.6))
    )
    known: dict[str, Any] = {
        "slots": slots,
        "earliest_slot": 2,
        "earliest_cylinder": 3,
        "ahead_deg": 1.5,
        "u_ahead_deg": 0.1,
        "spread_deg": 2.3,
        "u_spread_deg": 0.15,
    }
    said = scatter_said(**known)
    assert "Cylinder 3 sparks 1.5° (± 0.2°) ahead" in said
    assert "would pink first" in said
    assert "After the spark of cylinder 4 the crank is 1.2 %" in said
    uneven = scatter_said(**{**known, "uneven": True, "spread_deg": 45.0})
    assert "by design" in uneven
    assert "pink first" not in uneven


@pytest.mark.parametrize("shape", ["wide", "tall"])
@pytest.mark.parametrize("turns", ["clockwise", "counterclockwise", None])
def test_the_fan_is_a_drawing_that_opens_against_the_rotor(shape: Any, turns: Any) -> None:
    case = a_result(curve=CURVE)
    case = replace(case, advice=replace(case.advice, rotor_turns=turns, set_deg=9.0))
    drawn = fan.svg(case, shape=shape)
    root = ET.fromstring(drawn)
    width = float(root.attrib["viewBox"].split()[2])
    words = {
        node.text: float(node.attrib["x"]) for node in root.iter() if node.tag.endswith("text")
    }
    idle, most = words["0.0°"], words["22.0°"]
    assert (most < idle) == (turns != "counterclockwise")
    assert words["25.0°"] > 0  # the gate: 34 less 9
    for word, x in words.items():
        assert word is not None
        assert 0.0 < x < width
    assert "card" not in drawn or "var(" not in drawn
    assert "3500 rpm 22.0°" in root.attrib["aria-label"]


def test_the_angles_on_paper_are_the_curve_times_a_factor() -> None:
    """Measured from the drawn sticks, not from the code that lays them out."""
    drawn = fan.svg(a_result(curve=CURVE))
    times = float(re.findall(r"drawn ([\d.]+) times", drawn)[0])
    hub = [float(v) for v in re.findall(r'<circle cx="([\d.]+)" cy="([\d.]+)"', drawn)[0]]
    tips = re.findall(r'L([\d.]+) ([\d.]+)"[^>]*stroke-width="2.6"', drawn)
    angles = [math.degrees(math.atan2(float(x) - hub[0], hub[1] - float(y))) for x, y in tips]
    labels = [float(v) for v in re.findall(r'bold">([\d.]+)°', drawn)][: len(angles)]
    first = angles[0]
    for angle, label in zip(angles, labels, strict=True):
        assert abs(abs(angle - first) - times * label) < 0.6 * times * 0.1 + 0.5


def test_page_and_text_carry_them() -> None:
    case = a_result(curve=CURVE, scatter=STEADY)
    html = page.render(case, "inHg")
    assert html.count('class="fan"') == 1
    assert "var(--ball)" in html
    told = text.render(case, "inHg")
    assert CURVE_TITLE in told
    assert SCATTER in told
    assert page.render(a_result(curve=None), "inHg").count('class="fan"') == 0
