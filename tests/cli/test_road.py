"""The road test as a person calls it: runs, marks, sound, advice."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from scipy.ndimage import uniform_filter1d

from tests.analysis.road.made_sound import Phone, make_sound
from tests.cli.conftest import Bench, run
from vaclog.analysis.road.together import RETARD_DEG as BY_ROAD
from vaclog.visit.questions import QUESTIONS
from vaclog.visit.road import RETARD_DEG as BY_TRIAL

# When the passenger started the phone, in seconds of the capture.
STARTED_S = 98.7


@pytest.fixture(scope="module")
def engine(bench: Bench, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The bench's engine card with a bore."""
    path = tmp_path_factory.mktemp("road") / "engine.toml"
    path.write_text(bench.recording.engine_card_toml + "bore_mm = 80.0\n", encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def sound(bench: Bench, engine: Path) -> Path:
    """What a phone in the car would have recorded, with pinking in one stroke of twenty."""
    truth = bench.recording.truth
    n = bench.recording.engine.spec.cylinders
    rpm = 120.0 / n / uniform_filter1d(np.gradient(truth.spark_s), 9)
    drive = truth.spark_s > STARTED_S + 1.0
    made = make_sound(
        (truth.spark_s + truth.spark_advance_deg / (6.0 * rpm))[drive],
        rpm[drive],
        (truth.spark_slot - 1)[drive],
        truth.in_phases("load")[drive],
        rng=np.random.default_rng(6),
        knock_share=0.05,
        snr_db=15.0,
        phone=Phone(starts_s=STARTED_S),
    )
    path = engine.with_name("drive.flac")
    soundfile.write(path, made.samples, made.rate_hz, subtype="PCM_16")
    return path


def road(bench: Bench, *more: object, engine: Path | None = None) -> str:
    """The command with the bench's cards; its answer on stdout."""
    done = run("road", bench.lines, "--engine", engine or bench.engine, "--rig", bench.rig, *more)
    assert done.exit_code == 0, done.stderr
    return done.stdout


def answer(bench: Bench, *more: object, engine: Path | None = None) -> Any:
    return json.loads(road(bench, "--json", *more, engine=engine), parse_constant=pytest.fail)


def test_a_drive_without_marks_is_no_proof(bench: Bench) -> None:
    told = answer(bench)
    true = next(span for span in bench.recording.truth.phases if span.kind == "load")
    (load,) = told["loads"]
    assert load["start_s"] == pytest.approx(true.start_s, abs=0.5)
    assert (told["verdict"], told["retard_deg"], told["hearing"]) == ("none heard", 0.0, None)
    assert "no proof" in told["why"]
    text = road(bench)
    assert "That is no proof" in text and "passenger" in text and "law and insurance" in text
    assert "retard by" not in text.lower()


def test_more_advance_under_load_than_the_maker_allows_is_told(
    bench: Bench, tmp_path: Path
) -> None:
    """Silence is no leave: the card's total is passed by what the rig saw, so retard."""
    (load,) = answer(bench)["loads"]
    assert not any("maker's total" in each for each in answer(bench)["cautions"])
    low = tmp_path / "engine.toml"
    toml = bench.recording.engine_card_toml
    kept = [line for line in toml.splitlines() if not line.startswith("max_total_deg")]
    kept.append(f"max_total_deg = {load['advance_deg'] - 4.0:.1f}")
    low.write_text("\n".join(kept) + "\n", encoding="utf-8")
    told = answer(bench, engine=low)["cautions"][0]
    assert "more than the maker's total" in told and "at least 4.0° of the crank" in told


def test_a_time_that_was_noted_retards(bench: Bench) -> None:
    """Seconds or m:ss; a time at idle belongs to no drive and is left out, and said so."""
    true = next(span for span in bench.recording.truth.phases if span.kind == "load")
    at_s = true.start_s + 5.0
    told = answer(bench, "--heard", f"{int(at_s // 60)}:{at_s % 60:06.3f}")
    (mark,) = told["pinking"]
    assert (mark["by"], mark["load"]) == ("typed", 1)
    assert mark["at_s"] == pytest.approx(at_s, abs=0.01)
    assert told["verdict"] == "pinking" and told["retard_deg"] == 2.0
    done = run("road", bench.lines, "--engine", bench.engine, "--rig", bench.rig, "--heard", 9)
    assert "left out" in done.stderr and "It pinked" not in done.stdout


def test_again_and_again_says_stop(bench: Bench) -> None:
    true = next(span for span in bench.recording.truth.phases if span.kind == "load")
    times = [x for k in range(3) for x in ("--heard", f"{true.start_s + 2.0 + 2.0 * k:.2f}")]
    assert "stop here, no more full load" in road(bench, *times)


def test_a_recording_raises_suspicion(bench: Bench, engine: Path, sound: Path) -> None:
    """From files alone, the phone's clock and start unknown."""
    told = answer(bench, "--sound", sound, engine=engine)
    (heard,) = told["hearing"]["runs"]
    assert heard["suspicious"] and told["verdict"] == "suspected" and told["retard_deg"] == 1.0
    assert heard["offset_s"] == pytest.approx(STARTED_S - 0.004, abs=0.02)  # and 4 ms away
    text = road(bench, "--sound", sound, engine=engine)
    assert "rings at 6.6 to 7.3 kHz" in text and "never says" in text


def test_a_recording_that_cannot_be_used_says_why(bench: Bench, sound: Path) -> None:
    """Without a bore; no such file; a time that is none."""
    told = answer(bench, "--sound", sound)
    assert "bore_mm" in told["hearing"]["why_not"] and told["verdict"] == "none heard"
    done = run("road", bench.lines, "--sound", "missing.wav")
    assert done.exit_code == 4
    assert run("road", bench.lines, "--heard", "noon").exit_code == 2
    assert run("road", bench.lines, "--heard", "1:99").exit_code == 2


def test_road_and_trials_retard_alike() -> None:
    """The loop of trials and this command give the same advice, and never an advance."""
    assert BY_ROAD["pinking"] == BY_TRIAL["heard"] and BY_ROAD["suspected"] == BY_TRIAL["unsure"]
    assert min(BY_ROAD.values()) == 0.0


def test_a_recording_given_to_a_visit_outweighs_nothing_heard(
    bench: Bench, engine: Path, sound: Path, tmp_path: Path
) -> None:
    """Whoever heard nothing is not sure any more; sound is taken with a drive alone."""
    at = ("--garage", tmp_path / "g.db")
    assert run("visit", "begin", engine, "--rig", bench.rig, *at).exit_code == 0
    wrong = run("visit", "capture", bench.lines, "--for", "other", "--sound", sound, *at)
    assert wrong.exit_code == 1 and "belongs to a drive" in wrong.stderr
    for _ in range(30):
        told = json.loads(run("visit", "status", "--json", *at).stdout)
        if told["step"] == "road":
            break
        for key, question in QUESTIONS.items():
            if question.must:  # not optional, where it is asked
                run("visit", "answer", key, "yes", *at)
        run("visit", "set", "--reached", 10, *at)
        run("visit", "locked", "--moved", 0, *at)
        run("visit", "skip", told["step"], *at)
    kept = run("visit", "capture", bench.lines, "--for", "road", "--sound", sound, *at)
    assert kept.exit_code == 0, kept.stderr
    assert "suspicious" in kept.stdout
    assert run("visit", "trial", "--clean", *at).exit_code == 0
    (trial,) = json.loads(run("visit", "status", "--json", *at).stdout)["trials"]
    assert (trial["pinking"], trial["heard_by"]) == ("unsure", "recording")
    assert trial["retard_deg"] == BY_TRIAL["unsure"] > 0
