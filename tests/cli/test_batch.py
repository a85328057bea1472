"""A folder becomes a table: broken files are rows, order is that of the names."""

from __future__ import annotations

import csv
import importlib
import json
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.cli.conftest import Bench, run
from vaclog.cli.batch import work as batch_work
from vaclog.cli.batch.table import COLUMNS
from vaclog.cli.batch.work import Task, tasks

SAMPLES = Path(__file__).parents[2] / "sample_captures"


@pytest.fixture
def folder(bench: Bench, tmp_path: Path) -> Path:
    """A capture with its cards beside it, one without any, and what is broken."""
    shutil.copy(bench.lines, tmp_path / "mill.txt")
    shutil.copy(bench.engine, tmp_path / "mill.engine.toml")
    shutil.copy(bench.rig, tmp_path / "mill.rig.toml")
    shutil.copy(bench.lines, tmp_path / "bare.txt")
    (tmp_path / "empty.vaclog").touch()
    (tmp_path / "junk.bin").write_bytes(b"no capture at all\n" * 9)
    (tmp_path / "page.html").write_text("<p>a page</p>", encoding="utf-8")
    (tmp_path / ".hidden").write_text("x", encoding="utf-8")
    return tmp_path


def test_every_capture_is_a_row_in_the_order_of_names(folder: Path, bench: Bench) -> None:
    """The row says what the single command says; what is broken says why; the rest goes on."""
    done = run("batch", folder, "--jobs", 1, "--json", "--out", folder / "table.csv")
    assert done.exit_code == 0, done.stderr
    rows = json.loads(done.stdout, parse_constant=pytest.fail)
    assert [row["capture"] for row in rows] == ["bare.txt", "empty.vaclog", "junk.bin", "mill.txt"]
    bare, empty, junk, mill = rows
    assert "0 bytes" in empty["error"] and "no capture" in junk["error"]
    assert (mill["error"], mill["advance_source"]) == ("", "mark")
    assert (bare["error"], bare["advance_source"], bare["found"]) == ("", "none", False)
    alone = json.loads(
        run("replay", bench.lines, "--engine", bench.engine, "--rig", bench.rig, "--json").stdout
    )
    assert mill["peak_deg"] == alone["peak"]["angle_deg"]
    assert mill["set_deg"] == alone["advice"]["set_deg"]
    assert mill["idle_rpm"] == alone["idle"]["rpm"]
    assert mill["misfire_per_thousand"] == alone["misfire"]["per_thousand"]
    assert mill["warnings"] == len(alone["advice"]["warnings"])
    assert "[4/4]" in done.stderr
    with (folder / "table.csv").open(encoding="utf-8", newline="") as file:
        table = list(csv.DictReader(file))
    assert [row["capture"] for row in table] == [row["capture"] for row in rows]
    assert float(table[3]["peak_deg"]) == mill["peak_deg"]
    assert (table[1]["found"], table[3]["found"]) == ("", "true")


def test_cards_beside_a_capture_come_before_those_given(folder: Path) -> None:
    """By the name of the capture; the others get what was given; tables are no captures."""
    other = folder / "other.toml"
    (folder / "old.csv").write_text(",".join(COLUMNS) + "\r\n", encoding="utf-8")
    found = {task.capture.name: task for task in tasks(folder, other, None, folder / "t.csv")}
    assert set(found) == {"bare.txt", "empty.vaclog", "junk.bin", "mill.txt"}
    assert found["mill.txt"].engine == folder / "mill.engine.toml"
    assert found["mill.txt"].rig == folder / "mill.rig.toml"
    assert (found["bare.txt"].engine, found["bare.txt"].rig) == (other, None)


def test_a_wrong_card_is_one_row(folder: Path) -> None:
    """Only the capture that it belongs to suffers."""
    (folder / "mill.engine.toml").write_text("cylinders = 'four'", encoding="utf-8")
    rows = json.loads(run("batch", folder, "--jobs", 1, "--json").stdout)
    assert "cylinders" in rows[3]["error"] and rows[0]["error"] == ""


def test_a_folder_without_captures_is_said(tmp_path: Path) -> None:
    """As a capture that is missing."""
    (tmp_path / "a.engine.toml").touch()
    done = run("batch", tmp_path)
    assert done.exit_code == 4 and "no captures" in done.stderr


def test_the_table_cannot_be_written(folder: Path) -> None:
    """Said as such, after the work; nothing half-written stays."""
    (folder / "mill.txt").unlink()
    (folder / "bare.txt").unlink()
    done = run("batch", folder, "--jobs", 1, "--out", folder / "none" / "table.csv")
    assert done.exit_code == 6 and "cannot be written" in done.stderr


def test_processes_give_what_one_gives(folder: Path) -> None:
    """Spawned, in any order, the table is the same."""
    for name in ("mill.txt", "mill.rig.toml"):
        (folder / name).unlink()
    one = run("batch", folder, "--jobs", 1, "--json").stdout
    assert run("batch", folder, "--jobs", 2, "--json").stdout == one


# In a file of its own, so that a spawned process can import it.
ENDS_ITS_PROCESS = """
import os
from vaclog.cli.batch.table import BatchRow

def analysed(task):
    if task.capture.name == "b":
        os._exit(3)
    return BatchRow(capture=task.capture.name)
"""


def test_a_capture_that_takes_its_process_down(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As the system does when memory runs out: its row says so, all others are there."""
    (tmp_path / "ending_analysis.py").write_text(ENDS_ITS_PROCESS, encoding="utf-8")
    monkeypatch.syspath_prepend(tmp_path)
    ending = importlib.import_module("ending_analysis")
    monkeypatch.setattr(batch_work, "analysed", ending.analysed)
    work = [Task(capture=Path(name), engine=None, rig=None) for name in "abcd"]
    rows = dict(batch_work.rows(work, 2))
    assert [rows[place].capture for place in range(4)] == list("abcd")
    assert ["ended" in rows[place].error for place in range(4)] == [False, True, False, False]


@pytest.mark.parametrize("jobs", [1, 2])
def test_ctrl_c_leaves_the_rows_that_are_done(tmp_path: Path, jobs: int) -> None:
    """A real process and a real signal, in the middle of the work."""
    for name in ("a.bin", "b.bin"):
        (tmp_path / name).write_bytes(b"no capture at all\n")
    for number in range(12):
        shutil.copy(SAMPLES / "stumbles.vaclog", tmp_path / f"c{number:02d}.vaclog")
    table = tmp_path / "table.json"
    command = [sys.executable, "-m", "vaclog", "batch", str(tmp_path), "--out", str(table)]
    with subprocess.Popen(
        # Whatever started the tests may itself ignore Ctrl-C, and that is inherited.
        ["env", "--default-signal=INT", *command, "--jobs", str(jobs)],
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[2],
        start_new_session=True,
    ) as process:
        assert process.stderr is not None
        said = [process.stderr.readline(), process.stderr.readline()]
        os.killpg(process.pid, signal.SIGINT)  # as a terminal does: to all of them
        rest = process.stderr.read()
    assert process.returncode == 130, rest
    assert "Traceback" not in rest
    rows = json.loads(table.read_text(encoding="utf-8"))
    assert len(said) <= len(rows) < 14
    assert [row["capture"] for row in rows] == sorted(row["capture"] for row in rows)
    assert f"{len(rows)} of 14" in rest
