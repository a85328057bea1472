"""Two processes, or two windows, on one visit: nothing that was told is lost in silence."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.visit.visit_cases import AT, CARD, SOUND, capture
from vaclog.errors import StaleVisitError, UnknownRecordError, VisitError
from vaclog.garage import Garage
from vaclog.visit.events import Noted
from vaclog.visit.records import Visit, visit_from_json
from vaclog.visit.steps import begin, take


@pytest.fixture
def kept(tmp_path: Path) -> tuple[Path, Visit]:
    """A garage file with an open visit."""
    path = tmp_path / "garage.db"
    (tmp_path / "engine.toml").write_text(CARD, encoding="utf-8")
    visit = Visit(engine="Workshop engine", engine_toml=CARD, begun=AT)
    with Garage(path) as garage:
        return path, garage.save_visit(begin(visit))


def command(path: Path, *words: object) -> list[str]:
    """The command as a process of its own."""
    return [sys.executable, "-m", "vaclog", "visit", *map(str, words), "--garage", str(path)]


def environment() -> dict[str, str]:
    """The same as here, with this package found and output at once."""
    root = str(Path(__file__).parents[2])
    return {**os.environ, "PYTHONPATH": root, "PYTHONUNBUFFERED": "1"}


def read_to(stream: Any, words: str) -> str:
    """Read until some words have come."""
    seen = ""
    while words not in seen:
        letter = stream.read(1)
        assert letter, f"{words!r} never came: {seen}"
        seen += letter
    return seen


def test_the_second_to_keep_a_visit_is_refused(kept: tuple[Path, Visit]) -> None:
    """Two connections read the same revision; the first to keep it wins, and the other is told."""
    path, visit = kept
    with Garage(path) as one, Garage(path) as two:
        mine, theirs = one.visit(visit.number), two.visit(visit.number)
        first = one.save_visit(take(mine, Noted(text="mine")))
        with pytest.raises(StaleVisitError, match="vaclog visit next"):
            two.save_visit(take(theirs, Noted(text="theirs")))
        assert two.visit(visit.number) == first
        again = two.save_visit(take(two.visit(visit.number), Noted(text="theirs")))
    assert again.notes == ("mine", "theirs")


def test_a_change_is_made_of_what_is_kept_now(kept: tuple[Path, Visit]) -> None:
    """Without a revision that was looked at, the second change comes on top of the first."""
    path, visit = kept
    with Garage(path) as one, Garage(path) as two:
        one.change_visit(visit.number, lambda now: take(now, Noted(text="one")))
        before, after = two.change_visit(visit.number, lambda now: take(now, Noted(text="two")))
        assert (before.notes, after.notes) == (("one",), ("one", "two"))
        with pytest.raises(StaleVisitError):
            one.change_visit(visit.number, lambda now: now, seen=visit.revision)
        with pytest.raises(UnknownRecordError, match="no visit 9"):
            one.change_visit(9, lambda now: now)


def test_a_change_that_fails_leaves_no_lock(kept: tuple[Path, Visit]) -> None:
    """What is refused within the transaction undoes it, and the next one gets through."""
    path, visit = kept

    def refuse(_: Visit) -> Visit:
        raise VisitError("Not now.")

    with Garage(path, timeout_s=0.1) as one, Garage(path, timeout_s=0.1) as two:
        with pytest.raises(VisitError, match="Not now"):
            one.change_visit(visit.number, refuse)
        assert two.visit(visit.number) == visit
        two.change_visit(visit.number, lambda now: replace(now, notes=("through",)))


def test_a_visit_kept_by_an_older_version_has_no_revision(kept: tuple[Path, Visit]) -> None:
    """Its document lacks the key: the first change gives it one."""
    path, visit = kept
    with Garage(path) as garage:
        garage._store.connection.execute(
            "UPDATE visits SET document = json_remove(document, '$.revision')"
        )
        old = garage.visit(visit.number)
        assert old.revision == 0
        assert garage.save_visit(old).revision == 1


def test_answers_from_many_processes_are_all_kept(kept: tuple[Path, Visit]) -> None:
    """Six processes answer six questions at the same time."""
    path, visit = kept
    keys = ("plain", "brake", "gear", "air", "fire", "clothes")
    running = [
        subprocess.Popen(
            command(path, "answer", key, "yes"),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
            env=environment(),
        )
        for key in keys
    ]
    for each in running:
        _, told = each.communicate(timeout=120)
        assert each.returncode == 0, told
    with Garage(path) as garage:
        now = garage.visit(visit.number)
    assert {point.key for point in now.points} == set(keys)
    assert now.revision == visit.revision + len(keys)


def test_a_guide_says_that_another_window_has_answered(kept: tuple[Path, Visit]) -> None:
    """Its question is open when the answer comes from elsewhere: not overwritten, and told."""
    path, visit = kept
    with subprocess.Popen(
        command(path, "go"),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=environment(),
    ) as guide:
        assert guide.stdin is not None and guide.stdout is not None
        read_to(guide.stdout, "An ordinary engine?")
        subprocess.run(
            command(path, "answer", "plain", "no"),
            env=environment(),
            check=True,
            capture_output=True,
            text=True,
        )
        guide.stdin.write("yes\n")
        guide.stdin.flush()
        told = read_to(guide.stdout, "An ordinary engine?")
        assert "has changed since it was read" in " ".join(told.split())
        guide.stdin.write("quit\n")
        guide.stdin.flush()
        guide.stdin.close()
    with Garage(path) as garage:
        now = garage.visit(visit.number)
    assert [(point.key, point.verdict) for point in now.points] == [("plain", "doubtful")]


def test_a_capture_joins_what_was_told_while_it_was_analysed(
    kept: tuple[Path, Visit], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A note is kept beside the capture; a card that changed meanwhile asks for it once more."""
    from click.testing import CliRunner

    from vaclog.cli import main
    from vaclog.cli.visit import desk

    path, visit = kept
    file = tmp_path / "check.txt"
    file.write_text("any", encoding="utf-8")
    meanwhile: list[Any] = [Noted(text="meanwhile")]

    def analysed(*_: Any) -> Any:
        with Garage(path) as garage:
            garage.change_visit(visit.number, lambda now: take(now, meanwhile[0]))
        return capture("check", checks=SOUND).capture

    monkeypatch.setattr(desk, "_analysed", analysed)
    words = ["visit", "capture", str(file), "--garage", str(path)]
    done = CliRunner().invoke(main, [*words, "--json"])
    assert done.exit_code == 0, done.output
    with Garage(path) as garage:
        now = garage.visit(visit.number)
    assert now.notes == ("meanwhile",) and len(now.captures) == 1
    from tests.visit.visit_cases import answered

    meanwhile[0] = answered("tdc")
    done = CliRunner().invoke(main, words)
    assert done.exit_code == 1 and "once more" in done.output
    with Garage(path) as garage:
        assert len(garage.visit(visit.number).captures) == 1


def test_the_revision_is_part_of_the_document(kept: tuple[Path, Visit]) -> None:
    """A page that shows a visit can say which revision it was looking at."""
    path, visit = kept
    done = subprocess.run(
        command(path, "status", "--json"),
        env=environment(),
        check=True,
        capture_output=True,
        text=True,
    )
    assert json.loads(done.stdout)["revision"] == visit.revision == 1
    assert visit_from_json(done.stdout) == visit
