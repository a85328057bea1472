"""The result document: strict JSON, the published schema, the way back, and the rule checks."""

from __future__ import annotations

import json
import math
import re
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from typing import Any, get_type_hints

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

import vaclog.result
from vaclog.errors import CaptureError, FutureVersionError
from vaclog.result import (
    Advice,
    Checks,
    HillPicture,
    Idle,
    Misfire,
    Peak,
    PhaseSpan,
    Result,
    SourceInfo,
    SparkScatter,
    SweepSpan,
    faults,
    from_json,
    to_json,
)

SCHEMA = json.loads(Path(vaclog.result.__file__).with_name("schema.json").read_text())

FULL = Result(
    source=SourceInfo(
        capture="bench.txt",
        duration_s=120.0,
        gaps=1,
        lines_skipped=2,
        advance_source="mark",
        engine="Bench",
    ),
    barometer_kpa=101.0,
    phases=(
        PhaseSpan(kind="hold", start_s=0.0, end_s=30.0),
        PhaseSpan(kind="advancing", start_s=30.0, end_s=90.0),
        PhaseSpan(kind="hold", start_s=90.0, end_s=120.0),
    ),
    sweeps=(SweepSpan(start_s=30.0, end_s=90.0, direction="advancing"),),
    peak=Peak(
        found=True,
        angle_deg=24.0,
        u_deg=0.4,
        low_deg=23.2,
        high_deg=24.8,
        u_abs_deg=1.5,
        low_abs_deg=21.0,
        high_abs_deg=27.0,
        flat_prior_deg=23.8,
        pressure_kpa=40.0,
        vacuum_kpa=61.0,
    ),
    idle=Idle(rpm=850.0, pressure_kpa=41.0, vacuum_kpa=60.0, angle_deg=10.0),
    misfire=Misfire(events=1, cycles=800, per_thousand=1.25, times_s=(31.5,)),
    advice=Advice(
        set_deg=12.0, hill_deg=14.0, limit="maker's figure", turn_deg=1.0, turn_way="clockwise"
    ),
    hill=HillPicture(
        curve_deg=(10.0, 11.0),
        curve_kpa=(41.0, 40.9),
        low_kpa=(40.9, math.nan),
        high_kpa=(41.1, 41.0),
        foot_deg=(10.0,),
        foot_kpa=(41.2,),
        foot_age=(0.5,),
        limits_deg=(("maker's figure", 12.0),),
    ),
)
EMPTY = Result(
    source=SourceInfo(capture="", duration_s=0.0, gaps=0, lines_skipped=0, advance_source="none"),
    barometer_kpa=None,
    phases=(),
    sweeps=(),
    peak=Peak(found=False, why_not="no sparks"),
    idle=Idle(),
    misfire=Misfire(events=0, cycles=0),
    advice=Advice(),
)

# The keys of schema 1, written out here a second time: none may ever go or be renamed.
FIRST_KEYS = {
    "source": "capture duration_s gaps lines_skipped advance_source",
    "peak": "found why_not angle_deg u_deg low_deg high_deg u_abs_deg low_abs_deg high_abs_deg "
    "flat_prior_deg pressure_kpa vacuum_kpa",
    "idle": "rpm pressure_kpa vacuum_kpa angle_deg",
    "misfire": "events cycles per_thousand onset_deg slot cylinder times_s",
    "advice": "set_deg hill_deg limit turn_deg turn_mm turn_way gain_kpa warnings",
}


def strict(text: str) -> Any:
    """Parse JSON, refusing the NaN and Infinity that Python would let through."""

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} in strict JSON")

    return json.loads(text, parse_constant=refuse)


@pytest.mark.parametrize("result", [FULL, EMPTY])
def test_the_document_meets_the_published_schema(result: Result) -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    jsonschema.Draft202012Validator(SCHEMA).validate(strict(to_json(result)))
    assert faults(result) == []


def test_the_first_keys_come_first_and_in_order() -> None:
    document = strict(to_json(FULL))
    assert list(document)[:9] == (
        [
            "schema",
            "source",
            "barometer_kpa",
            "phases",
            "sweeps",
            "peak",
            "idle",
            "misfire",
            "advice",
        ]
    )
    for name, keys in FIRST_KEYS.items():
        assert list(document[name])[: len(keys.split())] == keys.split()
    assert list(document["phases"][0]) == ["kind", "start_s", "end_s"]
    assert list(document["sweeps"][0]) == ["start_s", "end_s", "direction"]


def test_schema_and_records_have_the_same_keys() -> None:
    def compare(record: Any, schema: Any) -> None:
        hints = get_type_hints(record)
        assert set(hints) == set(schema["properties"]), record
        for name, hint in hints.items():
            inner = getattr(hint, "__args__", (hint,))[0]
            if is_dataclass(inner):
                part = schema["properties"][name]
                compare(inner, part.get("items", part))

    compare(Result, SCHEMA)


