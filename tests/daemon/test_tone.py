"""The tone of the terminal: what reaches a player in a process of its own, measured in its file."""

from __future__ import annotations

import json
import os
import re
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import vaclog.web
from vaclog.capture.open import open_capture
from vaclog.capture.writer import CaptureWriter
from vaclog.daemon import sounding, tone
from vaclog.daemon.sounding import PLAYERS, Tone, players
from vaclog.daemon.tone import DUCKED, LOUDNESS, RATE_HZ, Oscillator, pitch_hz
from vaclog.records import CardText, Chunk, PortClosed, PortOpened
from vaclog.session import CyclesGrew, Session
from vaclog.simulator.presets import knobs
from vaclog.simulator.script import Hold, Script, Turn

ROOT = Path(__file__).parents[2]
PATIENCE_S = 40.0
WINDOW = RATE_HZ // 5
# 16 bits: rounding and the fade's end are below this, the ducked tone is far above.
SILENT = 20.0


def cents(a_hz: float, b_hz: float) -> float:
    """Hundredths of a semitone between two pitches."""
    return float(1200.0 * np.log2(a_hz / b_hz))


def heard(sound: np.ndarray[Any, Any]) -> tuple[float, float]:
    """Pitch of a piece by its spectrum, the peak placed by a parabola, and its loudness."""
    loud = float(np.sqrt(np.mean(sound**2)))
    power = np.abs(np.fft.rfft(sound * np.hanning(len(sound)), 8 * len(sound)))
    at = int(power[1:-1].argmax()) + 1
    a, b, c = np.log(power[at - 1 : at + 2] + 1e-9)
    bend = a - 2 * b + c
    return (at + (0.5 * (a - c) / bend if bend else 0.0)) * RATE_HZ / (8 * len(sound)), loud


