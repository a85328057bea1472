"""Low vacuum, at idle and under the starter."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq
from sign_cases import case, hill, idle

from vaclog.analysis.findings import Phase
from vaclog.analysis.signs.evidence import gather
from vaclog.analysis.signs.level import (
    LEAST_KPA,
    expected_cranking_kpa,
    find_low,
    find_low_cranking,
)
from vaclog.cards import EngineCard
from vaclog.simulator.engine import throttle_flow
from vaclog.units import SEA_LEVEL_KPA, from_kpa, standard_atmosphere_kpa


def low_case(kpa: float, **more: object):
    """An idle at a pressure."""
    return gather(case(idle(np.random.default_rng(1), kpa=kpa), **more))  # type: ignore[arg-type]


def test_fifteen_inches_less_its_uncertainty_is_the_threshold() -> None:
    """Just above and just below; told as the vacuum at sea level."""
    assert pytest.approx(50.796, abs=1e-3) == LEAST_KPA  # 15 × 3.386389, NIST SP 811
    assert find_low(low_case(SEA_LEVEL_KPA - LEAST_KPA + 1.5)) is None
    sign = find_low(low_case(SEA_LEVEL_KPA - LEAST_KPA + 3.0))
    assert sign is not None
    assert sign.number == pytest.approx(LEAST_KPA - 3.0, abs=0.4)
    assert sign.number < sign.threshold


def test_height_alone_is_no_sign() -> None:
    """At 2000 m a gauge reads 6.5 inHg less (ISO 2533; about 1 inHg per 1000 ft); no sign of wear.

    The same absolute pressure gives the same number at any height.
    """
    outside = standard_atmosphere_kpa(2000.0)
    assert from_kpa(outside - 42.0, "inHg") < 11.5
    assert find_low(low_case(42.0, barometer_kpa=outside)) is None
    high, sea = low_case(56.0, barometer_kpa=outside), low_case(56.0)
    one, two = find_low(high), find_low(sea)
    assert one is not None and two is not None
    assert one.number == pytest.approx(two.number)
    per_1000_ft = from_kpa(SEA_LEVEL_KPA - standard_atmosphere_kpa(304.8), "inHg")
    assert per_1000_ft == pytest.approx(1.066, abs=1e-3)  # ISO 2533, recomputed


def test_what_the_air_outside_was_taken_from_is_said() -> None:
    """Measured, from an altitude, or not known at all; less sure without a measurement."""
    measured = find_low(low_case(58.0))
    card = find_low(low_case(58.0, measured=False))
    unknown = find_low(low_case(58.0, barometer_kpa=None))
    assert measured is not None and card is not None and unknown is not None
    assert "measured here" in measured.text
    assert "altitude" in card.text
    assert "absolute pressure" in unknown.text
    assert measured.u < card.u == unknown.u


def test_late_ignition_comes_first_where_the_hill_shows_it() -> None:
    """Thirty degrees behind a top that is 9 kPa lower: the timing explains it."""
    fit = hill(26.0, 45.0)
    sign = find_low(low_case(54.0, fit=fit, advance_deg=-4.0))
    assert sign is not None
    assert sign.candidates[0].text.startswith("late ignition")
    assert sign.candidates[0].basis == "separated by data"
    assert sign.next_look.startswith("Set the timing first")


def test_late_at_the_makers_figure_doubts_the_mark() -> None:
    """The card says what the strobe says, and the hill disagrees: look at the mark first."""
    fit, engine = hill(26.0, 45.0), EngineCard(cylinders=4, static_deg=-4.0)
    sign = find_low(low_case(54.0, fit=fit, advance_deg=-4.0, engine=engine))
    assert sign is not None
    assert sign.candidates[1].text.startswith("a mark that slipped")
    assert sign.next_look.startswith("Verify top dead centre")
    engine = EngineCard(cylinders=4, static_deg=10.0)
    sign = find_low(low_case(54.0, fit=fit, advance_deg=-4.0, engine=engine))
    assert sign is not None
    assert not any("slipped" in each.text for each in sign.candidates)


def test_late_ignition_is_ruled_out_at_the_top() -> None:
    """As low, but on the top of its hill: the timing is not it, and the data say so."""
    sign = find_low(low_case(56.0, fit=hill(14.0, 56.0), advance_deg=12.0))
    assert sign is not None
    assert not sign.candidates[0].text.startswith("late")
    assert sign.candidates[-1].text.startswith("not the ignition")
    assert sign.candidates[-1].basis == "separated by data"


def test_an_advanced_engine_is_not_called_late() -> None:
    """Beyond the top there is vacuum to gain too, by going back."""
    sign = find_low(low_case(60.0, fit=hill(10.0, 52.0, bend=0.05), advance_deg=18.0))
    assert sign is not None
    assert not any(each.text.startswith("late ignition") for each in sign.candidates)


@pytest.mark.parametrize(("card", "word"), [(600.0, "much air"), (1100.0, "pulls badly")])
def test_idle_speed_orders_the_candidates(card: float, word: str) -> None:
    """Fast and low: air. Slow and low: torque."""
    engine = EngineCard(cylinders=4, idle_rpm=card)
    sign = find_low(low_case(58.0, fit=hill(14.0, 58.0), engine=engine))
    assert sign is not None
    assert word in sign.candidates[0].text


@pytest.mark.parametrize("idle_kpa", [33.0, 40.0, 55.0])
@pytest.mark.parametrize("outside", [80.0, 101.3])
def test_cranking_pressure_balances_the_throttle(idle_kpa: float, outside: float) -> None:
    """Against a root of the simulator's own orifice and filling, written apart from this code."""

    def surplus(kpa: float) -> float:
        air = throttle_flow(kpa / outside) / throttle_flow(idle_kpa / outside)
        return air * 850.0 * (idle_kpa - 0.09 * outside) - 200.0 * (kpa - 0.09 * outside)

    want = brentq(surplus, idle_kpa, outside)
    got = expected_cranking_kpa(idle_kpa, 850.0, 200.0, outside)
    assert got == pytest.approx(want, abs=0.05)


def test_little_vacuum_under_the_starter() -> None:
    """Five seconds of cranking at 200 rpm: 11.6 kPa to be expected; 3 are a sign, 10 none."""

    def told(cranking_kpa: float):
        made = case(idle(np.random.default_rng(1), kpa=38.0))
        shift = 5_000_000
        cycles = replace(
            made.cycles, start_us=made.cycles.start_us + shift, end_us=made.cycles.end_us + shift
        )
        level = np.concatenate([np.full(50, cranking_kpa), made.background.mean_kpa])
        marks = np.zeros(len(level), np.int32)
        marks[0:50:3] = 1  # every 0.3 s, 200 rpm
        phases = (
            Phase(kind="cranking", start_us=0, end_us=shift),
            Phase(kind="hold", start_us=shift, end_us=int(cycles.end_us[-1])),
        )
        background = replace(
            made.background, mean_kpa=level, min_kpa=level, max_kpa=level, marks=marks
        )
        return find_low_cranking(
            gather(replace(made, cycles=cycles, background=background, phases=phases))
        )

    assert told(91.3) is None
    sign = told(98.3)
    assert sign is not None
    assert sign.number == pytest.approx(3.0, abs=0.1)
    assert sign.threshold == pytest.approx(5.78, abs=0.1)
