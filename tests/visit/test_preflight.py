"""Points that a capture shows: each doubt by its own cause, and "not known" where nothing shows."""

from __future__ import annotations

from typing import Any

import pytest

from tests.visit.visit_cases import CARD, SOUND, replace, result
from vaclog.result import Candidate, Checks, Result, Sign, SignKey
from vaclog.visit.preflight import MEASURED, measured_points
from vaclog.visit.records import Point


def seen(made: Result, card: str = CARD) -> dict[str, Point]:
    """Points by key."""
    points = measured_points(made, card)
    assert [each.key for each in points] == list(MEASURED)
    assert all(each.measured and each.text for each in points)
    return {each.key: each for each in points}


def test_an_engine_in_order() -> None:
    """Nothing is doubtful, nothing is unknown."""
    points = seen(result(checks=SOUND))
    assert {each.verdict for each in points.values()} == {"in order"}


def test_nothing_seen_is_not_in_order() -> None:
    """Without numbers every point is not known, each with what would show it."""
    points = seen(result(checks=Checks(), barometer_kpa=None))
    assert {each.verdict for each in points.values()} == {"not known"}
    assert {each.verdict for each in seen(result()).values()} == {"not known"}


@pytest.mark.parametrize(
    ("key", "changes", "word"),
    [
        ("sensor", {"rail_per_thousand": 40.0}, "end stop"),
        ("sensor", {"still_noise_kpa": 3.0}, "jitters"),
        ("sensor", {"still_kpa": 92.0}, "rig card"),
        ("supply", {"cranking_rise_kpa": 4.0}, "sags"),
        ("cranking", {"cranking_rpm": 70.0}, "battery"),
        ("cranking", {"cranking_vacuum_kpa": 1.5}, "leak"),
        ("warm", {"rpm_slope_per_min": 60.0}, "not warm"),
        ("warm", {"kpa_slope_per_min": -1.5}, "not warm"),
        ("idle_speed", {"idle_rpm": 1250.0}, "weights already add"),
        ("idle_speed", {"idle_rpm": 700.0}, "idle screw"),
        ("steady", {"sweep_u_deg": 2.5}, "hunting"),
        ("air_leak", {"idle_vacuum_kpa": 35.0}, "air leak"),
        ("vacuum_off", {"follows_vacuum": "at idle"}, "still on"),
    ],
)
def test_each_doubt_has_its_own_cause(key: str, changes: dict[str, Any], word: str) -> None:
    """One thing wrong makes one point doubtful, and the text says what to do."""
    points = seen(result(checks=replace(SOUND, **changes)))
    assert [each.key for each in points.values() if each.verdict == "doubtful"] == [key]
    assert word in points[key].text


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"still_noise_kpa": 3.0},
        {"still_kpa": 92.0},
        {"cranking_rise_kpa": 4.0},
        {"kpa_slope_per_min": -1.5},
    ],
)
def test_every_sentence_is_in_the_unit_of_a_gauge(changes: dict[str, Any]) -> None:
    """Two units side by side are read as one; open air at sea level is 29.9 inHg."""
    told = " ".join(each.text for each in seen(result(checks=replace(SOUND, **changes))).values())
    assert "kPa" not in told and "inHg" in told
    if not changes:
        assert "29.9 inHg" in told


def test_a_sign_of_the_vacuum_speaks_at_its_point() -> None:
    """With its number, in the unit of a gauge (3.386389 kPa an inch), and its candidates."""
    sign = Sign(
        key="low",
        text="The vacuum is low for this height",
        number=3 * 3.386389,
        u=0.5,
        unit="kPa",
        threshold=6.0,
        false_alarm=0.001,
        candidates=(Candidate(text="an air leak", basis="common practice"),),
        next_look="Pinch the hoses one by one.",
    )
    leak = seen(replace(result(checks=SOUND), signs=(sign,)))["air_leak"]
    assert leak.verdict == "doubtful"
    for words in ("3.0 inHg", "an air leak", "Pinch"):
        assert words in leak.text


def test_every_sign_has_a_point() -> None:
    """A new pattern must be given its place."""
    from typing import get_args

    from vaclog.visit.preflight import _POINT_OF

    assert set(_POINT_OF) == set(get_args(SignKey)) and set(_POINT_OF.values()) <= set(MEASURED)


def test_a_short_look_settles_nothing() -> None:
    """A trend that cannot be told is not known, not in order."""
    vague = replace(SOUND, u_rpm_slope_per_min=40.0, rpm_slope_per_min=30.0)
    assert seen(result(checks=vague))["warm"].verdict == "not known"
    stray = replace(SOUND, follows_vacuum=None, opening_drop_deg=2.5, u_opening_drop_deg=1.4)
    assert "stray" in seen(result(checks=stray))["vacuum_off"].text
    brief = replace(SOUND, cranking_s=1.0)
    assert seen(result(checks=brief))["cranking"].verdict == "not known"


def test_gaps_are_a_doubt_of_the_supply() -> None:
    """A board that restarted lost data."""
    assert seen(result(checks=SOUND, gaps=2))["supply"].verdict == "doubtful"


@pytest.mark.parametrize(
    ("altitude_m", "air_kpa"), [(0, 101.325), (500, 95.461), (1500, 84.560), (3000, 70.121)]
)
def test_the_sensor_is_compared_with_the_altitude(altitude_m: int, air_kpa: float) -> None:
    """Standard atmosphere at a geometric altitude (ISO 2533:1975): in order within weather and
    sensor, doubtful well beyond both."""
    card = CARD.replace("altitude_m = 0", f"altitude_m = {altitude_m}")
    for off_kpa, verdict in ((0.0, "in order"), (4.0, "in order"), (-9.0, "doubtful")):
        checks = replace(SOUND, still_kpa=air_kpa + off_kpa)
        assert seen(result(checks=checks), card)["sensor"].verdict == verdict


def test_high_up_less_vacuum_is_normal() -> None:
    """About 1 inHg less per 1000 ft (common practice): low at the sea is not low at 3000 m."""
    high = CARD.replace("altitude_m = 0", "altitude_m = 3000")
    checks = replace(SOUND, still_kpa=70.1, idle_vacuum_kpa=12.5 * 3.38639)
    assert seen(result(checks=checks, barometer_kpa=70.1), high)["air_leak"].verdict == "in order"
    at_sea = replace(checks, still_kpa=101.3)
    assert seen(result(checks=at_sea))["air_leak"].verdict == "doubtful"