def test_a_number_that_is_not_finite_becomes_null() -> None:
    result = replace(FULL, idle=Idle(rpm=math.nan, pressure_kpa=math.inf))
    document = strict(to_json(result))
    assert document["idle"]["rpm"] is None
    assert document["idle"]["pressure_kpa"] is None
    assert document["hill"]["low_kpa"][1] is None


def test_a_required_number_that_is_not_finite_is_an_error() -> None:
    bad = replace(FULL, source=replace(FULL.source, duration_s=math.nan))
    with pytest.raises(ValueError, match=r"source\.duration_s"):
        to_json(bad)
    assert any("duration_s" in fault for fault in faults(bad))


def test_the_way_back() -> None:
    back = from_json(to_json(FULL))
    assert to_json(back) == to_json(FULL)
    assert math.isnan(back.hill.low_kpa[1])
    assert back.peak == FULL.peak
    assert back.phases == FULL.phases
    assert back.hill.limits_deg == FULL.hill.limits_deg
    assert from_json(to_json(EMPTY)).advice == EMPTY.advice


@given(
    number=st.floats(allow_nan=True, allow_infinity=True),
    name=st.sampled_from([each.name for each in fields(Idle)]),
)
def test_any_number_gives_the_same_bytes_after_a_round_trip(number: float, name: str) -> None:
    once = to_json(replace(EMPTY, idle=replace(EMPTY.idle, **{name: number})))
    strict(once)
    assert re.search(r"-0\.0(?!\d)", once) is None
    assert to_json(from_json(once)) == once


def test_optional_parts_come_back_as_records() -> None:
    """A part that may be missing is read as what it is, not as a bare dictionary."""
    whole = replace(
        EMPTY,
        checks=Checks(idle_rpm=850.0, follows_vacuum="not seen"),
        scatter=SparkScatter(cycles=300, real_deg=0.3),
    )
    back = from_json(to_json(whole))
    assert (back.checks, back.scatter) == (whole.checks, whole.scatter)


def test_unknown_keys_are_left_out_and_newer_schemas_refused() -> None:
    document = strict(to_json(EMPTY))
    document["later"] = 1
    document["peak"]["later"] = 1
    assert from_json(json.dumps(document)).peak == EMPTY.peak
    document["schema"] = 2
    with pytest.raises(FutureVersionError, match="Update"):
        from_json(json.dumps(document))


@pytest.mark.parametrize(
    "text", ["", "[]", "{}", '{"schema": 1}', "null", "no", '{"schema":1,"source":3}']
)
def test_what_is_no_result_is_refused(text: str) -> None:
    with pytest.raises(CaptureError) as caught:
        from_json(text)
    assert caught.value.step


@pytest.mark.parametrize(
    ("result", "word"),
    [
        (replace(FULL, peak=replace(FULL.peak, u_deg=None)), "not all numbers"),
        (replace(FULL, peak=replace(FULL.peak, low_deg=math.nan)), "not all numbers"),
        (replace(FULL, peak=replace(FULL.peak, low_deg=25.0)), "outside its interval"),
        (replace(FULL, peak=replace(FULL.peak, low_abs_deg=23.5)), "narrower"),
        (replace(FULL, peak=replace(FULL.peak, why_not="x")), "reason why not"),
        (replace(FULL, peak=Peak(found=False)), "why not"),
        (replace(FULL, phases=FULL.phases[::2]), "gap or overlap"),
        (replace(FULL, phases=FULL.phases[:2]), "does not end"),
        (replace(FULL, sweeps=(replace(FULL.sweeps[0], end_s=30.0),)), "begins at"),
        (replace(FULL, advice=replace(FULL.advice, set_deg=None)), "without a set point"),
        (replace(FULL, advice=replace(FULL.advice, limit=None)), "without the limit"),
        (replace(FULL, advice=replace(FULL.advice, set_deg=14.5)), "hill's proposal"),
        (replace(FULL, advice=replace(FULL.advice, set_deg=12.5)), "ahead of a limit"),
        (
            replace(
                FULL,
                hill=HillPicture(),
                advice=replace(FULL.advice, set_deg=24.5, hill_deg=None),
            ),
            "advanced side",
        ),
        (replace(FULL, hill=replace(FULL.hill, low_kpa=())), "curve arrays"),
        (replace(FULL, hill=replace(FULL.hill, foot_age=())), "footprint arrays"),
        (replace(FULL, misfire=replace(FULL.misfire, events=2)), "differ in number"),
    ],
)
def test_a_contradiction_is_a_fault(result: Result, word: str) -> None:
    assert any(word in fault for fault in faults(result)), faults(result)


def test_found_without_numbers_breaks_the_schema_too() -> None:
    document = strict(to_json(replace(FULL, peak=replace(FULL.peak, u_deg=None))))
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(document, SCHEMA)
