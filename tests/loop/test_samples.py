"""The recorded captures give the answers that stand beside them, and these are true."""

from __future__ import annotations

import json
from functools import cache
from typing import Any

import pytest
from record_samples import FOLDER
from samples import SAMPLES

from vaclog.cards import load_engine_card, load_rig_card
from vaclog.cli.progress import analyse_file
from vaclog.result import to_json


@cache
def answer(name: str) -> Any:
    """What ``vaclog replay --json`` prints, without starting a program for each."""
    result = analyse_file(
        FOLDER / f"{name}.vaclog",
        engine=load_engine_card(FOLDER / f"{name}.engine.toml"),
        rig=load_rig_card(FOLDER / f"{name}.rig.toml"),
    )
    return json.loads(to_json(result))


def beside(name: str, what: str) -> Any:
    return json.loads((FOLDER / f"{name}.{what}.json").read_text(encoding="utf-8"))


def same(got: Any, expected: Any, where: str) -> None:
    """Equal, with room in numbers for another machine's arithmetic only."""
    assert type(got) is type(expected), where
    if isinstance(expected, dict):
        assert sorted(got) == sorted(expected), where
        for key in expected:
            same(got[key], expected[key], f"{where}.{key}")
    elif isinstance(expected, list):
        assert len(got) == len(expected), where
        for i, (one, other) in enumerate(zip(got, expected, strict=True)):
            same(one, other, f"{where}[{i}]")
    elif isinstance(expected, float):
        assert got == pytest.approx(expected, rel=1e-6, abs=1e-6), where
    else:
        assert got == expected, where


@pytest.mark.parametrize("name", SAMPLES)
def test_the_answer_is_the_one_beside_the_capture(name: str) -> None:
    """After a change on purpose: record_samples.py --expect, and say why in the commit."""
    same(answer(name), beside(name, "expected"), name)


@pytest.mark.parametrize("name", SAMPLES)
def test_cards_beside_are_those_of_the_recording(name: str) -> None:
    assert (FOLDER / f"{name}.engine.toml").read_text() == SAMPLES[name].engine_card
    assert (FOLDER / f"{name}.rig.toml").read_text() == SAMPLES[name].rig_card


@pytest.mark.parametrize("name", SAMPLES)
def test_nothing_was_lost_on_the_way(name: str) -> None:
    source = answer(name)["source"]
    assert source["gaps"] == 0
    assert source["advance_source"] == ("body" if name == "body_sensor" else "mark")


@pytest.mark.parametrize("name", [name for name in SAMPLES if name != "stops_short"])
def test_the_top_is_where_it_says(name: str) -> None:
    peak, truth = answer(name)["peak"], beside(name, "truth")
    assert peak["found"]
    assert peak["low_deg"] <= truth["peak_deg"] <= peak["high_deg"]
    assert peak["high_deg"] - peak["low_deg"] <= 5.0


def test_a_sweep_that_stops_short_is_told_so() -> None:
    result, truth = answer("stops_short"), beside("stops_short", "truth")
    assert truth["swept_deg"][1] < truth["peak_deg"] - 5
    assert not result["peak"]["found"]
    assert result["peak"]["why_not"]
    assert result["advice"]["set_deg"] is not None  # the book's figures still tell where to go


def test_the_stumble_is_heard() -> None:
    misfire, truth = answer("stumbles")["misfire"], beside("stumbles", "truth")
    assert misfire["events"] == pytest.approx(truth["misfires"], rel=0.4)
    assert misfire["onset_deg"] == pytest.approx(29.0, abs=2.5)


@pytest.mark.parametrize("name", SAMPLES)
def test_the_passes_are_those_of_the_hand(name: str) -> None:
    """From where the hand starts to where it stops, within two seconds."""
    truth = [p for p in beside(name, "truth")["phases"] if p[0] in ("advancing", "retarding")]
    found = answer(name)["sweeps"]
    assert [sweep["direction"] for sweep in found] == [p[0] for p in truth]
    for got, (_, start_s, end_s) in zip(found, truth, strict=True):
        assert got["start_s"] == pytest.approx(start_s, abs=2.0)
        assert got["end_s"] == pytest.approx(end_s, abs=2.0)
