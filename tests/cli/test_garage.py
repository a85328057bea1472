"""The garage by commands: cards asked and converted, visits listed, told, compared, exported."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from tests.cli.conftest import run
from vaclog.cards import engine_card, rig_card
from vaclog.cli import main, printing
from vaclog.errors import VaclogError
from vaclog.garage import Garage
from vaclog.result import from_json
from vaclog.visit.records import Capture, Setting, Visit, visit_from_json, visit_to_json

SAMPLES = Path(__file__).parents[2] / "sample_captures"
ENGINE = SAMPLES / "there_and_back.engine.toml"
RIG = SAMPLES / "there_and_back.rig.toml"

Command = Callable[..., Result]


@pytest.fixture
def command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Command:
    """Runs `vaclog garage` on a garage of its own."""
    monkeypatch.setenv("VACLOG_GARAGE", str(tmp_path / "g.db"))

    def command(*words: object, answers: list[str] | None = None) -> Result:
        given = None if answers is None else "\n".join(answers) + "\n"
        return CliRunner().invoke(main, ["garage", *map(str, words)], input=given)

    return command


@pytest.fixture
def filled(command: Command, tmp_path: Path) -> Command:
    """Two visits to one engine, a year apart."""
    expected = (SAMPLES / "there_and_back.expected.json").read_text(encoding="utf-8")
    visit = Visit(
        engine="Pump-house engine",
        rig="bench",
        engine_toml=ENGINE.read_text(encoding="utf-8"),
        rig_toml=RIG.read_text(encoding="utf-8"),
        begun="2026-04-02T10:00:00",
        ended="2026-04-02T12:00:00",
        captures=(
            Capture(purpose="sweep", sha256="ab" * 32, path="a", result=from_json(expected)),
        ),
        settings=(Setting(aimed_deg=9.3, reached_deg=9.2, u_reached_deg=0.2, locked=True),),
    )
    with Garage(tmp_path / "g.db") as garage:
        garage.save_visit(visit)
        garage.save_visit(replace(visit, begun="2027-04-02T10:00:00"))
    return command


# Name, cylinders, order, rotor, degrees of; curve; figure, by strobe, at, hose; total, hose;
# idle, radius, vacuum, altitude, verified.
ASKED = [
    *("Mill engine", "4", "1 3 4 2", "clockwise", "distributor"),
    *("400 0", "1500 11", ""),
    *("6", "strobe", "1000", "off"),
    *("26", "on", "9"),
    *("850", "32,5", "ported", "", "y"),
]


def test_an_engine_is_asked_for_and_converted(command: Command) -> None:
    """Distributor degrees by strobe at 1000 rpm: 6° are 12°, of which the weights add 2°."""
    done = command("engine", "add", "--json", answers=ASKED)
    assert done.exit_code == 0, done.stderr
    document = json.loads(done.stdout)
    card = engine_card(document["toml"])
    assert (card.name, card.cylinders, card.firing_order) == ("Mill engine", 4, (1, 3, 4, 2))
    assert card.centrifugal == ((800.0, 0.0), (3000.0, 22.0))
    assert card.static_deg == 10.0
    assert card.max_total_deg == 52.0 - 9.0
    assert (card.body_radius_mm, card.tdc_verified, card.altitude_m) == (32.5, True, None)
    assert document["doubts"] and "42" not in document["doubts"][0]
    assert "weights add 2°" in done.stderr


def test_a_figure_with_an_unknown_vacuum_part_is_no_limit(command: Command) -> None:
    """Read with the hose on and the unit's part not known, it would be a cap that is too high."""
    answers = [*ASKED[:8], "6", "strobe", "1000", "on", "", "26", "on", "", *ASKED[-5:]]
    answers[6] = "1500 11,0"  # a decimal comma, as everywhere else
    done = command("engine", "add", answers=answers)
    assert done.exit_code == 0, done.stderr
    assert done.stderr.count("is left out") == 2
    card = engine_card(command("engine", "show", "Mill engine").stdout)
    assert (card.static_deg, card.max_total_deg) == (None, None)
    assert card.centrifugal == ((800.0, 0.0), (3000.0, 22.0))


def test_asking_anew_keeps_what_is_not_asked(command: Command, tmp_path: Path) -> None:
    """The bore, which only the sound of a drive needs."""
    card = tmp_path / "card.toml"
    card.write_text('name = "Mill engine"\nbore_mm = 72.5\nclick_deg = 0.5\n', encoding="utf-8")
    assert command("engine", "add", card).exit_code == 0
    assert command("engine", "edit", "Mill engine", answers=[""] * 12).exit_code == 0
    kept = engine_card(command("engine", "show", "Mill engine").stdout)
    assert (kept.bore_mm, kept.click_deg) == (72.5, 0.5)


