"""The commands of a visit: led by questions, listed, refused with reasons, JSON everywhere."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from vaclog.cli import main

CARD = 'name = "Workshop engine"\nstatic_deg = 10.0\nidle_rpm = 850\nmax_total_deg = 36.0\n'


@pytest.fixture
def garage(tmp_path: Path) -> Path:
    """A garage with one open visit."""
    (tmp_path / "engine.toml").write_text(CARD, encoding="utf-8")
    path = tmp_path / "garage.db"
    done = typed(path, "begin", tmp_path / "engine.toml")
    assert done.exit_code == 0, done.output
    return path


def typed(garage: Path, *words: object, keys: str | None = None) -> Result:
    """Run ``vaclog visit ...``; ``keys`` are typed at its questions."""
    return CliRunner().invoke(
        main, ["visit", *map(str, words), "--garage", str(garage)], input=keys
    )


def status(garage: Path) -> dict[str, object]:
    """The whole visit."""
    return dict(json.loads(typed(garage, "status", "--json").stdout))


ORDINARY = "yes\n" * 12  # plain ... tdc


def test_led_by_questions_to_the_end(garage: Path) -> None:
    """With nothing recorded at all: every step by hand, pinking once, and the visit ends."""
    by_hand = (
        "skip\nyes\n850\n"  # no check; warm; idle speed
        "10.5\nyes\n"  # baseline, scribed
        "skip\nskip\n"  # curve, sweep
        "yes\n850rpm\nyes\nskip\n0.2\n"  # set, idle, mixture, again, lock
        "yes\npinking\nyes\n0\nclean\n"  # hose, road, set, lock, road
        "yes\nyes\nyes\nyes\nyes\n"  # hot day, fuel, running on, kick-back, end
    )
    done = typed(garage, "go", keys=ORDINARY + by_hand)
    assert "The visit has ended" in done.output, done.output
    visit = dict(json.loads(typed(garage, "status", "--visit", 1, "--json").stdout))
    assert visit["step"] == "record" and visit["ended"]
    assert [setting["aimed_deg"] for setting in visit["settings"]] == [10.0, 8.0]
    notes = " ".join(visit["notes"])
    assert "what the curve adds" in notes and "short sweep again" in notes.lower()


def test_a_slip_of_the_keyboard_is_told_and_asked_again(garage: Path) -> None:
    """Nonsense, a missing file, a step that was not done: a sentence each, then the question."""
    keys = (
        "help\n"
        + ORDINARY
        + "nowhere.txt\nredo sweep\nskip\nyes\nfast\n850\n?\nnote Cold wind.\nquit\n"
    )
    done = typed(garage, "go", keys=keys)
    assert done.exit_code == 0, done.output
    for words in ("no file 'nowhere.txt'", "not a step that was done", "'fast' is not", "All is"):
        assert words in done.output, words
    assert "Not understood" in done.output and "--value" not in done.output
    assert status(garage)["step"] == "baseline" and status(garage)["notes"] == ["Cold wind."]


def test_a_visit_need_not_be_ended_when_all_is_done(garage: Path) -> None:
    """ "no" to the last question is an answer."""
    by_hand = "skip\nyes\n850\n10.5\nyes\nskip\nskip\nyes\n850rpm\nyes\nskip\n0.2\n"
    road = "yes\nclean\nyes\nyes\nyes\nyes\nno\n"
    done = typed(garage, "go", keys=ORDINARY + by_hand + road)
    assert "All is kept" in done.output and "Not understood" not in done.output, done.output
    assert status(garage)["step"] == "record" and not status(garage)["ended"]


def test_left_at_any_question_and_taken_up(garage: Path) -> None:
    """The end of input is what Ctrl-C is: what was answered is kept."""
    assert "All is kept" in typed(garage, "go", keys="yes\nyes\n").output
    keys = [point["key"] for point in status(garage)["points"]]  # type: ignore[attr-defined]
    assert keys == ["plain", "brake"]
    assert "neutral" in typed(garage, "next").output


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (("trial", "--clean"), 1, "next is 'fit'"),
        (("trial",), 2, "--pinking"),
        (("answer", "brakes", "yes"), 2, "no point 'brakes', perhaps 'brake' was meant"),
        (("answer", "xyz", "yes"), 2, "no point 'xyz'. Asked now: plain"),
        (("answer", "mixture", "yes"), 1, "next is 'fit'"),
        (("skip", "raod"), 2, "no step 'raod', perhaps 'road' was meant"),
        (("redo", "swep"), 2, "no step 'swep', perhaps 'sweep' was meant"),
        (("answer", "points", "yes", "--value", "52"), 1, "52deg, 52%"),
        (("answer", "plugs", "yes", "--value", "wide"), 2, "0.63mm"),
        (("answer", "gear", "skip"), 1, "cannot be left out"),
        (("skip", "road"), 1, "next is 'fit'"),
        (("redo", "sweep"), 1, "Done so far: nothing"),
        (("status", "--visit", "9"), 1, "no visit 9"),
        (("begin", "Unknown engine"), 1, "no engine"),
    ],
)
def test_what_cannot_be_is_refused_with_the_next_step(
    garage: Path, words: tuple[str, ...], code: int, told: str
) -> None:
    """One sentence of fact, one of what to do; no traceback; the visit is untouched."""
    before = status(garage)
    done = typed(garage, *words)
    assert done.exit_code == code, done.output
    assert told in " ".join(done.output.split())
    assert "Traceback" not in done.output
    assert status(garage) == before


def test_numbers_as_people_write_them(garage: Path) -> None:
    """A decimal comma, a degree sign, a blank before the unit."""
    for value, stored in (("0,65 mm", 0.65), ("0.025in", 0.635)):
        typed(garage, "answer", "plugs", "yes", "--value", value)
        points = {point["key"]: point for point in status(garage)["points"]}  # type: ignore[attr-defined]
        assert points["plugs"]["value"] == pytest.approx(stored)
    typed(garage, "answer", "points", "yes", "--value", "52°")
    points = {point["key"]: point for point in status(garage)["points"]}  # type: ignore[attr-defined]
    assert points["points"]["value"] == 52.0 and points["points"]["unit"] == "deg"


def test_open_visits_are_listed_and_the_newest_is_meant(garage: Path) -> None:
    """Two visits open: each can be named; an ended one is listed on demand only."""
    assert typed(garage, "begin", "Workshop engine").exit_code == 0
    typed(garage, "note", "of the first", "--visit", 1)
    rows = json.loads(typed(garage, "list", "--json").stdout)
    assert [(row["visit"], row["step"]) for row in rows] == [(2, "fit"), (1, "fit")]
    assert status(garage)["number"] == 2 and status(garage)["notes"] == []
    assert "Ended before" in typed(garage, "end").output
    assert status(garage)["number"] == 1
    assert len(json.loads(typed(garage, "list", "--all", "--json").stdout)) == 2
    typed(garage, "end")
    assert "No visit is open" in typed(garage, "next").output
    assert "No visit is open" in typed(garage, "list").output


def test_begin_warns_of_a_card_without_a_cap(tmp_path: Path) -> None:
    """No cap, no number: said before the work, not after it."""
    card = tmp_path / "old.toml"
    card.write_text('name = "Old engine"\n', encoding="utf-8")
    done = typed(tmp_path / "garage.db", "begin", card)
    assert done.exit_code == 0 and "max_total_deg" in done.output
    card.write_text("cylinders = 6\n", encoding="utf-8")
    assert typed(tmp_path / "garage.db", "begin", card).exit_code == 3


def test_a_card_that_was_changed_is_noticed(garage: Path, tmp_path: Path) -> None:
    """The visit goes by the file; the garage's own card stays until it is edited."""
    assert "another card" not in typed(garage, "begin", tmp_path / "engine.toml").output
    (tmp_path / "engine.toml").write_text(CARD.replace("10.0", "12.0"), encoding="utf-8")
    assert "another card" in typed(garage, "begin", tmp_path / "engine.toml").output
    assert "static_deg = 12.0" in str(status(garage)["engine_toml"])


def test_next_as_json_says_everything(garage: Path) -> None:
    """For a page or another program: the step, the question, whether it may be left out."""
    told = json.loads(typed(garage, "next", "--json").stdout)
    assert told["step"] == "fit" and told["next"]["ask"] == "plain"
    assert told["next"]["cautions"] and told["next"]["may_be_left_out"] is True
