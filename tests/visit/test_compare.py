"""What changed between two visits, and what only seems to have."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from vaclog.result import CurveSeen, Misfire, Result, SparkScatter, from_json
from vaclog.units import SEA_LEVEL_KPA, standard_atmosphere_kpa
from vaclog.visit.change import FALSE_ALARM, Change, normal_change
from vaclog.visit.compare import Comparison, compare, found_deg
from vaclog.visit.records import Capture, Setting, Visit

SAMPLES = Path(__file__).parents[2] / "sample_captures"
RESULT = from_json((SAMPLES / "there_and_back.expected.json").read_text(encoding="utf-8"))
DOCUMENT = json.loads((SAMPLES / "there_and_back.expected.json").read_text(encoding="utf-8"))
# Last hold, and twice the way home of the body.
FIRST_HOLD_DEG = DOCUMENT["idle"]["angle_deg"] + 2 * DOCUMENT["advice"]["home_deg"]
RIG = "[mark]\nangle_deg = 20.0\nu_angle_deg = 0.5\n"


def visit(result: Result = RESULT, *, rig: str = RIG, reached_deg: float = 9.3) -> Visit:
    """A visit with one sweep and one setting."""
    return Visit(
        engine="Mill engine",
        rig_toml=rig,
        captures=(Capture(purpose="sweep", sha256="ab", path="a", result=result),),
        settings=(Setting(reached_deg=reached_deg, u_reached_deg=0.2, locked=True),),
    )


def with_peak(**changes: Any) -> Result:
    """The result with another top."""
    return replace(RESULT, peak=replace(RESULT.peak, **changes))


def the(key: str, found: Comparison) -> Change:
    """A figure that must be there."""
    change = found.of(key)
    assert change is not None, key
    return change


def test_a_visit_against_itself_has_not_changed() -> None:
    """Every figure that there is, with no difference."""
    same = visit(reached_deg=FIRST_HOLD_DEG)
    found = compare(same, same)
    keys = {"left and found", "setting", "peak", "idle speed", "idle vacuum", "misfire"}
    assert {change.key for change in found.changes} >= keys
    assert found.changed == ()
    assert all(change.difference == pytest.approx(0.0, abs=1e-9) for change in found.changes)


def test_the_top_moves_when_it_moves_by_more_than_both_say() -> None:
    """Statistical uncertainty of both and the mount of both, and what fuel and weather do."""
    u = math.sqrt(0.3**2 + 0.4**2 + 0.5**2 + 0.5**2 + 0.5**2 + 0.5**2)
    older = visit(with_peak(angle_deg=25.0, u_deg=0.3))
    for by, changed in ((2.80 * u, False), (2.82 * u, True), (-2.82 * u, True)):
        change = the("peak", compare(older, visit(with_peak(angle_deg=25.0 + by, u_deg=0.4))))
        assert change.u == pytest.approx(u)
        assert (change.difference, change.changed) == (pytest.approx(by), changed)
        assert (change.low, change.high) == pytest.approx((by - 1.96 * u, by + 1.96 * u))


def test_another_rig_does_not_share_its_scale() -> None:
    """The absolute uncertainties then come in."""
    one = visit(with_peak(u_deg=0.3, u_abs_deg=1.5))
    two = visit(with_peak(u_deg=0.3, u_abs_deg=2.0), rig=RIG.replace("20.0", "21.0"))
    found = compare(one, two)
    assert not found.same_rig
    assert the("peak", found).u == pytest.approx(math.hypot(2.5, 0.5, 0.5))


def test_a_top_that_only_one_of_them_has() -> None:
    """Is said, not compared."""
    lost = with_peak(found=False, why_not="not reached", angle_deg=None, u_deg=None)
    found = compare(visit(), visit(lost))
    assert found.of("peak") is None and "peak" in found.missing
    assert "peak" not in compare(visit(lost), visit(lost)).missing


@pytest.mark.parametrize("altitude_m", [0.0, 500.0, 1500.0])
def test_weather_and_altitude_do_not_look_like_a_loss_of_vacuum(altitude_m: float) -> None:
    """The same engine at another height by ISO 2533; the exact pressures stand in checks of units.

    At idle the charge, not the vacuum, is what friction asks for: 113 kPa of friction and the
    pumping work (outside less manifold) against 4.3 times the manifold pressure. This balance is
    solved here; the comparison only knows its slope.
    """
    sea_kpa = 101.325

    def manifold_kpa(outside_kpa: float) -> float:
        return (
            (113.0 + outside_kpa)
            / (1 + 4.3)
            * (RESULT.idle.pressure_kpa or 0)
            / ((113.0 + sea_kpa) / (1 + 4.3))
        )

    outside_kpa = standard_atmosphere_kpa(altitude_m)
    shift_kpa = manifold_kpa(outside_kpa) - manifold_kpa(sea_kpa)
    hill = RESULT.hill
    moved = replace(
        RESULT,
        barometer_kpa=outside_kpa,
        hill=replace(
            hill,
            curve_kpa=tuple(each + shift_kpa for each in hill.curve_kpa),
            low_kpa=tuple(each + shift_kpa for each in hill.low_kpa),
            high_kpa=tuple(each + shift_kpa for each in hill.high_kpa),
        ),
    )
    one = replace(RESULT, barometer_kpa=sea_kpa)
    change = the("idle vacuum", compare(visit(one), visit(moved)))
    assert not change.changed
    assert abs(change.difference) < 0.15
    raw_loss_kpa = (outside_kpa - sea_kpa) - shift_kpa
    if altitude_m == 1500.0:
        assert raw_loss_kpa < -12.0  # what a gauge would have lost: 3.7 inHg


def test_a_leak_does_look_like_a_loss_of_vacuum() -> None:
    """3 kPa more in the manifold at the same advance, at one place; the figure is at sea level."""
    hill = RESULT.hill
    leaking = replace(
        RESULT,
        hill=replace(
            hill,
            curve_kpa=tuple(each + 3.0 for each in hill.curve_kpa),
            low_kpa=tuple(each + 3.0 for each in hill.low_kpa),
            high_kpa=tuple(each + 3.0 for each in hill.high_kpa),
        ),
    )
    change = the("idle vacuum", compare(visit(), visit(leaking)))
    assert change.changed and change.difference == pytest.approx(-3.0)
    # The middle of what was swept; its pressure is read off the hill by numpy.
    peak = DOCUMENT["peak"]
    assert change.where == pytest.approx((peak["swept_low_deg"] + peak["swept_high_deg"]) / 2)
    expected_kpa = np.interp(change.where, hill.curve_deg, hill.curve_kpa)
    assert change.before == pytest.approx(SEA_LEVEL_KPA - expected_kpa)


def test_what_was_left_is_not_what_was_found() -> None:
    """The first hold of the newer visit, before the sweep turned anything."""
    assert found_deg(visit()) == pytest.approx(FIRST_HOLD_DEG)
    slipped = compare(visit(reached_deg=FIRST_HOLD_DEG + 4.0), visit())
    change = the("left and found", slipped)
    assert change.difference == pytest.approx(-4.0) and change.changed
    stayed = compare(visit(reached_deg=FIRST_HOLD_DEG + 0.5), visit())
    assert not the("left and found", stayed).changed


def test_misfire_is_compared_by_its_counts() -> None:
    """2 of 2000 against 3 of 2000 is nothing, 2 against 20 is something."""

    def misfiring(events: int) -> Visit:
        return visit(replace(RESULT, misfire=Misfire(events=events, cycles=2000)))

    assert not the("misfire", compare(misfiring(2), misfiring(3))).changed
    change = the("misfire", compare(misfiring(2), misfiring(20)))
    assert change.changed and change.low > 1.0
    assert (change.before, change.after) == (1.0, 10.0)


def scattering(real: float, low: float, high: float) -> Visit:
    """A visit whose spark scatters so much."""
    seen = SparkScatter(cycles=500, real_deg=real, low_deg=low, high_deg=high)
    return visit(replace(RESULT, scatter=seen))


def test_scatter_with_leaning_intervals() -> None:
    """Zou and Donner's limits by hand: below = sqrt((x2-l2)² + (h1-x1)²), and 4 % of each."""
    one, two = scattering(0.20, 0.05, 0.26), scattering(0.45, 0.38, 0.55)
    change = the("scatter", compare(one, two))
    assert change.low == pytest.approx(0.25 - math.hypot(0.07, 0.06, 1.96 * 0.008, 1.96 * 0.018))
    assert change.high == pytest.approx(0.25 + math.hypot(0.10, 0.15, 1.96 * 0.008, 1.96 * 0.018))
    assert change.changed
    assert not the("scatter", compare(one, scattering(0.27, 0.2, 0.4))).changed
    # Downwards the other sides count: 0.45 to 0.32 with 0.15 up and 0.07 down.
    assert not the("scatter", compare(two, scattering(0.32, 0.25, 0.42))).changed