def test_answers_that_cannot_be_are_asked_again(command: Command) -> None:
    """A word for a number, a firing order of the wrong length, an impossible card."""
    answers = [
        *("Mill engine", "four", "4", "1 3 4", "1 3 4 2", "unknown", "crank"),
        *("1500 10", "1200 12", "3000 x", "3000 22", ""),
        *("10", "static", "34", "off"),
        *("9999", "", "none", "", "n"),  # no engine idles so
        *("Mill engine", "", "", "unknown", "crank", "", "", "", "850", "", "none", "", "n"),
    ]
    done = command("engine", "add", answers=answers)
    assert done.exit_code == 0, done.stderr
    for said in ("is no number", "each of the 4", "must rise", "Two numbers", "idle_rpm"):
        assert said in done.stderr
    card = engine_card(command("engine", "show", "Mill engine").stdout)
    assert (card.idle_rpm, card.static_deg) == (850.0, None)


def test_cards_from_files(command: Command, tmp_path: Path) -> None:
    """Added, listed, shown as they were written, edited, renamed; doubts on stderr."""
    assert command("engine", "add", ENGINE).exit_code == 0
    assert command("engine", "show", "pump-house ENGINE").stdout == ENGINE.read_text("utf-8")
    again = command("engine", "add", ENGINE)
    assert again.exit_code == 3 and "already" in again.stderr
    odd = tmp_path / "odd.toml"
    odd.write_text('name = "Pump-house engine"\nstatic_deg = 32.0\n', encoding="utf-8")
    edited = command("engine", "edit", "Pump-house engine", odd)
    assert edited.exit_code == 0 and "total at speed" in edited.stderr
    assert command("engine", "edit", "Pump-house engine", "--rename", "Mill").exit_code == 0
    listed = json.loads(command("engine", "list", "--json").stdout)
    assert [(row["name"], row["visits"]) for row in listed] == [("Mill", 0)]
    assert "Mill" in command("engine", "list").stdout
    broken = tmp_path / "broken.toml"
    broken.write_text("static = 9\n", encoding="utf-8")
    assert command("engine", "edit", "Mill", broken).exit_code == 3


def test_a_rig_is_asked_for(command: Command) -> None:
    """With a mark and without a body sensor."""
    answers = ["", "", "no1", "y", "20", "0.5", "n"]
    assert command("rig", "add", "bench", answers=answers).exit_code == 0
    card = rig_card(command("rig", "show", "bench").stdout)
    assert card.mark is not None and card.body is None
    assert (card.mark.angle_deg, card.mark.u_angle_deg) == (20.0, 0.5)
    body = ["", "", "no1", "n", "y", "0.04", "fall", "300", "10"]
    assert command("rig", "edit", "bench", answers=body).exit_code == 0
    sensor = rig_card(command("rig", "show", "bench").stdout).body
    assert sensor is not None and (sensor.sign, sensor.anchor_counts) == (-1, 300.0)
    assert json.loads(command("rig", "list", "--json").stdout)[0]["name"] == "bench"


def test_visits_are_listed_and_told(filled: Command) -> None:
    """Newest first; each beside the one before."""
    lines = filled("visits").stdout.splitlines()
    assert len(lines) == 3 and lines[1].split()[:2] == ["2", "2027-04-02"]
    listed = json.loads(filled("visits", "--json").stdout, parse_constant=pytest.fail)
    assert [row["number"] for row in listed] == [2, 1]
    expected = json.loads((SAMPLES / "there_and_back.expected.json").read_text(encoding="utf-8"))
    assert listed[0]["peak_deg"] == expected["peak"]["angle_deg"]
    assert json.loads(filled("visits", "--json", "--last", 1).stdout) == listed[:1]
    assert filled("visits", "--engine", "Mill").exit_code == 1
    told = filled("show", 2).stdout
    assert "Visit 2 to Pump-house engine, 2 April 2027" in told
    assert "Since visit 1 of 2 April 2026" in told
    assert "Since visit" not in filled("show", 1).stdout
    assert visit_from_json(filled("show", 1, "--json").stdout).number == 1
    missing = filled("show", 9)
    assert missing.exit_code == 1 and "no visit 9" in missing.stderr


def test_two_visits_are_compared(filled: Command) -> None:
    """In words and as JSON."""
    assert "Not changed by more" in filled("compare", 1, 2).stdout
    document = json.loads(filled("compare", 1, 2, "--json").stdout, parse_constant=pytest.fail)
    swapped = filled("compare", 2, 1)
    assert swapped.stdout == filled("compare", 1, 2).stdout and "swapped" in swapped.stderr
    assert {change["key"] for change in document["changes"]} >= {"peak", "idle vacuum"}
    assert all("changed" in change for change in document["changes"])


