"""From pin edges in the emulated chip to the advice, through the program's own listening."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import both_decoders
import numpy as np
import pytest
from engine_on_pins import stimulus
from harness import MARK, SPARK, Bench
from listening import Heard, listen
from samples import THERE_AND_BACK
from truth import check_pulses, check_samples

from vaclog.capture.reader import read_capture
from vaclog.cards import engine_card, rig_card
from vaclog.records import CardText, Chunk, PortOpened
from vaclog.result import to_json
from vaclog.session import Session
from vaclog.simulator import Recording

LAST_FLUSH_NS = 60_000_000  # what comes later may still wait in the chip when the run ends


@pytest.fixture(scope="module")
def recording() -> Recording:
    """The engine whose capture comes with the program."""
    return THERE_AND_BACK.simulate()


@pytest.fixture(scope="module")
def heard(bench: Bench, recording: Recording, tmp_path_factory: pytest.TempPathFactory) -> Heard:
    """What the program made of it, live."""
    folder = tmp_path_factory.mktemp("listen")
    (folder / "engine.toml").write_text(THERE_AND_BACK.engine_card)
    (folder / "rig.toml").write_text(THERE_AND_BACK.rig_card)
    return listen(
        bench,
        stimulus(recording.pins),
        folder / "engine.toml",
        folder / "rig.toml",
        folder / "run.vaclog",
    )


def test_no_sample_is_lost_and_sparks_are_in_place(heard: Heard, recording: Recording) -> None:
    """Of the capture that the program wrote, against the edges that went into the chip."""
    chunks = [r.data for r in read_capture(heard.capture).records if isinstance(r, Chunk)]
    stream = both_decoders.decode(b"".join(chunks))
    assert (len(stream.boots), stream.bad_frames, stream.lost_frames) == (1, 0, 0)
    boot, zero = stream.boots[0], heard.zero_ns[0]
    assert boot.dropped == (0, 0, 0)
    given = stimulus(recording.pins)
    delivered, missing = check_samples(boot, given, zero)
    assert missing == 0
    assert delivered >= (recording.pins.duration_ns - LAST_FLUSH_NS) // 10**6
    for pin in (SPARK, MARK):
        falls = np.asarray(given.falls_ns[pin])
        errors = check_pulses(boot, pin, falls, zero, all_of_them=False)
        sure = (falls > zero) & (falls < recording.pins.duration_ns - LAST_FLUSH_NS)
        assert len(errors) >= sure.sum()


def test_the_peak_is_found_within_its_interval(heard: Heard, recording: Recording) -> None:
    peak = heard.result.peak
    assert peak.found
    assert peak.low_deg is not None and peak.high_deg is not None
    assert peak.low_deg <= recording.truth.peak_rig_deg <= peak.high_deg
    assert peak.high_deg - peak.low_deg <= 3.0


def test_the_advice_can_be_acted_on(heard: Heard, recording: Recording) -> None:
    result, advice = heard.result, heard.result.advice
    assert result.source.advance_source == "mark"
    assert result.source.gaps == 0
    assert result.barometer_kpa == pytest.approx(recording.truth.barometer_kpa, abs=0.5)
    assert {span.kind for span in result.phases} >= {"still", "cranking", "advancing", "retarding"}
    assert advice.set_deg is not None and advice.turn_deg is not None and advice.limit is not None
    assert 6.0 < advice.set_deg < result.peak.angle_deg
    # The rotor turns against the clock, so the body advances with it.
    ways = {True: "clockwise", False: "counterclockwise"}
    assert advice.turn_way == ways[advice.turn_deg > 0]
    assert len(result.sweeps) == len(recording.truth.sweeps) == 2


def test_the_capture_replays_to_the_same_bytes(heard: Heard) -> None:
    kinds = [type(record) for record in read_capture(heard.capture).records]
    assert kinds[:2] == [CardText, CardText] and PortOpened in kinds
    command = [sys.executable, "-m", "vaclog", "replay", str(heard.capture), "--json"]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert json.loads(done.stdout) == json.loads(to_json(heard.result))
    assert done.stdout.strip() == to_json(heard.result).strip()


def test_a_reset_and_a_noisy_line_do_not_hide_the_top(bench: Bench, recording: Recording) -> None:
    """The board restarts during the warm idle; now and then a byte is wrong."""
    rng = np.random.default_rng(3)
    flips = [(int(s * 1e9), 1 << int(rng.integers(8))) for s in rng.uniform(10, 120, 25)]
    given = replace(stimulus(recording.pins), resets_ns=[28_000_000_000], flips=flips)
    session = Session(
        engine=engine_card(THERE_AND_BACK.engine_card, where="engine card"),
        rig=rig_card(THERE_AND_BACK.rig_card, where="rig card"),
    )
    session.feed(Chunk(at_us=None, data=bench.run(given).data))
    result = session.finish()
    assert 10 <= result.source.gaps <= 40
    peak = result.peak
    assert peak.found
    assert peak.low_deg is not None and peak.high_deg is not None
    assert peak.low_deg <= recording.truth.peak_rig_deg <= peak.high_deg
    assert peak.high_deg - peak.low_deg <= 4.0


def test_the_command_itself_listens(bench: Bench, tmp_path: Path, recording: Recording) -> None:
    """``vaclog listen`` as a program of its own, ended by Ctrl-C in mid-stream."""
    given = replace(stimulus(recording.pins), end_ns=40_000_000_000)
    capture = tmp_path / "cut.vaclog"
    command = [sys.executable, "-m", "vaclog", "listen", "--capture", str(capture), "--json"]
    with bench.line(given) as line:
        process = subprocess.Popen(
            [*command, line.port], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        assert process.stderr is not None
        for text in process.stderr:
            if text.startswith("Recording"):
                break
        line.start()
        assert line.over.wait(60)
        process.send_signal(2)
        out, _ = process.communicate(timeout=60)
    assert process.returncode == 0
    answer = json.loads(out)
    assert answer["source"]["duration_s"] > 5
    assert capture.stat().st_size > 20_000
