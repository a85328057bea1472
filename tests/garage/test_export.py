"""What other programs read: the csv module, pandas, and the records' own reader of JSON."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import pytest
from garage_cases import made_visit, raw

from vaclog.garage import Garage
from vaclog.visit.records import visit_from_json, visit_to_json

NASTY = 'Tom\'s, "the blue one"\nwith ünïcode; tab\t'


def test_the_json_holds_every_visit(garage: Garage, tmp_path: Path) -> None:
    """Read by the reader of single visits, each is what the garage gives."""
    first = garage.save_visit(made_visit(notes=(NASTY,)))
    garage.save_visit(replace(first, number=0, captures=()))
    garage.export_json(tmp_path / "all.json")
    document = json.loads(
        (tmp_path / "all.json").read_text(encoding="utf-8"), parse_constant=pytest.fail
    )
    assert document["vaclog_garage"] == 1
    assert [card["name"] for card in document["engines"]] == ["Pump-house engine"]
    visits = [visit_from_json(json.dumps(each)) for each in document["visits"]]
    assert [visit_to_json(visit) for visit in visits] == [
        visit_to_json(garage.visit(number)) for number in (1, 2)
    ]


def test_an_empty_garage_exports_an_empty_document(garage: Garage, tmp_path: Path) -> None:
    """Still JSON."""
    garage.export_json(tmp_path / "all.json")
    document = json.loads((tmp_path / "all.json").read_text(encoding="utf-8"))
    assert document == {"vaclog_garage": 1, "engines": [], "rigs": [], "visits": []}


def test_the_csv_is_read_by_the_csv_module(garage: Garage, tmp_path: Path) -> None:
    """A row for a row of each table, whatever is written in it."""
    visit = made_visit(engine=NASTY.strip())
    garage.save_visit(visit)
    written = garage.export_csv(tmp_path / "out")
    assert {path.stem for path in written} >= {"engines", "visits", "captures", "trials", "points"}
    for path in written:
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.reader(file))
        assert len(rows) - 1 == raw(garage.path, f"SELECT count(*) FROM {path.stem}")[0][0]
        assert {len(row) for row in rows} == {len(rows[0])}
        assert "document" not in rows[0]
    with (tmp_path / "out" / "visits.csv").open(encoding="utf-8", newline="") as file:
        row = next(csv.DictReader(file))
    assert row["engine"] == visit.engine
    assert float(row["peak_deg"]) == visit.captures[0].result.peak.angle_deg
    assert row["ended"] == ""


def test_the_csv_is_read_by_pandas(garage: Garage, tmp_path: Path) -> None:
    """Numbers come as numbers, what is not known as NaN."""
    pandas = pytest.importorskip("pandas")
    garage.save_visit(made_visit())
    garage.save_visit(made_visit(captures=()))
    garage.export_csv(tmp_path)
    frame = pandas.read_csv(tmp_path / "visits.csv")
    assert frame["peak_deg"].dtype.kind == "f"
    assert frame["peak_deg"].isna().tolist() == [False, True]
    assert frame["reached_deg"].mean() == pytest.approx(9.2)