def curve_visit(added: tuple[float, ...], *, idle_rpm: float = 800.0, half: float = 0.4) -> Visit:
    """A visit with a rev-up, in four speeds from idle on."""
    rpm = tuple(np.linspace(idle_rpm, 3200.0, len(added)).tolist())
    seen = CurveSeen(
        rpm=rpm,
        added_deg=added,
        low_deg=tuple(each - half for each in added),
        high_deg=tuple(each + half for each in added),
        idle_rpm=idle_rpm,
        most_rpm=3200.0,
        friction_deg=0.3,
        u_friction_deg=0.1,
    )
    return visit(replace(RESULT, curve=seen))


def test_the_curve_where_it_differs_most() -> None:
    """Weights that come late are found at the speed where it shows."""
    one = curve_visit((0.0, 8.0, 16.0, 20.0))
    change = the("curve", compare(one, curve_visit((0.0, 5.0, 15.0, 20.0))))
    assert change.changed and change.difference == pytest.approx(-2.8, abs=0.4)
    assert change.where == pytest.approx(1600.0, abs=330.0)
    assert not the("curve", compare(one, curve_visit((0.1, 8.2, 16.1, 20.2)))).changed
    assert the("sticking", compare(one, one)).difference == 0.0


def test_another_idle_is_no_other_curve() -> None:
    """The same weights, counted from 1000 rpm instead of 800."""
    one = curve_visit((0.0, 8.0, 16.0, 24.0))
    late = np.interp(np.linspace(1000.0, 3200.0, 4), np.linspace(800.0, 3200.0, 4), [0, 8, 16, 24])
    two = curve_visit(tuple((late - late[0]).tolist()), idle_rpm=1000.0)
    change = the("curve", compare(one, two))
    assert change.difference == pytest.approx(0.0, abs=1e-9)


def test_no_figure_in_common() -> None:
    """An empty visit can be compared with anything."""
    assert compare(Visit(), Visit()).changes == ()
    found = compare(Visit(), visit())
    assert found.changes == ()
    assert compare(visit(), Visit(rig_toml="[mark]\nangel_deg = 2\n")).changes == ()


def test_false_alarms_of_unchanged_pairs() -> None:
    """2000 pairs drawn with their stated uncertainties: as many alarms as promised, no more.

    0.5 % of 2000 is 10; 99.9 % of such counts lie between 1 and 21 (binomial).
    """
    rng = np.random.default_rng(11)
    draws = rng.normal(0.0, 1.0, (2000, 2))
    alarms = sum(
        normal_change("peak", "deg", 25 + 0.6 * a, 25 + 0.8 * b, 1.0).changed for a, b in draws
    )
    assert 1 <= alarms <= 21
    assert FALSE_ALARM == 0.005
