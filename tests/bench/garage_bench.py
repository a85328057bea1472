"""How fast a garage of 10,000 visits lists, against two plain ways to keep the same records.

    python tests/bench/garage_bench.py [visits]

Alternatives, filled with the same visits and asked for the same list in the same run: a folder with
one JSON file a visit, and one plain SQLite table of JSON documents that is read whole (the `json`
and `sqlite3` modules of Python). Each is timed twice: in a process that is running already, and
as a whole process from its start to the last line.
"""

from __future__ import annotations

import json
import resource
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from vaclog.garage import Garage
from vaclog.result import from_json
from vaclog.visit.figures import figures
from vaclog.visit.records import Capture, Point, RoadTrial, Setting, Visit, visit_to_json

ROOT = Path(__file__).parents[2]
VISITS = 10_000
ENGINES = 40
MADE = 400  # different ones; repeated to the number asked for
REPEATS = 5

FOLDER_CODE = """
import json, sys
from pathlib import Path
lines = []
for path in Path(sys.argv[1]).glob("*.json"):
    visit = json.loads(path.read_text())
    peak = visit["captures"][0]["result"]["peak"]
    lines.append((visit["begun"], path.stem, visit["engine"], peak["angle_deg"]))
lines.sort(reverse=True)
sys.stdout.write("\\n".join(map(str, lines)))
"""
TABLE_CODE = """
import json, sqlite3, sys
lines = []
for number, text in sqlite3.connect(sys.argv[1]).execute("SELECT number, document FROM visits"):
    visit = json.loads(text)
    peak = visit["captures"][0]["result"]["peak"]
    lines.append((visit["begun"], number, visit["engine"], peak["angle_deg"]))
lines.sort(reverse=True)
sys.stdout.write("\\n".join(map(str, lines)))
"""


def visits(count: int) -> list[Visit]:
    """Visits as they are in life: a real result each, a setting, a trial, five points."""
    sample = ROOT / "sample_captures" / "there_and_back.expected.json"
    result = from_json(sample.read_text(encoding="utf-8"))
    made = []
    for index in range(count):
        peak = replace(result.peak, angle_deg=20.0 + index % 100 / 10)
        capture = Capture(
            purpose="sweep",
            sha256=f"{index:064x}",
            path=f"captures/{index}.vaclog",
            result=replace(result, peak=peak),
        )
        made.append(
            Visit(
                engine=f"Engine {index % ENGINES}",
                rig="bench",
                begun=f"{2000 + index // 400}-{1 + index % 12:02d}-{1 + index % 28:02d}T10:00:00",
                ended="yes",
                points=tuple(Point(key=key, verdict="in order") for key in "abcde"),
                captures=(capture,),
                settings=(Setting(aimed_deg=10.0, reached_deg=10.0, locked=True),),
                trials=(RoadTrial(number=1, pinking="none heard"),),
            )
        )
    return made


def fill(made: list[Visit], count: int, folder: Path) -> None:
    """Keep the same visits in all three ways; those made are repeated until there are enough."""
    with Garage(folder / "garage.db") as garage:
        garage.save_visits(made)
    _repeat(folder / "garage.db", len(made), count)
    (folder / "files").mkdir()
    table = sqlite3.connect(folder / "table.db")
    table.execute("CREATE TABLE visits (number INTEGER PRIMARY KEY, document TEXT)")
    texts = [visit_to_json(visit) for visit in made]
    for number in range(1, count + 1):
        text = texts[(number - 1) % len(texts)]
        (folder / "files" / f"{number}.json").write_text(text, encoding="utf-8")
        table.execute("INSERT INTO visits VALUES (?, ?)", (number, text))
    table.commit()
    table.close()


def _repeat(path: Path, made: int, count: int) -> None:
    """Copy rows within the database: writing each through the program would take minutes."""
    connection = sqlite3.connect(path)
    tables = {
        "visits": "number",
        **dict.fromkeys(("captures", "settings", "trials", "points"), "visit"),
    }
    for table, key in tables.items():
        names = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
        columns = ", ".join(f'"{name}"' for name in names)
        moved = ", ".join(f'"{name}" + ?1' if name == key else f'"{name}"' for name in names)
        for offset in range(made, count, made):
            connection.execute(
                f"INSERT INTO {table} ({columns}) SELECT {moved} FROM {table}"
                f' WHERE "{key}" <= {min(made, count - offset)}',
                (offset,),
            )
    connection.commit()
    connection.close()


