"""What was measured before decides the cap of what comes after."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from tests.visit.visit_cases import CARD, answered, brought_to, capture
from vaclog.analysis.advice.limits import added_at_speed, total_limit
from vaclog.visit.engine_now import engine_now
from vaclog.visit.records import Visit
from vaclog.visit.steps import take

BARE = 'name = "Old engine"\nstatic_deg = 10.0\nidle_rpm = 850\nmax_total_deg = 36.0\n'


def with_curve(card: str, most_deg: float, **seen: Any) -> Visit:
    """A visit whose rev-up showed a curve up to so many degrees, 95 % within 1 degree."""
    told = take(brought_to("curve", card), capture("curve", hose="off"))
    made = told.captures[-1]
    assert made.result.curve is not None
    curve = replace(
        made.result.curve,
        added_deg=(0.0, most_deg),
        low_deg=(-0.5, most_deg - 0.98),
        high_deg=(0.5, most_deg + 0.98),
        **{"all_seen": True, **seen},
    )
    result = replace(made.result, curve=curve)
    return replace(told, captures=(*told.captures[:-1], replace(made, result=result)))


def test_no_curve_on_the_card_then_the_measured_one_makes_the_cap() -> None:
    """36 in all less 24 measured, less 2 sqrt(0.5^2 + 0.5^2) = 1.41: 10.59 (by hand)."""
    card = engine_now(with_curve(BARE, 24.0))
    added, _ = added_at_speed(card, None, 850.0)
    limit = total_limit(card, added, u_deg=0.5)
    assert added is not None and added.source == "measured"
    assert added.u_added_deg == pytest.approx(0.5)
    assert limit is not None and limit.angle_deg == pytest.approx(10.59, abs=0.01)
    assert "(measured)" in limit.why


def test_a_curve_that_grew_on_makes_no_cap() -> None:
    """No cap, no number: an end that was not seen is none."""
    assert engine_now(with_curve(BARE, 24.0, all_seen=False)).centrifugal is None


def test_the_larger_of_card_and_measurement_decides() -> None:
    """22 on the card: 24 measured replaces it, 20 does not."""
    assert engine_now(with_curve(CARD, 24.0)).centrifugal_measured
    assert not engine_now(with_curve(CARD, 20.0)).centrifugal_measured


def test_a_curve_with_the_hose_on_is_none() -> None:
    """What the canister adds is not the weights'."""
    assert not engine_now(with_curve(CARD, 30.0, hose="manifold")).centrifugal_measured


def test_weights_that_move_at_idle_stay_in_the_figure() -> None:
    """The card adds 5 degrees at 850 rpm; the measured curve begins there."""
    card = CARD.replace("[1000, 0]", "[600, 0]").replace("[1500, 10]", "[1100, 10]")
    now = engine_now(with_curve(card, 24.0))
    assert now.centrifugal is not None
    assert now.centrifugal[0] == (850.0, 5.0) and now.centrifugal[-1][1] == 29.0


def test_a_verified_top_counts_at_once() -> None:
    """Answered yes, it lifts the limits in this visit; the card in the garage stays."""
    visit = brought_to("sweep")
    assert engine_now(visit).tdc_verified
    told = replace(visit, points=tuple(p for p in visit.points if p.key != "tdc"))
    assert not engine_now(told).tdc_verified
    assert not engine_now(take(told, answered("tdc", "no"))).tdc_verified