def samples(path: Path) -> np.ndarray[Any, np.dtype[np.float64]]:
    """What a player was given."""
    data = path.read_bytes() if path.exists() else b""
    return np.frombuffer(data[: len(data) // 2 * 2], "<i2").astype(np.float64)


def until(true: Callable[[], bool]) -> None:
    """Wait until it is true."""
    end = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < end, "it never came about"
        select.select([], [], [], 0.005)


def player(folder: Path, name: str, script: str) -> tuple[str, ...]:
    """A program that stands in for a player, with the arguments of the real one."""
    path = folder / name
    path.write_text(f"#!/bin/sh\n{script}\n")
    path.chmod(0o755)
    return (str(path), *next(each for each in PLAYERS if each[0] == name)[1:])


# The sound itself -----------------------------------------------------------------------------


def test_an_octave_is_a_kilopascal_and_a_half() -> None:
    """Up with the vacuum, within what is pleasant; a stopped engine breaks nothing."""
    assert pitch_hz(40.0, 40.0) == 440.0
    assert pitch_hz(38.5, 40.0) == pytest.approx(880.0)
    assert pitch_hz(41.5, 40.0) == pytest.approx(220.0)
    assert (pitch_hz(1e9, 40.0), pitch_hz(-1e9, 40.0)) == (110.0, 1760.0)


def test_the_page_says_the_same_numbers() -> None:
    """Its constants, by name; what its browser makes of them is tested beside the page."""
    page = Path(vaclog.web.__file__).parent / "page"
    text = (page / "tone.js").read_text() + (page / "page.js").read_text()
    for name in ("KPA_PER_OCTAVE", "MIDDLE_HZ", "LOW_HZ", "HIGH_HZ", "GLIDE_S", "FADE_S", "OLD_S"):
        found = re.search(rf"\b{name} = ([0-9.]+)", text)
        assert found and float(found[1]) == getattr(tone, name), name


def test_neither_pitch_nor_loudness_jumps() -> None:
    """Silence, on, an octave up, ducked, off: no step is larger than the tone's own slope."""
    oscillator, sound = Oscillator(), []
    for hz, loudness in [(440.0, 0.0), (440.0, 0.15), (880.0, 0.15), (880.0, 0.02), (880.0, 0.0)]:
        sound += [oscillator.render(480, hz, loudness) for _ in range(25)]
    whole = np.concatenate(sound).astype(float)
    # Phase and loudness at the borders of blocks against the same within them.
    steps = np.abs(np.diff(whole))
    borders = np.arange(479, len(steps), 480)
    within = np.delete(steps, borders)
    assert steps[borders].max() <= within.max()
    # No steeper than a sine of that peak: 2 pi f a.
    assert steps.max() < 2.0 * np.pi * 880.0 * LOUDNESS * 32767 / RATE_HZ
    onset = np.abs(whole[25 * 480 :])[: RATE_HZ // 200]
    assert onset.max() < 0.15 * np.abs(whole).max()
    assert np.abs(whole[: 25 * 480]).max() == 0 and np.abs(whole[-240:]).max() <= 2


# Into a player --------------------------------------------------------------------------------


def test_a_player_is_given_the_pitch_of_the_vacuum(tmp_path: Path) -> None:
    """Three pressures, then one with a voice over it, then nothing new: in tune to 5 cents."""
    out, said, spoken = tmp_path / "out.raw", list[str](), [False]
    command = player(tmp_path, "aplay", f'echo "$@" > {tmp_path}/args; exec cat > {out}')
    held = {}
    with Tone([command], say=said.append, speaks=lambda: spoken[0]) as sounding_tone:

        def sounded(seconds: float, kpa: float) -> slice:
            begin = len(samples(out))

            def enough() -> bool:
                sounding_tone.follow(kpa)
                return len(samples(out)) - begin > seconds * RATE_HZ

            until(enough)
            return slice(len(samples(out)) - WINDOW, len(samples(out)))

        for kpa in (40.0, 39.1, 41.2):
            held[kpa] = sounded(1.0, kpa)
        spoken[0] = True
        ducked = sounded(0.8, 41.2)
        spoken[0] = False
        silent_from = len(samples(out))
        until(lambda: len(samples(out)) - silent_from > 2.8 * RATE_HZ)
        sounding_tone.follow(float("nan"))
        ended_s = time.monotonic()
    assert time.monotonic() - ended_s < 3.0 and said == []
    sound = samples(out)
    for kpa, span in held.items():
        hz, loud = heard(sound[span])
        assert abs(cents(hz, 440.0 * 2 ** ((40.0 - kpa) / 1.5))) < 5.0
        assert loud == pytest.approx(
            np.median([heard(sound[s])[1] for s in held.values()]), rel=0.1
        )
    assert heard(sound[ducked])[1] == pytest.approx(DUCKED * loud, rel=0.1)
    assert heard(sound[silent_from + round(0.5 * RATE_HZ) :][:WINDOW])[1] > 0.8 * loud
    assert np.abs(sound[silent_from + round(2.6 * RATE_HZ) :]).max() < SILENT
    assert f"{RATE_HZ}" in (tmp_path / "args").read_text().split()


def test_a_player_that_dies_gives_way_to_the_next(tmp_path: Path) -> None:
    """One that finds no sound server, one that stops half way, one that plays."""
    out, half, said = tmp_path / "out.raw", tmp_path / "half.raw", list[str]()
    commands = [
        player(tmp_path, "pacat", "exit 1"),
        player(tmp_path, "aplay", f"head -c 20000 > {half}; exit 0"),
        player(tmp_path, "play", f"exec cat > {out}"),
    ]
    with Tone(commands, say=said.append):
        until(lambda: len(samples(out)) > 0)
    assert said == [] and half.stat().st_size == 20_000


def test_where_none_plays_it_is_said_once_with_the_fix(tmp_path: Path) -> None:
    """And leaving is not held up."""
    said = list[str]()
    gone = (str(tmp_path / "gone"), "-")
    with Tone([gone, player(tmp_path, "aplay", "exit 3")], say=said.append) as silent:
        until(lambda: bool(said))
        silent.follow(40.0)
    assert len(said) == 1 and "loudspeaker" in said[0] and "aplay has ended (exit 3)" in said[0]
    with Tone([], say=said.append):
        until(lambda: len(said) == 2)
    assert "no audio player" in said[1] and "apt install alsa-utils" in said[1]


def test_only_what_is_on_the_path_is_a_player(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Best first, each told the same rate."""
    monkeypatch.setenv("PATH", str(tmp_path))
    assert players() == []
    for name in ("play", "aplay"):
        player(tmp_path, name, "exit 0")
    assert [each[0] for each in players()] == ["aplay", "play"]
    assert all(any(str(RATE_HZ) in part for part in each) for each in PLAYERS)


def test_a_player_that_takes_nothing_is_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is ended, even where it does not hear; who gives the pressures never waits."""
    monkeypatch.setattr(sounding, "BLOCKED_S", 0.4)
    pid, said = tmp_path / "pid", list[str]()
    stubborn = player(
        tmp_path, "aplay", f'trap "" TERM; echo $$ > {pid}; while :; do sleep 1; done'
    )
    with Tone([stubborn], say=said.append) as blocked:
        worst_s, patience_s = 0.0, time.monotonic() + 30.0
        while not said:
            assert time.monotonic() < patience_s, "it waits for the player"
            before_s = time.monotonic()
            blocked.follow(40.0)
            worst_s = max(worst_s, time.monotonic() - before_s)
            select.select([], [], [], 0.005)
            assert blocked._thread.is_alive() or said
    assert "takes no sound" in said[0] and worst_s < 1.0
    with pytest.raises(ProcessLookupError):
        os.kill(int(pid.read_text()), 0)


# The whole program ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def capture(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Holds at three settings."""
    segments = [Hold(seconds=7.0)]
    for to_deg in (18.0, 24.0):
        segments += [Turn(to_deg=to_deg, rate_deg_s=8.0), Hold(seconds=8.0)]
    recording = replace(knobs(), script=Script(start_deg=12.0, segments=tuple(segments))).simulate(
        3
    )
    path = tmp_path_factory.mktemp("tone") / "three.vaclog"
    with CaptureWriter(path) as writer:
        writer.write(CardText(at_us=0, which="engine", toml=recording.engine_card_toml))
        writer.write(CardText(at_us=0, which="rig", toml=recording.rig_card_toml))
        writer.write(PortOpened(at_us=0, name="port"))
        for at_us, data in recording.chunks:
            writer.write(Chunk(at_us=at_us, data=data))
        writer.write(PortClosed(at_us=at_us))
    return path


def listening(capture: Path, folder: Path, *more: str) -> tuple[bytes, str]:
    """What ``vaclog listen --replay`` prints, and what it says, with only these on its PATH."""
    command = [sys.executable, "-m", "vaclog", "listen", "--replay", str(capture), "--no-page"]
    env = {**os.environ, "PYTHONPATH": str(ROOT), "PATH": f"{folder}:/bin"}
    # The real ones, if there are any, are not asked for: these stand before them.
    for name in ("pacat", "aplay", "play"):
        if not (folder / name).exists():
            player(folder, name, "exit 1")
    done = subprocess.run(
        [*command, "--json", *more], env=env, check=True, capture_output=True, timeout=PATIENCE_S
    )
    return done.stdout, done.stderr.decode()


def test_the_pitch_follows_the_vacuum_of_the_feed(capture: Path, tmp_path: Path) -> None:
    """From the port's bytes to the player's file, against the pressures of the same session."""
    speed, out = 3.0, tmp_path / "out.raw"
    player(tmp_path, "aplay", f"exec cat > {out}")
    listening(capture, tmp_path, "--tone", "--speed", str(speed))
    session, t_s, kpa = Session(), list[float](), list[float]()
    for record in open_capture(capture).records:
        for event in session.feed(record):
            if isinstance(event, CyclesGrew) and event.mean_kpa == event.mean_kpa:
                t_s.append((record.at_us or 0) / 1e6 / speed)
                kpa.append(event.mean_kpa)
    sound = samples(out)
    begin = int(np.flatnonzero(np.abs(sound) > SILENT)[0])
    assert len(sound) / RATE_HZ > t_s[-1] - t_s[0]
    off, pitches = [], []
    for at_s in np.arange(0.3, t_s[-1] - t_s[0] - 0.3, 0.1):
        middle = begin + round(at_s * RATE_HZ)
        hz, loud = heard(sound[middle - WINDOW // 2 : middle + WINDOW // 2])
        # The glide is behind by its time constant.
        now = np.interp(t_s[0] + at_s - 0.08, t_s, kpa)
        off.append(abs(cents(hz, pitch_hz(float(now), kpa[0]))))
        pitches.append(hz)
        assert loud > 1000
    assert max(pitches) / min(pitches) > 2.0, "nothing moved"
    assert np.median(off) < 60.0 and np.quantile(off, 0.9) < 200.0, (np.median(off), off)


@pytest.mark.parametrize("script", ["exec sleep 30", "head -c 9000 >/dev/null; exit 1"])
def test_no_player_changes_the_answer(capture: Path, tmp_path: Path, script: str) -> None:
    """Blocked or dead: as fast, and the same bytes, as without a tone."""
    player(tmp_path, "aplay", script)
    began_s = time.monotonic()
    told, said = listening(capture, tmp_path, "--tone", "--speed", "8")
    took_s = time.monotonic() - began_s
    plain, quiet = listening(capture, tmp_path, "--speed", "1000")
    assert told == plain and json.loads(told)["schema"] == 1
    assert took_s < 30.0
    assert ("The tone is silent" in said) is ("exit" in script) and "tone" not in quiet
    assert said.count("The tone is silent") <= 1


def test_a_simulated_engine_is_heard_and_ctrl_c_ends_both(tmp_path: Path) -> None:
    """The player is no part of what Ctrl-C stops: it plays to the end, and then is gone."""
    out, pid = tmp_path / "out.raw", tmp_path / "pid"
    player(tmp_path, "pacat", "exit 1")
    player(tmp_path, "aplay", f"echo $$ > {pid}; exec cat > {out}")
    process = subprocess.Popen(
        [sys.executable, "-m", "vaclog", "listen", "--simulate", "there-and-back", "--no-page",
         "--tone", "--speed", "2", "--capture", str(tmp_path / "c.vaclog")],
        env={**os.environ, "PYTHONPATH": str(ROOT), "PATH": f"{tmp_path}:/bin"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
    )  # fmt: skip
    try:
        until(lambda: len(samples(out)) > 0 and np.abs(samples(out)[-WINDOW:]).max() > 1000)
        os.killpg(process.pid, signal.SIGINT)
        _, err = process.communicate(timeout=PATIENCE_S)
    finally:
        process.kill()
    assert process.returncode == 0 and b"tone" not in err, err
    with pytest.raises(ProcessLookupError):
        os.kill(int(pid.read_text()), 0)
    assert np.abs(samples(out)[-240:]).max() < 1500, "it ends in a click"
