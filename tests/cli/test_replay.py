"""The main job from a file: text, JSON, page and picture."""

from __future__ import annotations

import itertools
import json
from pathlib import Path

import pytest

from tests.cli.conftest import Bench, run
from vaclog.cli.options import UNITS
from vaclog.units import pressure_unit


def answer(bench: Bench, *more: object, capture: Path | None = None) -> str:
    """Replay with the bench's cards; the answer on stdout."""
    done = run(
        "replay", capture or bench.lines, "--engine", bench.engine, "--rig", bench.rig, *more
    )
    assert done.exit_code == 0, done.stderr
    return done.stdout


def test_the_json_holds_the_truth(bench: Bench) -> None:
    """The peak's interval holds the simulator's peak; cards and curve give a set point."""
    result = json.loads(answer(bench, "--json"), parse_constant=pytest.fail)
    truth = bench.recording.truth
    peak, advice = result["peak"], result["advice"]
    assert peak["found"]
    assert peak["low_deg"] <= truth.peak_rig_deg <= peak["high_deg"]
    assert peak["high_deg"] - peak["low_deg"] < 4.0
    assert abs(result["barometer_kpa"] - truth.barometer_kpa) < 0.3
    assert advice["set_deg"] < peak["angle_deg"]
    kinds = {phase["kind"] for phase in result["phases"]}
    assert {"still", "cranking", "warming", "hold", "advancing", "retarding", "blip"} <= kinds
    assert {sweep["direction"] for sweep in result["sweeps"]} == {"advancing", "retarding"}


def test_the_phases_partition_the_capture(bench: Bench) -> None:
    """Half-open intervals without holes, from the first to the last record."""
    result = json.loads(answer(bench, "--json"))
    phases = result["phases"]
    assert phases[0]["start_s"] == 0.0
    assert phases[-1]["end_s"] == pytest.approx(result["source"]["duration_s"], abs=1e-3)
    for before, after in itertools.pairwise(phases):
        assert before["end_s"] == after["start_s"] > before["start_s"]


def test_any_container_gives_the_same_answer(bench: Bench, tmp_path: Path) -> None:
    """Bare frames and a capture with read boundaries say the same."""
    bare = tmp_path / "same"
    bare.write_bytes(bench.recording.binary)
    kept = tmp_path / "kept.vaclog"
    assert run("simulate", "visit", "--seed", 3, "--out", kept).exit_code == 0
    results = [
        json.loads(answer(bench, "--json", capture=bare)),
        json.loads(run("replay", kept, "--json").stdout),
    ]
    for result in results:
        result["source"].pop("capture")
    assert results[0] == results[1]


@pytest.mark.parametrize("unit", UNITS)
def test_the_text_speaks_the_users_unit(bench: Bench, unit: str) -> None:
    """Every unit of the option is one that the program converts, and is used."""
    assert pressure_unit(unit) == unit
    assert f" {unit}" in answer(bench, "--unit", unit)


def test_page_and_picture_are_written(bench: Bench, tmp_path: Path) -> None:
    """One page without anything from elsewhere; a PNG that is a picture."""
    page, picture = tmp_path / "visit.html", tmp_path / "hill.png"
    answer(bench, "--html", page, "--plot", picture)
    html = page.read_text(encoding="utf-8")
    assert "<svg" in html and 'src="http' not in html and 'href="http' not in html
    assert picture.read_bytes().startswith(b"\x89PNG") and picture.stat().st_size > 10_000


def test_the_demo_runs_in_a_checkout_as_in_an_installed_package() -> None:
    """`python -m vaclog demo` in a clone finds the samples beside the package."""
    done = run("demo")
    assert done.exit_code == 0 and "Pump-house engine" in done.stdout, done.output