def test_export_backup_and_check(filled: Command, tmp_path: Path) -> None:
    """What is written is named on stdout; a damaged copy ends with the code of storage."""
    assert filled("export", tmp_path / "all.json").stdout.strip().endswith("all.json")
    document = json.loads((tmp_path / "all.json").read_text(encoding="utf-8"))
    with Garage(tmp_path / "g.db") as garage:
        kept = visit_to_json(garage.visit(2))
    assert visit_to_json(visit_from_json(json.dumps(document["visits"][1]))) == kept
    written = filled("export", tmp_path / "tables").stdout.split()
    assert all(Path(name).exists() for name in written) and len(written) >= 7
    backed = json.loads(filled("backup", tmp_path / "b.db", "--json").stdout)
    assert (backed["sound"], backed["visits"]) == (True, 2)
    assert "sound" in filled("check", tmp_path / "b.db").stdout
    assert "2 visits" in filled("check").stdout
    other = tmp_path / "other.db"
    other.write_bytes(b"SQLite format 3\0" + b"\x55" * 4096)
    assert filled("check", other).exit_code == 6


def test_captures_are_kept_and_found(command: Command, tmp_path: Path) -> None:
    """By the beginning of the hash, after a move, and out of the garage when they are gone."""
    capture = tmp_path / "a.vaclog"
    shutil.copy(SAMPLES / "stumbles.vaclog", capture)
    sha256 = command("keep", "--inside", capture).stdout.split()[0]
    assert command("find", sha256[:8]).stdout.strip() == str(capture)
    (tmp_path / "far").mkdir()
    capture.rename(tmp_path / "far" / "b.vaclog")
    lost = command("find", sha256[:8])
    assert lost.exit_code == 1 and "--in FOLDER" in lost.stderr
    assert command("find", sha256, "--in", tmp_path).stdout.strip().endswith("b.vaclog")
    (tmp_path / "far" / "b.vaclog").unlink()
    out = tmp_path / "out.vaclog"
    assert command("find", sha256, "--out", out).exit_code == 0
    assert out.read_bytes() == (SAMPLES / "stumbles.vaclog").read_bytes()


def test_without_a_garage_nothing_is_made(command: Command, tmp_path: Path) -> None:
    """A list of nothing says how to begin, and leaves no file behind."""
    done = command("visits")
    assert done.exit_code == 6 and "engine add" in done.stderr
    assert list(tmp_path.iterdir()) == []
    elsewhere = command("engine", "add", ENGINE, "--garage", tmp_path / "deep" / "own.db")
    assert elsewhere.exit_code == 0
    assert [path.name for path in tmp_path.iterdir()] == ["deep"]


def test_the_page_and_its_pdf(filled: Command, tmp_path: Path) -> None:
    """Written beside the text; the PDF by the installed browser, two to six pages of A4."""
    page, pdf = tmp_path / "visit.html", tmp_path / "visit.pdf"
    wants_pdf = ["--pdf", pdf] if _has_browser() else []
    done = filled("show", 2, "--html", page, *wants_pdf)
    assert done.exit_code == 0, done.stderr
    assert "<svg" in page.read_text(encoding="utf-8")
    if wants_pdf:
        content = pdf.read_bytes()
        assert content.startswith(b"%PDF-") and content.rstrip().endswith(b"%%EOF")
        assert 2 <= content.count(b"/Type /Page\n") <= 6
        assert sorted(path.name for path in tmp_path.glob(".print-*")) == []


def _has_browser() -> bool:
    try:
        printing.browser()
    except VaclogError:
        return False
    return True


def test_no_browser_no_pdf(
    filled: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Said with the way to get one; the rest of the answer is out by then."""
    monkeypatch.setenv("PATH", str(tmp_path))
    done = filled("show", 1, "--pdf", tmp_path / "visit.pdf")
    assert done.exit_code == 1 and "apt install chromium" in done.stderr
    assert "Pump-house engine" in done.stdout
    assert not (tmp_path / "visit.pdf").exists()


def test_a_browser_that_fails(
    filled: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its last words are told, and no half-made file stays."""
    fake = tmp_path / "bin" / "chromium"
    fake.parent.mkdir()
    fake.write_text("#!/bin/sh\necho out of luck >&2\nexit 1\n", encoding="utf-8")
    fake.chmod(0o755)
    monkeypatch.setenv("PATH", f"{fake.parent}:/bin:/usr/bin")
    done = filled("show", 1, "--pdf", tmp_path / "visit.pdf")
    assert done.exit_code == 1 and "out of luck" in done.stderr
    assert not (tmp_path / "visit.pdf").exists()
    nowhere = filled("show", 1, "--pdf", tmp_path / "none" / "visit.pdf")
    assert nowhere.exit_code == 6


def test_help_is_there_for_all(command: Command) -> None:
    """Every command of the group says what it does."""
    shown = run("garage", "--help").stdout
    for name in ("engine", "rig", "visits", "show", "compare", "export", "backup", "check"):
        assert f"  {name}" in shown
        assert command(name, "--help").exit_code == 0
