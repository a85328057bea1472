"""A whole visit rehearsed on a simulated engine: complete, marked, apart from the real garage."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from tests.visit.test_two_at_once import environment, read_to
from vaclog.cli import main
from vaclog.garage import Garage
from vaclog.report.visit import words
from vaclog.simulator.presets import workshop
from vaclog.visit.records import Visit


def run(*arguments: object, given: str = "", home: Path | None = None) -> Result:
    """Run a command; the usual garage is in ``home``."""
    environ = {"VACLOG_GARAGE": str(home / "real.db")} if home is not None else {}
    done = CliRunner().invoke(main, [*map(str, arguments)], input=given, env=environ)
    assert "Traceback" not in done.output
    return done


@dataclass(frozen=True, kw_only=True)
class Played:
    """A rehearsal that went by, and the one of the year after."""

    folder: Path
    said: str
    again: str
    first: Visit
    second: Visit


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Played:
    """Two rehearsals in one folder, every offered answer taken."""
    home = tmp_path_factory.mktemp("home")
    folder = home / "rehearsal"
    said = run("visit", "rehearse", "--by-itself", "--folder", folder, home=home)
    assert said.exit_code == 0, said.output
    again = run("visit", "rehearse", "--by-itself", "--folder", folder, home=home)
    assert again.exit_code == 0, again.output
    assert not (home / "real.db").exists()
    with Garage(folder / "garage.db") as garage:
        return Played(
            folder=folder,
            said=said.output,
            again=again.output,
            first=garage.visit(1),
            second=garage.visit(2),
        )


def test_all_twelve_steps_are_played(played: Played) -> None:
    """Every step done, none left out, nothing doubtful at the end."""
    for visit in (played.first, played.second):
        assert len(visit.done) == 12 and visit.ended and visit.rehearsal
        assert {point.verdict for point in visit.points} == {"in order"}
        assert visit.notes == ()


def test_each_thing_that_may_be_repeated_is_met_once(played: Played) -> None:
    """Too cold a check, a slipping lock, a road test that pinks; each is put right."""
    purposes = [each.purpose for each in played.first.captures]
    assert purposes.count("check") == 2 and purposes.count("lock") == 3
    assert [trial.pinking for trial in played.first.trials] == ["heard", "none heard"]
    moved = [setting.moved_deg for setting in played.first.settings]
    assert moved[0] == pytest.approx(workshop.LOCK_MOVES_DEG, abs=0.3)
    assert all(abs(each or 0.0) < 0.3 for each in moved[1:])
    assert "not warm yet" in " ".join(played.said.split())


def test_the_top_that_is_found_is_the_simulated_engine_s(played: Played) -> None:
    """The whole chain from bytes: its interval holds the truth of the simulator."""
    for visit in (played.first, played.second):
        for capture in visit.captures:
            if capture.purpose in ("sweep", "again"):
                peak = capture.result.peak
                assert peak.found and peak.low_deg is not None and peak.high_deg is not None
                assert peak.low_deg < workshop.TOP_DEG < peak.high_deg


def test_the_year_after_begins_where_it_was_left_and_below_what_pinked(played: Played) -> None:
    """The second rehearsal knows the first: no second pinking."""
    left = played.first.settings[-1].reached_deg
    assert left is not None and played.second.left_deg == left
    assert [trial.pinking for trial in played.second.trials] == ["none heard"]
    settings = [each.aimed_deg or 0.0 for each in played.second.settings]
    assert max(settings) < (played.first.trials[0].advance_deg or 0.0) - 1.0
    assert "one stage on" not in played.again  # that stage pinked last year


def test_every_page_says_that_it_is_a_rehearsal(played: Played) -> None:
    """Each step, the report's first line and headline, its page, the status, the JSON."""
    steps = [line for line in played.said.splitlines() if " of 12: " in line]
    assert len(steps) > 12 and all(line.startswith("REHEARSAL") for line in steps)
    garage = ("--garage", played.folder / "garage.db")
    page = played.folder / "report.html"
    told = run("visit", "report", "--visit", 1, "--html", page, *garage).output
    assert told.startswith("REHEARSAL") and "\n\nREHEARSAL. Set to" in told
    assert "<title>REHEARSAL" in page.read_text(encoding="utf-8")
    assert "REHEARSAL" in run("visit", "status", "--visit", 1, *garage).output
    assert json.loads(run("visit", "next", "--visit", 1, "--json", *garage).output)["rehearsal"]
    assert "REHEARSAL" in run("trend", "Workshop engine", *garage).output
    assert "REHEARSAL" in run("garage", "compare", 1, 2, *garage).output
    assert not words.title(replace(played.first, rehearsal=False)).startswith("REHEARSAL")


