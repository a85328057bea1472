"""The README's commands are run, as far as they need neither a board nor a minute."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from vaclog.cards import load_engine_card, load_rig_card
from vaclog.cli import main

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def commands(section: str) -> list[list[str]]:
    """The words of each command of a section, without the program's name."""
    block = README.split(f"## {section}")[1].split("```sh\n")[1].split("```")[0]
    lines = [shlex.split(line) for line in block.splitlines()]
    assert len(lines) >= 8
    assert all(words[0] == "vaclog" for words in lines)
    return [words[1:] for words in lines]


@pytest.fixture
def garage(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the files that the README speaks of, the cards being its own."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("VACLOG_GARAGE", str(tmp_path / "garage.db"))
    for block in re.findall(r"```toml\n(# (\w+\.toml).*?)```", README, flags=re.DOTALL):
        Path(block[1]).write_text(block[0], encoding="utf-8")
    shutil.copy(ROOT / "sample_captures" / "there_and_back.vaclog", "visit.vaclog")
    first = "# vaclog-lines 1 tick_ns=500 adc_bits=10\n"
    Path("visit.txt").write_text(first + "P 0 100\nP 2000 100\n", encoding="utf-8")
    Path("log.csv").write_text("t,map\n0.00,40.1\n0.01,40.2\n", encoding="utf-8")
    Path("columns.toml").write_text(
        '[columns]\ntime = { column = "t", unit = "s" }\n'
        'pressure = { column = "map", unit = "kPa" }\n',
        encoding="utf-8",
    )
    return tmp_path


def test_the_cards_of_the_readme_are_cards(garage: Path) -> None:
    """Both parse, with every key known."""
    assert load_engine_card(Path("engine.toml")).max_total_deg == 34.0
    mark = load_rig_card(Path("rig.toml")).mark
    assert mark is not None and mark.angle_deg == 20.0


@pytest.mark.parametrize("words", commands("Use"), ids=" ".join)
def test_the_commands_of_the_readme_run(garage: Path, words: list[str]) -> None:
    """Each does what it says, or fails for want of a board alone."""
    if words[:2] == ["listen", "--simulate"]:
        words = [*words, "--no-page", "--help"]  # played whole in tests/web; here its options
    done = CliRunner().invoke(main, words)
    if words[:2] == ["listen", "/dev/ttyUSB0"] and not Path("/dev/ttyUSB0").exists():
        assert done.exit_code == 5, done.output
        assert "/dev/ttyUSB0" in done.stderr
    else:
        assert done.exit_code == 0, done.output


def test_a_visit_runs_from_its_beginning_to_its_report(garage: Path) -> None:
    """The commands of a visit, one after the other on one garage."""
    for words in commands("From the first check to next year"):
        done = CliRunner().invoke(main, words)  # `go` finds nobody at the keyboard, and leaves
        assert done.exit_code == 0, (words, done.output)
    for made in ("visit.html", "visit.pdf", "garage-backup.db"):
        assert Path(made).stat().st_size > 1000


def test_the_two_commands_are_those_of_the_project() -> None:
    """One runs the demo from a new environment, the other is what continuous integration runs."""
    assert ".venv/bin/vaclog demo" in README
    assert "bash tests/run" in README
    assert "bash tests/run" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")
