"""A garage of an earlier version is brought up to this one, whole or not at all."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import pytest
from garage_cases import raw

from vaclog.errors import FutureVersionError, StorageError
from vaclog.garage import Garage, opening, step_2, step_3
from vaclog.garage.opening import SCHEMA


def columns(path: Path) -> dict[str, list[tuple[object, ...]]]:
    """Tables and indices with their columns, as SQLite knows them."""
    names = raw(path, "SELECT name, type FROM sqlite_master WHERE name NOT LIKE 'sqlite%'")
    return {
        str(name): raw(
            path, f'PRAGMA {"table_info" if kind == "table" else "index_info"}("{name}")'
        )
        for name, kind in names
    }


def test_an_old_garage_is_brought_up(old_file: Path, tmp_path: Path) -> None:
    """Every record is there, the lists have their columns, the tables are those of today."""
    with Garage(old_file) as garage:
        visit = garage.visit(1)
        lines = {line.number: line for line in garage.visits()}
        assert garage.check().sound
    assert raw(old_file, "PRAGMA user_version") == [(SCHEMA,)]
    assert visit.captures[0].result.peak.angle_deg == 25.837
    assert visit.settings[0].reached_deg == 9.2
    assert visit.trials[0].pinking == "none heard"
    assert visit.notes == ("It's the owner's own fuel.",)
    assert (lines[1].peak_deg, lines[1].reached_deg, lines[1].captures) == (25.837, 9.2, 1)
    assert lines[1].limit == "maker's figure"
    assert (lines[4].engine, lines[4].step, lines[4].peak_deg) == ("Lent engine", "sweep", None)
    with Garage(tmp_path / "new.db"):
        pass
    assert columns(old_file) == columns(tmp_path / "new.db")


def test_nothing_unknown_is_lost(old_file: Path) -> None:
    """A key that only another version knew stays in the document."""
    with Garage(old_file):
        pass
    document = json.loads(str(raw(old_file, "SELECT document FROM visits WHERE number = 1")[0][0]))
    assert document["weather"] == "rain, 8 degrees"


def test_numbers_go_on_and_names_hold(old_file: Path) -> None:
    """The next visit gets the next number; the engine without a card has got an empty one."""
    with Garage(old_file) as garage:
        assert garage.begin_visit("Lent engine", begun="2026").number == 5
        assert garage.engine("Lent engine").toml == ""
        # The card was edited after the visit, which keeps it as it was.
        assert "idle_rpm = 860" in garage.engine("Pump-house engine").toml
        assert "idle_rpm = 850" in garage.visit(1).engine_toml
        known = raw(old_file, "SELECT path FROM files")
    assert known == [("/old/place/there_and_back.vaclog",)]


def test_the_old_file_is_kept_aside(old_file: Path) -> None:
    """As it was, and only once."""
    before = raw(old_file, "SELECT * FROM visits")
    with Garage(old_file):
        pass
    aside = old_file.with_name("old.db.schema1")
    assert raw(aside, "SELECT * FROM visits") == before
    assert raw(aside, "PRAGMA user_version") == [(1,)]


@pytest.mark.parametrize("at", [0, 1])
def test_a_step_that_fails_leaves_the_old_garage(
    old_file: Path, at: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Power or disk may go at any step; nothing of it is seen then."""
    before = list(sqlite3.connect(old_file).iterdump())
    steps = [step_2.upgrade, step_3.upgrade]

    def fails(connection: sqlite3.Connection) -> None:
        steps[at](connection)
        raise sqlite3.OperationalError("disk I/O error")

    changed = list(opening.STEPS)
    changed[at + 1] = fails
    monkeypatch.setattr(opening, "STEPS", tuple(changed))
    with pytest.raises(StorageError):
        Garage(old_file)
    assert list(sqlite3.connect(old_file).iterdump()) == before
    monkeypatch.undo()
    with Garage(old_file) as garage:
        assert len(garage.visits()) == 2


def test_a_broken_document_stops_the_migration(old_file: Path) -> None:
    """And names the visit; the garage stays readable by the version that made it."""
    connection = sqlite3.connect(old_file)
    connection.execute(
        "UPDATE visits SET document = json_set(document, '$.captures[0].result', 3)"
        " WHERE number = 1"
    )
    connection.commit()
    connection.close()
    with pytest.raises(StorageError, match="Visit 1"):
        Garage(old_file)
    assert raw(old_file, "PRAGMA user_version") == [(1,)]


def test_a_newer_garage_is_refused_untouched(tmp_path: Path) -> None:
    """Whatever a later version keeps is not for this one to change."""
    path = tmp_path / "garage.db"
    with Garage(path):
        pass
    connection = sqlite3.connect(path)
    connection.execute(f"PRAGMA user_version = {SCHEMA + 1}")
    connection.execute("PRAGMA journal_mode = DELETE")
    connection.close()
    before = path.read_bytes()
    with pytest.raises(FutureVersionError, match=f"schema {SCHEMA + 1}"):
        Garage(path)
    assert path.read_bytes() == before