def test_the_captures_give_the_same_answer_by_replay(played: Played) -> None:
    """What is kept in the folder is what any capture is."""
    kept = next(each for each in played.first.captures if each.purpose == "sweep")
    done = run("replay", kept.path, "--json")
    assert done.exit_code == 0
    angle = json.loads(done.stdout)["peak"]["angle_deg"]
    assert angle == pytest.approx(kept.result.peak.angle_deg, abs=0.3)


def test_a_rehearsal_among_real_visits_is_left_out(played: Played, tmp_path: Path) -> None:
    """Taken into a real garage by whatever way, it is no visit before, and in no trend."""
    path = tmp_path / "real.db"
    real = replace(played.first, number=0, rehearsal=False, begun="2024-05-01T10:00:00", revision=0)
    with Garage(path) as garage:
        garage.save_visit(real)
        garage.save_visit(replace(played.first, number=0, begun="2025-05-01T10:00:00"))
        garage.save_visit(replace(real, begun="2026-05-01T10:00:00"))
    trend = run("trend", "Workshop engine", "--garage", path)
    assert "1 visit(s)" in trend.stderr and "2025" not in trend.stdout and "2024" in trend.stdout
    told = run("visit", "report", "--visit", 3, "--garage", path).output
    assert "Since visit 1" in told and "REHEARSAL" not in told
    card = tmp_path / "engine.toml"
    card.write_text(played.first.engine_toml, encoding="utf-8")
    run("visit", "begin", card, "--garage", path)
    with Garage(path) as garage:
        garage.save_visit(replace(played.first, number=0, begun="2027-05-01T10:00:00"))
        newest = next(each for each in garage.visits_of("Workshop engine") if not each.ended)
    assert newest.left_deg == real.settings[-1].reached_deg


def test_it_refuses_a_garage_of_real_visits(tmp_path: Path) -> None:
    """Named by mistake, the real garage is not touched."""
    with Garage(tmp_path / "garage.db") as garage:
        kept = garage.save_visit(Visit(engine="e", begun="2026-01-01"))
    done = run("visit", "rehearse", "--by-itself", "--folder", tmp_path)
    assert done.exit_code == 1 and "real visits" in done.output and "--folder" in done.output
    with Garage(tmp_path / "garage.db") as garage:
        assert garage.visit(kept.number) == kept and len(garage.visits()) == 1
    assert not list(tmp_path.glob("*.vaclog"))


def test_who_sets_it_too_far_is_sent_back_and_hears_it_pink(tmp_path: Path) -> None:
    """Enter takes what is offered; typed answers count as at a real engine."""
    to_set = "\n" * 18
    once = to_set + "16\n" + "\n" * 3 + "\n" + "16\n" + "\n" + "quit\n"
    done = run("visit", "rehearse", "--folder", tmp_path / "r", given=once)
    said = " ".join(done.output.split())
    assert done.exit_code == 0 and "vaclog visit rehearse --folder" in said
    assert "TOO FAR: it stands at 16.0°" in said
    assert "Locked, but TOO FAR: the capture shows it at" in said
    with Garage(tmp_path / "r" / "garage.db") as garage:
        visit = garage.visit(1)
    assert visit.step == "set" and [each.purpose for each in visit.captures][-1] == "lock"


def test_a_killed_rehearsal_goes_on_in_another_process(tmp_path: Path) -> None:
    """A real process, killed between two questions; the next one asks the next question."""
    command = [sys.executable, "-m", "vaclog", "visit", "rehearse", "--folder", str(tmp_path / "r")]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=environment()
    ) as guide:
        assert guide.stdin is not None and guide.stdout is not None
        for question in ("An ordinary engine?", "Handbrake on"):
            read_to(guide.stdout, question)
            guide.stdin.write("\n")
            guide.stdin.flush()
        read_to(guide.stdout, "neutral")
        os.kill(guide.pid, signal.SIGKILL)
    done = subprocess.run(
        command,
        input="quit\n",
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
        env=environment(),
    )
    assert "Gear in neutral" in done.stdout and "An ordinary engine" not in done.stdout
