"""The bench in short: the list is whole, reads no documents, and beats reading them."""

from __future__ import annotations

import importlib.util
import sqlite3
import sys
from pathlib import Path

from vaclog.garage import Garage

BENCH = Path(__file__).parents[1] / "bench" / "garage_bench.py"


def test_the_list_is_whole_and_beats_reading_documents(tmp_path: Path) -> None:
    """100 visits; processor time, so that a busy machine does not matter."""
    spec = importlib.util.spec_from_file_location("garage_bench", BENCH)
    assert spec is not None and spec.loader is not None
    bench = importlib.util.module_from_spec(spec)
    sys.modules["garage_bench"] = bench
    spec.loader.exec_module(bench)
    bench.REPEATS = 2
    bench.fill(bench.visits(8), 100, tmp_path)
    garage, *alternatives = bench.measure(tmp_path)
    assert {times.lines for times in (garage, *alternatives)} == {100}
    for other in alternatives:
        assert garage.inside.processor_ms < other.inside.processor_ms / 5


def test_lists_go_by_an_index(tmp_path: Path) -> None:
    """Nothing is sorted, and of one engine only its own rows are read."""
    path = tmp_path / "garage.db"
    with Garage(path):
        pass
    connection = sqlite3.connect(path)
    for where, index in (("", "visits_begun"), ("WHERE engine = 'x'", "visits_engine")):
        plan = connection.execute(
            f"EXPLAIN QUERY PLAN SELECT peak_deg FROM visits {where}"
            " ORDER BY begun DESC, number DESC"
        ).fetchall()
        told = " ".join(row[3] for row in plan)
        assert index in told and "TEMP B-TREE" not in told
    connection.close()
