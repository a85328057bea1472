"""Text and speech: the answer first, plain, in the reader's unit."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from report_cases import CASES, EMPTY, FOUND, NO_ADVANCE, NO_CAP, NOT_REACHED, STUMBLING

from vaclog.report import speech, text
from vaclog.report.words import answer, quantities, seen
from vaclog.result import Advice, Idle, Misfire, Result
from vaclog.units import PRESSURE_UNITS, PressureUnit, from_kpa

every_case = pytest.mark.parametrize("result", CASES.values(), ids=CASES)


@every_case
@pytest.mark.parametrize("unit", PRESSURE_UNITS)
def test_text_is_whole_and_fits_the_terminal(result: Result, unit: PressureUnit) -> None:
    out = text.render(result, unit)
    assert all(len(line) <= 80 for line in out.splitlines())
    assert not re.search(r"\bnan\b|\bNone\b|\binf\b|-0\.0|  - *$|\.\.", out)
    for other in PRESSURE_UNITS:
        if other != unit:
            assert not re.search(rf"\d {other}\b", out)


def test_the_answer_comes_first() -> None:
    lines = text.render(FOUND, "inHg").splitlines()
    assert lines[0] == "Workshop engine"
    assert lines[2] == "Set it to 11.6° before top dead centre, read at idle on this rig."
    lead = " ".join(lines[4:9])
    for part in ("retard", "5.2°", "3 mm", "clockwise, seen from above", "maker's figure decides"):
        assert part in lead
    assert "27.3°, with 95 % confidence between 26.4° and 28.1°" in lead


def test_vacuum_is_in_the_unit_asked_for() -> None:
    # 60.2 kPa of vacuum at the top; 17.78 inHg, 451.5 mmHg, 8.73 psi by the NIST factors.
    for unit, shown in (
        ("kPa", "60.2 kPa"),
        ("inHg", "17.8 inHg"),
        ("mbar", "602 mbar"),
        ("mmHg", "452 mmHg"),
        ("psi", "8.73 psi"),
    ):
        assert f"At the top: {shown} of vacuum" in text.render(FOUND, unit)  # type: ignore[arg-type]


def test_no_cap_gives_the_step_and_no_setting() -> None:
    out = text.render(NO_CAP, "inHg")
    assert "no set point is given" in out.splitlines()[2]
    assert "at most 2° more, then road-test" in " ".join(out.split())
    assert "Set it to" not in out


def test_a_top_that_was_not_reached_is_said_and_the_answer_still_stands() -> None:
    out = " ".join(text.render(NOT_REACHED, "inHg").split())
    assert "Set it to 5.1°" in out
    assert "The top lies beyond the advanced end of the sweep. The sweep went" in out
    assert "from 8.0° to 20.0°" in out
    assert "5.1° or more" in out


def test_misfire_is_told_as_a_person_would() -> None:
    out = seen.misfire(STUMBLING)
    assert "one cycle in 40" in out
    assert "always the same one: cylinder 4" in out
    assert "from 31.2° on" in out
    assert seen.misfire(FOUND) == "No stumble in 1710 cycles."
    assert "could not be judged" in seen.misfire(EMPTY)
    chance = replace(STUMBLING, misfire=replace(STUMBLING.misfire, false_alarms_per_thousand=20.0))
    assert "No more stumbles than chance" in seen.misfire(chance)
    by_place = replace(STUMBLING, misfire=replace(STUMBLING.misfire, cylinder=None))
    assert "place 2 in the order of firing" in seen.misfire(by_place)
    random = replace(
        STUMBLING, misfire=Misfire(events=9, cycles=900, per_thousand=10.0, low_per_thousand=5.0)
    )
    assert seen.misfire(random) == "It stumbles about one cycle in 100."


@pytest.mark.parametrize(
    ("way_mm", "said"),
    [
        (0.1, "less than ½ mm"),
        (0.5, "½ mm"),
        (-0.6, "½ mm"),
        (0.8, "1 mm"),
        (1.24, "1 mm"),
        (1.26, "1½ mm"),
        (-2.9, "3 mm"),
        (10.5, "10½ mm"),
    ],
)
def test_whole_and_half_millimetres(way_mm: float, said: str) -> None:
    assert quantities.half_millimetres(way_mm) == said


@given(st.floats(-40, 40))
def test_half_millimetres_are_never_off_by_more_than_a_quarter(way_mm: float) -> None:
    said = quantities.half_millimetres(way_mm)
    number = re.match(r"(\d*)(½?) mm", said)
    if number is None:
        assert abs(way_mm) <= 0.25
        return
    shown = int(number[1] or 0) + (0.5 if number[2] else 0.0)
    assert abs(abs(way_mm) - shown) <= 0.25 + 1e-9


def test_angles_on_either_side_of_top_dead_centre() -> None:
    assert quantities.before_top(8.84) == "8.8° before top dead centre"
    assert quantities.before_top(-2.0) == "2.0° after top dead centre"
    assert quantities.before_top(-0.01) == "0.0° before top dead centre"
    assert quantities.degrees(-0.04) == "0.0°"


def turned(turn_deg: float, **more: object) -> Result:
    advice = replace(FOUND.advice, turn_deg=turn_deg, turn_mm=0.5585 * turn_deg, **more)  # type: ignore[arg-type]
    return replace(FOUND, advice=advice)


def test_always_arrive_from_the_retarded_side() -> None:
    assert "too far, then come back up" in answer.approach(-5.0)
    assert "Come up to it in one movement" in answer.approach(5.0)
    assert answer.approach(0.1) == ""


def test_the_way_to_turn() -> None:
    assert ": advance, turning the body 2.0° (1 mm" in answer.move(turned(2.0))
    assert ": retard, turning the body 2.0°" in answer.move(turned(-2.0))
    assert "4 clicks" in answer.move(turned(2.0, turn_clicks=4.0))
    assert "leave it" in answer.move(turned(0.1))
    blind = turned(2.0, turn_way=None)
    assert "seen from above" not in answer.move(blind)
    assert "against the rotor" in text.render(blind, "inHg")
    assert "with the rotor" in text.render(turned(-2.0, turn_way=None), "inHg")
    assert "no angle was held" in answer.move(
        replace(FOUND, idle=Idle(), advice=replace(FOUND.advice, turn_deg=None))
    )


def test_way_home_is_there_with_and_without_a_set_point() -> None:
    for result in (FOUND, NO_CAP):
        assert "Way home, from the last hold" in " ".join(text.render(result, "inHg").split())
    still = replace(FOUND, advice=replace(FOUND.advice, home_deg=0.0))
    assert "where the first one was" in answer.way_home(still)


def test_each_limit_stands_with_its_reason_beside_the_hills_proposal() -> None:
    advice = replace(FOUND.advice, limits_why=(("maker's figure", "10° with 2° of tolerance"),))
    out = " ".join(text.render(replace(FOUND, advice=advice), "inHg").split())
    assert "maker's figure, this one decides, not beyond 11.6°: 10° with 2° of tolerance." in out
    assert "maximum total, not beyond 13.4°." in out
    assert "hill's own proposal, 0.50 inHg below the top on its retard side: 13.6°." in out
    far = replace(FOUND, advice=replace(FOUND.advice, hill_extrapolated=True))
    assert "not swept: extrapolated" in " ".join(text.render(far, "inHg").split())


def test_every_warning_and_caution_is_printed() -> None:
    for result in CASES.values():
        out = " ".join(text.render(result, "kPa").split())
        for sentence in (*result.advice.warnings, *result.advice.cautions):
            assert sentence in out


@given(st.floats(-10, 10), st.sampled_from(PRESSURE_UNITS))
def test_gain_has_the_right_sign_and_size(gain_kpa: float, unit: PressureUnit) -> None:
    said = seen.gain(gain_kpa, unit)
    if abs(gain_kpa) < 0.005:
        assert "that of the last hold" in said
        return
    assert ("less vacuum than at the last hold" in said) == (gain_kpa < 0)
    shown = float(re.search(r"(\d+\.\d+) ", said)[1])  # type: ignore[index]
    assert shown == pytest.approx(abs(from_kpa(gain_kpa, unit)), abs=0.051)


# --- speech --------------------------------------------------------------------------------------


@every_case
@pytest.mark.parametrize("unit", PRESSURE_UNITS)
def test_speech_is_short_and_without_signs(result: Result, unit: PressureUnit) -> None:
    said = speech.sentences(result, unit)
    assert 1 <= len(said) <= 7
    for sentence in said:
        assert not re.search(r"[°%½()±—→]|\bmm\b|\brpm\b|inHg|kPa|mbar|mmHg|psi|nan|None", sentence)
        assert len(sentence) < 260
        assert sentence[0].isupper()
        assert sentence.rstrip().endswith(".")


def test_speech_begins_with_the_answer() -> None:
    said = speech.sentences(FOUND, "inHg")
    assert said[0].startswith("Set it to 11.6 degrees before top dead centre")
    assert "3 millimetres at its rim" in said[1]
    assert speech.sentences(NO_ADVANCE, "inHg")[1].startswith("Give the tool the advance")


@pytest.mark.parametrize(
    ("written", "spoken"),
    [
        ("2½ mm at its rim", "2 and a half millimetres at its rim"),
        ("½ mm at its rim", "half a millimetre at its rim"),
        ("1 mm", "1 millimetre"),
        ("less than ½ mm", "less than half a millimetre"),
        ("at -2.0°, 850 rpm", "at minus 2.0 degrees, 850 revolutions per minute"),
        ("0.50 inHg below", "0.50 inches of mercury below"),
        ("5.2° (3 mm).", "5.2 degrees, 3 millimetres."),
        ("road-test", "road-test"),
    ],
)
def test_signs_are_put_into_words(written: str, spoken: str) -> None:
    assert speech.speakable(written) == spoken


def test_an_empty_advice_still_says_something() -> None:
    assert speech.sentences(replace(EMPTY, advice=Advice()), "inHg")[0].endswith("not found.")
