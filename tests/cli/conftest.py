"""Captures made once for the tests of the commands."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from vaclog.cli import main
from vaclog.simulator import Recording
from vaclog.simulator.presets import preset


@dataclass(frozen=True, kw_only=True)
class Bench:
    """A folder with a text-lines capture, its two cards, and the recording behind them."""

    folder: Path
    lines: Path
    engine: Path
    rig: Path
    recording: Recording


@pytest.fixture(scope="session")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """One full visit: engine off, start, warm-up, rev-up, sweep there and back, load, off."""
    folder = tmp_path_factory.mktemp("bench")
    recording = preset("visit").simulate(3)
    lines, engine, rig = folder / "visit.txt", folder / "engine.toml", folder / "rig.toml"
    lines.write_bytes(recording.text)
    engine.write_text(recording.engine_card_toml, encoding="utf-8")
    rig.write_text(recording.rig_card_toml, encoding="utf-8")
    return Bench(folder=folder, lines=lines, engine=engine, rig=rig, recording=recording)


def run(*arguments: object) -> Result:
    """Run a command as a person would type it; stdout and stderr apart."""
    return CliRunner().invoke(main, [str(argument) for argument in arguments])
