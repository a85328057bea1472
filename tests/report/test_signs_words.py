"""How the signs are told."""

from __future__ import annotations

from dataclasses import replace

import pytest
from report_cases import FOUND

from vaclog.report import page, text
from vaclog.report.words.signs import SIGNS, signs
from vaclog.result import Candidate, Looked, Sign, faults, from_json, to_json

LOW = Sign(
    key="low",
    text="The vacuum at idle is steady and low, corrected to sea level",
    number=45.0,
    u=1.0,
    unit="kPa",
    threshold=48.8,
    false_alarm=0.025,
    false_alarm_seen=0.033,
    candidates=(
        Candidate(text="late ignition", basis="separated by data"),
        Candidate(text="an air leak", basis="common practice"),
    ),
    next_look="Set the timing first, then look again.",
)
TOLD = replace(
    FOUND,
    signs=(LOW,),
    looked=(
        Looked(key="low"),
        Looked(key="drift"),
        Looked(key="hunting", why_not="too short a hold"),
    ),
)


def test_fact_number_candidates_and_next_look_are_told() -> None:
    """In order, with what each candidate rests on, and never as a verdict."""
    first, second, rest = signs(TOLD, "kPa")
    assert first.startswith(
        "The vacuum at idle is steady and low, corrected to sea level: 45.00 kPa ± 2.00 kPa."
    )
    assert "below 48.80 kPa" in first
    assert (
        "one false alarm in 40 captures of sound engines; tried on simulated ones, fewer" in first
    )
    order = [second.index(part) for part in ("(1) late ignition [the", "(2) an air leak [common")]
    assert order == sorted(order)
    assert second.endswith("Set the timing first, then look again.")
    assert rest == (
        "Looked for and not seen: slow drift. Could not be judged: hunting (too short a hold)."
    )


@pytest.mark.parametrize(
    ("unit", "number"), [("inHg", "13.29 inHg"), ("mbar", "450.0 mbar"), ("psi", "6.53 psi")]
)
def test_pressures_are_in_the_readers_unit(unit: str, number: str) -> None:
    """45 kPa in each (NIST SP 811: 3.386389 kPa to the inHg, 6.894757 to the psi)."""
    assert number in signs(TOLD, unit)[0]  # type: ignore[arg-type]


def test_other_units_stay_as_they_are() -> None:
    """Rates and shares have units of their own."""
    for unit, want in (("per 1000", "45.0 in a thousand cycles"), ("%", "45.0 %")):
        sign = replace(LOW, key="hunting", unit=unit)
        assert want in signs(replace(TOLD, signs=(sign,)), "inHg")[0]
    sign = replace(LOW, key="drift", unit="kPa/min", number=2.0)
    assert "2.00 kPa a minute" in signs(replace(TOLD, signs=(sign,)), "kPa")[0]


def test_text_and_page_have_the_section() -> None:
    """And neither where nothing was looked for."""
    for render in (text.render, page.render):
        assert SIGNS in render(TOLD, "inHg")
        assert SIGNS not in render(FOUND, "inHg")


def test_the_document_carries_signs_and_their_rules_hold() -> None:
    """There and back to the record; a sign without candidates is a fault."""
    read = from_json(to_json(TOLD))
    assert (read.signs, read.looked) == (TOLD.signs, TOLD.looked)
    assert faults(TOLD) == []
    assert any("signs" in each for each in faults(replace(TOLD, signs=(replace(LOW, u=-1.0),))))
    bare = replace(LOW, candidates=())
    assert any("signs" in each for each in faults(replace(TOLD, signs=(bare,))))
    both = replace(TOLD, looked=(Looked(key="low", why_not="no hold"),))
    assert any("could not be judged" in each for each in faults(both))


def test_an_uncertainty_below_the_last_decimal_is_not_told() -> None:
    """No "± 0.00": what is left is the sensor's, and not this number's."""
    sign = replace(LOW, u=1e-4)
    assert "±" not in signs(replace(TOLD, signs=(sign,)), "inHg")[0]
