"""Limits and the side of the hill, each by itself and to the digit."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from advice_cases import ENGINE, SMOOTH, hill, rev_up, situation, stumbling

from vaclog.analysis.advice.advise import advise, judge
from vaclog.analysis.advice.hill_side import crest_at_least_deg, hill_kpa, retard_side
from vaclog.analysis.advice.limits import (
    added_at_idle_deg,
    added_at_speed,
    maker_limit,
    misfire_limit,
    total_limit,
)
from vaclog.analysis.findings import CurveFinding, SweepFit
from vaclog.cards import EngineCard

MOVING = replace(ENGINE, centrifugal=((600.0, 0.0), (1600.0, 10.0), (3000.0, 24.0)))


def measured(rpm: list[float], added: list[float]) -> CurveFinding:
    return CurveFinding(
        rpm=np.array(rpm),
        added_deg=np.array(added),
        u_added_deg=np.full(len(rpm), 0.4),
        max_rpm=max(rpm),
    )


# --- what the weights add ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("engine", "rpm", "added"),
    [
        (MOVING, 850.0, 2.5),
        (MOVING, None, 2.5),  # the card's idle speed serves
        (replace(MOVING, idle_rpm=None), None, 0.0),
        (replace(MOVING, centrifugal=None), 850.0, 0.0),
        (MOVING, 500.0, 0.0),
        (replace(ENGINE, centrifugal=((600.0, -3.0), (3000.0, 20.0))), 600.0, 0.0),
    ],
)
def test_added_at_idle(engine: EngineCard, rpm: float | None, added: float) -> None:
    assert added_at_idle_deg(engine, rpm) == pytest.approx(added)


def test_card_curve_counts_from_idle() -> None:
    added, remarks = added_at_speed(MOVING, None, 850.0)
    assert added is not None
    assert (added.added_deg, added.u_added_deg, added.source) == (pytest.approx(21.5), 0.0, "card")
    assert remarks == ()


def test_curves_that_agree_need_no_word() -> None:
    added, remarks = added_at_speed(MOVING, rev_up(24.0, 4000.0), 850.0)
    assert added is not None
    assert (added.added_deg, added.source) == (pytest.approx(24.0), "measured")
    assert added.u_added_deg == pytest.approx(0.3)
    assert remarks == ()


@pytest.mark.parametrize("off_deg", [-3.2, 3.2])
def test_curves_that_differ_get_one(off_deg: float) -> None:
    added, remarks = added_at_speed(MOVING, rev_up(21.5 + off_deg, 4000.0), 850.0)
    assert added is not None
    assert added.added_deg == pytest.approx(max(21.5, 21.5 + off_deg))
    (remark,) = remarks
    assert f"{21.5 + off_deg:.1f}°" in remark
    assert "card says 21.5°" in remark


def test_a_rev_up_cut_short_counts_only_where_it_passed_the_card() -> None:
    short = measured([850, 1500, 2000], [0.0, 9.0, 15.0])
    added, remarks = added_at_speed(MOVING, short, 850.0)
    assert added is not None
    assert added.added_deg == pytest.approx(21.5)
    assert remarks == ()
    passed = measured([850, 1500, 2400], [0.0, 18.0, 27.0])
    added, remarks = added_at_speed(MOVING, passed, 850.0)
    assert added is not None
    assert added.added_deg == pytest.approx(27.0)
    assert "reached only 2400 rpm" in remarks[0]
    alone, _ = added_at_speed(replace(MOVING, centrifugal=None), passed, 850.0)
    assert alone is None


@pytest.mark.parametrize(
    ("rpm", "added", "usable"),
    [
        ([1000, 1500, 2000, 2500, 2700, 3000], [0, 8, 16, 20.0, 20.4, 20.5], True),
        ([1000, 1500, 2000, 2500, 2700, 3000], [0, 8, 16, 18.0, 19.0, 20.5], False),
        # Level over less than a fifth of the speeds is no end.
        ([1000, 1500, 2000, 2400, 2650, 2950, 3000], [0, 8, 15, 17, 18, 20.4, 20.5], False),
        ([1000, 2000, 3000], [0, 10, 20], False),  # one point says nothing of level
        ([1000, 2000, 3600], [0, 10, 20], True),  # as far as any curve goes
        ([1000, 1500, 1900, 2000], [0.0, 0.2, 0.3, 0.3], False),  # weights not moving yet
    ],
)
def test_when_a_rev_up_has_seen_all(rpm: list[float], added: list[float], usable: bool) -> None:
    found, _ = added_at_speed(EngineCard(), measured(rpm, added), None)
    assert (found is not None) == usable


# --- limits to the digit -------------------------------------------------------------------------


def test_total_limit_and_its_reason() -> None:
    added, _ = added_at_speed(MOVING, None, 850.0)
    limit = total_limit(MOVING, added, 1.0, ahead_deg=1.5)
    assert limit is not None
    assert limit.nominal_deg == pytest.approx(34 - 21.5 - 1.5)
    assert limit.angle_deg == pytest.approx(9.0)
    for part in ("34° in all", "21.5°", "1.5° for the earliest", "2.0° for what"):
        assert part in limit.why
    plain = total_limit(MOVING, added, 1.0)
    assert plain is not None
    assert "earliest" not in plain.why


def test_maker_limit_and_its_reason() -> None:
    limit = maker_limit(MOVING, 2.5, 0.75, ahead_deg=1.0)
    assert limit is not None
    assert limit.nominal_deg == pytest.approx(10 + 2 + 2.5 - 1.0)
    assert limit.angle_deg == pytest.approx(12.0)
    for part in ("10° with 2°", "2.5° that the weights", "1.0° for the earliest", "1.5° for what"):
        assert part in limit.why
    plain = maker_limit(MOVING, 0.0, 0.75)
    assert plain is not None
    assert "weights" not in plain.why
    assert "earliest" not in plain.why


def test_misfire_limit() -> None:
    assert misfire_limit(SMOOTH, 1.0) is None
    for u_onset, u_deg, margin in ((0.5, 0.5, 2.0), (1.5, 0.5, 3.0), (0.5, 2.0, 4.0)):
        limit = misfire_limit(stumbling(30.0, u_onset), u_deg)
        assert limit is not None
        assert limit.angle_deg == pytest.approx(30 - margin)
        assert f"{margin:.1f}° of margin" in limit.why
    unknown = misfire_limit(stumbling(30.0, math.nan), None)
    assert unknown is not None
    assert unknown.angle_deg == pytest.approx(28.0)


def test_limits_that_cannot_be_judged_are_left_out() -> None:
    added, _ = added_at_speed(MOVING, None, 850.0)
    assert total_limit(MOVING, added, None) is None
    assert total_limit(MOVING, None, 1.0) is None
    assert total_limit(replace(MOVING, max_total_deg=None), added, 1.0) is None
    assert maker_limit(MOVING, 0.0, None) is None
    assert maker_limit(replace(MOVING, static_deg=None), 0.0, 1.0) is None


# --- the side of the hill ------------------------------------------------------------------------


def straight(swept: tuple[float, float], slope_kpa: float) -> SweepFit:
    """A hill that only climbs, evenly; its top was not reached."""
    fit = hill(40.0, swept=swept, found=False, side=1)
    return replace(fit, curve_kpa=45.0 - slope_kpa * (fit.curve_deg - swept[0]))


def test_between_grid_points_the_side_is_a_straight_line() -> None:
    fit = replace(
        hill(30.0),
        angle_deg=20.0,
        curve_deg=np.array([0.0, 10.0, 20.0, 30.0]),
        curve_kpa=np.array([44.0, 42.0, 40.0, 43.0]),
        swept_low_deg=0.0,
    )
    for drop, deg in ((1.0, 15.0), (2.0, 10.0), (3.0, 5.0)):
        point = retard_side(fit, drop)
        assert point is not None
        assert point.angle_deg == pytest.approx(deg)
    between = retard_side(replace(fit, angle_deg=15.0), 0.5)  # crest between two points
    assert between is not None
    assert between.angle_deg == pytest.approx(12.5)


def test_a_second_hollow_further_down_does_not_count() -> None:
    fit = replace(
        hill(30.0),
        angle_deg=30.0,
        curve_deg=np.array([0.0, 10.0, 20.0, 30.0, 40.0]),
        curve_kpa=np.array([44.0, 40.5, 42.0, 40.0, 41.0]),
    )
    point = retard_side(fit, 1.0)
    assert point is not None
    assert point.angle_deg == pytest.approx(25.0)


def test_a_climb_without_a_top_goes_on_evenly_below_the_sweep() -> None:
    point = retard_side(straight((10.0, 20.0), 0.1), 1.5)
    assert point is not None
    assert point.angle_deg == pytest.approx(20.0 - 15.0)
    assert point.extrapolated
    assert retard_side(straight((10.0, 20.0), -0.1), 1.5) is None, "downhill has no such side"


def test_where_misfires_ended_the_sweep_their_onset_stands_for_the_crest() -> None:
    """The drop is counted from there: beyond it no vacuum was ever seen to rise."""
    fit = replace(hill(28.0, swept=(6.0, 22.0), found=False, side=1), low_deg=26.0)
    case = situation(fit, misfire=stumbling(20.0, 0.2))
    told = advise(case)
    at_kpa = np.interp([told.hill_deg or 0.0, 20.0], fit.curve_deg, fit.curve_kpa)
    assert at_kpa[0] - at_kpa[1] == pytest.approx(case.drop_kpa, rel=1e-6)
    assert any("Stumbling begins at 20.0°" in each for each in told.warnings)
    beyond = advise(situation(fit, misfire=stumbling(31.0, 0.2)))
    assert not any("Stumbling begins" in each for each in beyond.warnings)
    assert beyond.hill_deg is not None and beyond.hill_deg > (told.hill_deg or 0.0) + 0.5
    passed = advise(situation(hill(28.0, swept=(6.0, 40.0)), misfire=stumbling(20.0, 0.2)))
    smooth = advise(situation(hill(28.0, swept=(6.0, 40.0))))
    assert passed.hill_deg == smooth.hill_deg, "a top that was passed is the top"


@pytest.mark.parametrize(
    ("low_deg", "crest_deg"), [(19.0, 19.0), (22.0, 22.0), (23.5, 23.5), (30.0, 24.5)]
)
def test_the_crest_is_looked_for_a_little_beyond_the_sweep(low_deg, crest_deg) -> None:
    """A top surely further on: the drop is counted from there, but not from far away."""
    lost = hill(32.0, swept=(8.0, 22.0), found=False, side=1)
    point = retard_side(replace(lost, low_deg=low_deg), 0.5)
    assert point is not None and point.extrapolated
    at_kpa = np.interp([point.angle_deg, crest_deg], lost.curve_deg, lost.curve_kpa)
    assert at_kpa[0] - at_kpa[1] == pytest.approx(0.5, abs=0.01)


def test_what_the_top_is_surely_ahead_of() -> None:
    assert crest_at_least_deg(hill(24.0)) == 24.0
    lost = hill(24.0, swept=(8.0, 22.0), found=False, side=0)
    assert crest_at_least_deg(lost) is None
    assert crest_at_least_deg(replace(lost, side=1)) == 22.0
    assert crest_at_least_deg(replace(lost, side=-1)) is None
    assert crest_at_least_deg(replace(lost, low_deg=19.0)) == 19.0
    assert crest_at_least_deg(replace(lost, low_deg=25.0)) == 22.0
    assert crest_at_least_deg(replace(lost, low_deg=8.0)) is None


@pytest.mark.parametrize("at_deg", [-5.0, 8.0, 20.3, 34.0, 45.0])
def test_the_hill_goes_on_as_a_parabola_outside_its_grid(at_deg: float) -> None:
    fit = hill(24.0, steep_kpa=0.01)
    assert hill_kpa(fit, at_deg) == pytest.approx(40 + 0.01 * (at_deg - 24) ** 2, abs=2e-3)
    assert (
        hill_kpa(replace(fit, curve_deg=fit.curve_deg[:2], curve_kpa=fit.curve_kpa[:2]), 9) is None
    )


def test_the_hill_leaves_its_grid_without_a_step() -> None:
    fit = hill(24.0)
    bent = replace(fit, curve_kpa=fit.curve_kpa + 0.3 * np.sin(fit.curve_deg))
    for end_deg in (8.0, 34.0):
        just_outside = hill_kpa(bent, end_deg + math.copysign(1e-6, end_deg - 20))
        assert just_outside == pytest.approx(hill_kpa(bent, end_deg), abs=1e-4)


# --- numbers of the advice -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("room_deg", "steps"),
    [(0.3, []), (0.6, [0.6]), (2.0, [2.0]), (4.3, [2.0, 4.0]), (5.0, [2.0, 4.0, 5.0])],
)
def test_steps_to_the_digit(room_deg: float, steps: list[float]) -> None:
    # Static with tolerance reads 12; the total allows so much more than that.
    engine = replace(ENGINE, max_total_deg=32.0 + room_deg)
    advice = advise(situation(hill(40.0, swept=(8.0, 44.0)), engine=engine))
    assert advice.set_deg is not None
    assert advice.limit == "maker's figure"
    assert [step - advice.set_deg for step in advice.steps_deg] == pytest.approx(steps)


@pytest.mark.parametrize("turn_deg", [-3.0, 0.5, 4.0])
def test_turn_in_millimetres_and_clicks(turn_deg: float) -> None:
    case = situation(hill(34.0), engine=replace(ENGINE, click_deg=0.25, body_radius_mm=40.0))
    set_deg = judge(case).limits[-1].angle_deg  # the maker's figure decides here
    assert advise(case).set_deg == pytest.approx(set_deg)
    at = replace(case, idle=replace(case.idle, angle_deg=set_deg - 2 * turn_deg))
    advice = advise(at)
    assert advice.turn_deg == pytest.approx(turn_deg)
    assert advice.turn_clicks == pytest.approx(turn_deg * 8)
    assert advice.turn_mm == pytest.approx(turn_deg * math.pi / 180 * 40)
    assert advice.home_mm == pytest.approx((10.0 - set_deg + 2 * turn_deg) / 2 * math.pi / 180 * 40)
