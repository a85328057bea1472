"""Readings on their way through a session: typed, tapped, marked; live and replayed alike."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
from click.testing import CliRunner

from vaclog.capture.open import open_capture
from vaclog.capture.writer import CaptureWriter
from vaclog.cards import engine_card, rig_card
from vaclog.cli.main import main
from vaclog.records import CardText, Chunk, OperatorInput, Record
from vaclog.result import Result, from_json, to_json
from vaclog.session import Session
from vaclog.simulator.presets import knobs
from vaclog.simulator.recording import Recording, simulate
from vaclog.simulator.script import Hold, Script, Turn

STOOD = (8.0, 13.0, 18.0, 23.0, 28.0, 33.0, 25.0, 16.0)
READ = "8.5 12 18.5 23 29 32.5 24.5 16.5"


@cache
def recording() -> Recording:
    """Eight holds of eleven seconds on an engine without any angle sensor; top near 22."""
    segments: list[Hold | Turn] = [Hold(seconds=11.0)]
    for deg in STOOD[1:]:
        segments += [Turn(to_deg=deg, rate_deg_s=3.0), Hold(seconds=11.0)]
    base = knobs(peak_deg=22.0, scatter=0.05)
    script = Script(start_deg=STOOD[0], segments=tuple(segments))
    return simulate(base.engine, script, replace(base.rig, mark=False, body=None), 11)


def hold_ends_s() -> list[float]:
    """When each hold truly ends."""
    return [each.end_s for each in recording().truth.phases if each.kind == "hold"]


def answer(*records: Record, data: bytes | None = None) -> Result:
    """Feed the recording and what was said."""
    made = recording()
    session = Session(engine=engine_card(made.engine_card_toml), rig=rig_card(made.rig_card_toml))
    session.feed(Chunk(at_us=None, data=made.text if data is None else data))
    for record in records:
        session.feed(record)
    return session.finish()


def typed(text: str) -> OperatorInput:
    return OperatorInput(at_us=0, kind="strobe", text=f"list {text}")


def check(result: Result) -> None:
    """The top within its interval, holds and sweeps where they were."""
    peak, truth = result.peak, recording().truth
    assert result.source.advance_source == "holds"
    assert peak.found and peak.low_deg is not None and peak.high_deg is not None
    assert peak.low_deg <= truth.peak_deg <= peak.high_deg
    assert peak.angle_deg == pytest.approx(truth.peak_deg, abs=2.0)
    assert [each.direction for each in result.sweeps] == ["advancing", "retarding"]
    holds = [each for each in result.phases if each.kind == "hold"]
    assert len(holds) == len(STOOD)
    for seen, true in zip(holds, hold_ends_s(), strict=True):
        assert seen.end_s == pytest.approx(true, abs=4.0)
    assert result.idle.angle_deg == 16.5


def test_a_typed_list_is_paired_in_order() -> None:
    check(answer(typed(READ)))


def test_without_readings_nothing_is_said_of_the_angle() -> None:
    result = answer()
    assert result.source.advance_source == "none"
    assert not result.peak.found and result.sweeps == ()


def test_numbers_in_the_text_of_markers() -> None:
    """``M <tick> 12.5`` where the sketch has a keypad; ticks of 500 ns as its header says."""
    made = recording()
    head, _, rest = made.text.partition(b"\n")
    assert b"tick_ns=500" in head
    # Put in anywhere near their time: the order within 100 ms is free.
    lines = rest.split(b"\n")
    ticks = [int(line.split()[1]) for line in lines if line[:2] == b"P "]
    first = ticks[0]
    for deg, end_s in zip(READ.split(), hold_ends_s(), strict=True):
        tick = (first + round((end_s - 1.5) * 2e6)) % 2**32
        at = next(
            k for k, line in enumerate(lines) if line[:2] == b"P " and int(line.split()[1]) >= tick
        )
        lines.insert(at, f"M {tick} {deg}".encode())
    check(answer(data=head + b"\n" + b"\n".join(lines)))


def test_unread_hold_and_slip_are_told() -> None:
    unread = answer(typed(READ.replace("18.5", "?")))
    assert unread.peak.found
    assert "running" in {each.kind for each in unread.phases}
    slipped = answer(typed(READ.replace("12 ", "27 ")))
    said = " ".join(slipped.advice.warnings)
    assert "Reading 2, 27°" in said


def test_too_many_readings_for_the_time_are_told() -> None:
    result = answer(typed(" ".join(["10 14 18 22 26 30"] * 8)))
    assert not result.peak.found
    assert any("could not be paired" in each for each in result.advice.warnings)


def test_a_tapped_capture_replays_to_the_bit(tmp_path: Path) -> None:
    made = recording()
    records: list[Record] = [
        CardText(at_us=0, which="engine", toml=made.engine_card_toml),
        CardText(at_us=0, which="rig", toml=made.rig_card_toml),
    ]
    said = [
        (round((end_s - 1.5) * 1e6), float(deg))
        for end_s, deg in zip(hold_ends_s(), READ.split(), strict=True)
    ]
    # One wrong tap, taken back.
    said.insert(3, (said[2][0] + 100_000, 40.0))
    for at_us, data in made.chunks:
        while said and said[0][0] <= at_us:
            _, deg = said.pop(0)
            records.append(OperatorInput(at_us=at_us, kind="strobe", value_deg=deg))
            if deg == 40.0:
                records.append(OperatorInput(at_us=at_us, kind="strobe", text="undo"))
        records.append(Chunk(at_us=at_us, data=data))
    live = Session(capture="taps.vaclog")
    writer = CaptureWriter(tmp_path / "taps.vaclog")
    for record in records:
        writer.write(record)
        live.feed(record)
    writer.close()
    again = Session(capture="taps.vaclog")
    for record in open_capture(tmp_path / "taps.vaclog").records:
        again.feed(record)
    first, second = live.finish(), again.finish()
    assert to_json(first) == to_json(second)
    check(first)


@pytest.fixture
def files(tmp_path: Path) -> list[str]:
    """Capture and cards as files, and the options that name the cards."""
    made = recording()
    (tmp_path / "c.txt").write_bytes(made.text)
    (tmp_path / "engine.toml").write_text(made.engine_card_toml, encoding="utf-8")
    (tmp_path / "rig.toml").write_text(made.rig_card_toml, encoding="utf-8")
    named = ["--engine", str(tmp_path / "engine.toml"), "--rig", str(tmp_path / "rig.toml")]
    return [str(tmp_path / "c.txt"), *named, "--json"]


def test_replay_takes_a_list(files: list[str]) -> None:
    done = CliRunner().invoke(main, ["replay", *files, "--strobe", READ])
    assert done.exit_code == 0, done.output
    check(from_json(done.stdout))
    wide = CliRunner().invoke(main, ["replay", *files, "--strobe", READ, "--strobe-u", "2"])
    one, two = from_json(done.stdout).peak, from_json(wide.stdout).peak
    assert one.u_deg is not None and two.u_deg is not None
    assert two.u_deg > 1.2 * one.u_deg


def test_replay_takes_a_strip(files: list[str]) -> None:
    """Crank degrees from the strip's zero; the strobe read ten there."""
    strip = " ".join(f"{float(deg) - 10.0:g}" for deg in READ.split())
    done = CliRunner().invoke(main, ["replay", *files, "--strip", strip, "--strip-at", "10"])
    assert done.exit_code == 0, done.output
    assert from_json(done.stdout).idle.angle_deg == 16.5


def test_wrong_lists_are_refused_with_the_entry_named(files: list[str]) -> None:
    done = CliRunner().invoke(main, ["replay", *files, "--strobe", "8 12 x"])
    assert done.exit_code == 2 and "'x'" in done.stderr
    both = CliRunner().invoke(main, ["replay", *files, "--strobe", "8 12", "--strip", "0 4"])
    assert both.exit_code == 2