@dataclass(frozen=True, kw_only=True)
class Spent:
    """Wall clock and processor time, milliseconds; the best of some runs each.

    The wall clock is what a person waits; on a busy machine only the processor time tells
    something of the program.
    """

    wall_ms: float
    processor_ms: float


@dataclass(frozen=True, kw_only=True)
class Times:
    """A list of all visits; ``lines`` is how many it held."""

    name: str
    whole: Spent
    inside: Spent
    lines: int


def best(run: Callable[[], object], repeats: int, *, children: bool = False) -> Spent:
    """Run it some times."""
    who = resource.RUSAGE_CHILDREN if children else resource.RUSAGE_SELF

    def used_s() -> float:
        usage = resource.getrusage(who)
        return usage.ru_utime + usage.ru_stime

    walls, processors = [], []
    for _ in range(repeats):
        start, before = time.perf_counter(), used_s()
        run()
        walls.append(time.perf_counter() - start)
        processors.append(used_s() - before)
    return Spent(wall_ms=1000 * min(walls), processor_ms=1000 * min(processors))


def process(command: list[str]) -> int:
    """Run to the end; how many lines came."""
    done = subprocess.run(command, capture_output=True, check=True, cwd=ROOT)
    return done.stdout.count(b"\n") + 1


def measure(folder: Path) -> list[Times]:
    """All three ways, whole process and inside."""
    garage_command = [sys.executable, "-m", "vaclog", "garage", "visits"]
    garage_command += ["--garage", str(folder / "garage.db")]
    files, table = str(folder / "files"), str(folder / "table.db")
    ways: list[tuple[str, list[str], Callable[[], int], int]] = [
        ("this garage", garage_command, lambda: _list_garage(folder / "garage.db"), REPEATS),
        (
            "a folder of JSON files",
            [sys.executable, "-c", FOLDER_CODE, files],
            lambda: _list_folder(folder / "files"),
            1,
        ),
        (
            "one table of documents",
            [sys.executable, "-c", TABLE_CODE, table],
            lambda: _list_table(folder / "table.db"),
            1,
        ),
    ]
    made = []
    for name, command, inside, repeats in ways:
        whole = best(partial(process, command), repeats, children=True)
        made.append(Times(name=name, lines=inside(), whole=whole, inside=best(inside, repeats)))
    return made


def _list_garage(path: Path) -> int:
    from vaclog.cli.garage.lines import visits_table

    with Garage(path, create=False) as garage:
        return visits_table(garage.visits(), "inHg").count("\n")


def _list_folder(folder: Path) -> int:
    return len(sorted(_peak(path.read_text(encoding="utf-8")) for path in folder.glob("*.json")))


def _list_table(path: Path) -> int:
    connection = sqlite3.connect(path)
    rows = connection.execute("SELECT document FROM visits").fetchall()
    connection.close()
    return len(sorted(_peak(row[0]) for row in rows))


def _peak(text: str) -> tuple[str, float]:
    visit = json.loads(text)
    return visit["begun"], visit["captures"][0]["result"]["peak"]["angle_deg"]


def others(folder: Path) -> dict[str, Spent]:
    """The other questions that a garage is asked."""
    with Garage(folder / "garage.db", create=False) as garage:
        number = garage.visits(limit=1)[0].number
        visit = garage.visit(number)
        assert figures(visit).peak_deg is not None
        return {
            "the newest 20": best(lambda: garage.visits(limit=20), 20),
            "one engine's lines": best(lambda: garage.visits("Engine 7"), 20),
            "one whole visit": best(lambda: garage.visit(number), 20),
            "one engine's visits, whole": best(lambda: garage.visits_of("Engine 7"), 1),
            "a capture by its hash": best(lambda: garage.captures(sha256=f"{77:064x}"), 20),
            "saving a visit again": best(
                lambda: garage.change_visit(visit.number, lambda each: each), 10
            ),
        }


def main(count: int) -> None:
    """Fill, measure, print."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        start = time.perf_counter()
        fill(visits(min(count, MADE)), count, folder)
        print(f"{count} visits to {ENGINES} engines, filled in {time.perf_counter() - start:.0f} s")
        head = f"{'ms, wall clock / processor':30}"
        print(f"\n{head}{'whole process':>18}{'inside':>18}")
        for times in measure(folder):
            print(f"{times.name:30}{_cell(times.whole)}{_cell(times.inside)}")
        print()
        for question, spent in others(folder).items():
            print(f"{question:30}{'':18}{_cell(spent)}")


def _cell(spent: Spent) -> str:
    return f"{spent.wall_ms:9.1f} /{spent.processor_ms:7.1f}"


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else VISITS)
