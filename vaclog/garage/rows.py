"""Records and rows: what stands in which column.

Enters: visits and their parts. Leaves: rows for the tables. A
row's columns are derived from its document; the document is the truth.
"""

from __future__ import annotations

import json
from dataclasses import fields, replace
from typing import Any, Final, TypeAlias

from vaclog.garage.lines import PARTS
from vaclog.result.document import as_plain, record_from
from vaclog.visit.figures import figures, scatter_deg
from vaclog.visit.records import Capture, Point, RoadTrial, Setting, Visit

Row: TypeAlias = dict[str, Any]


def visit_row(visit: Visit) -> Row:
    """Row of table visits, without its number."""
    bare = replace(visit, captures=(), settings=(), trials=(), points=())
    shown = figures(visit)
    return {
        "engine": visit.engine or None,
        "rig": visit.rig or None,
        "begun": visit.begun,
        "ended": visit.ended,
        "step": visit.step,
        **{each.name: getattr(shown, each.name) for each in fields(shown)},
        "captures": len(visit.captures),
        "trials": len(visit.trials),
        "document": _document(bare, "visit"),
    }


def part_rows(visit: Visit, table: str) -> list[Row]:
    """Rows of one of the tables of parts, in order, without the visit's number."""
    members: tuple[Any, ...] = getattr(visit, table)
    return [
        {
            "place": place,
            **_COLUMNS[table](member),
            "document": _document(member, table),
        }
        for place, member in enumerate(members)
    ]


def visit_from(row: Row, parts: dict[str, list[str]]) -> Visit:
    """A visit from its row and the documents of its parts.

    Names and number are those of the columns: a card may have been renamed since.
    """
    document = json.loads(row["document"])
    document |= {"number": row["number"], "engine": row["engine"] or "", "rig": row["rig"] or ""}
    for name in PARTS:
        document[name] = [json.loads(text) for text in parts.get(name, [])]
    return record_from(Visit, document)


def _document(record: Any, name: str) -> str:
    return json.dumps(as_plain(record, name), allow_nan=False, separators=(",", ":"))


def _capture_columns(capture: Capture) -> Row:
    result = capture.result
    return {
        "purpose": capture.purpose,
        "sha256": capture.sha256,
        "path": capture.path,
        "at": capture.at,
        "found": int(result.peak.found),
        "peak_deg": result.peak.angle_deg,
        "u_deg": result.peak.u_deg,
        "set_deg": result.advice.set_deg,
        "limit": result.advice.limit,
        "idle_rpm": result.idle.rpm,
        "idle_pressure_kpa": result.idle.pressure_kpa,
        "vacuum_kpa": result.idle.vacuum_kpa,
        "misfire_per_thousand": result.misfire.per_thousand,
        "scatter_deg": scatter_deg(result),
    }


def _setting_columns(setting: Setting) -> Row:
    names = ("at", "aimed_deg", "reached_deg", "limit", "moved_deg")
    return {name: getattr(setting, name) for name in names}


def _trial_columns(trial: RoadTrial) -> Row:
    names = ("at", "advance_deg", "pinking", "rpm", "pressure_kpa", "retard_deg")
    return {name: getattr(trial, name) for name in names}


def _point_columns(point: Point) -> Row:
    names = ("at", "key", "verdict", "measured", "value", "unit")
    return {name: getattr(point, name) for name in names}


_COLUMNS: Final[dict[str, Any]] = {
    "captures": _capture_columns,
    "settings": _setting_columns,
    "trials": _trial_columns,
    "points": _point_columns,
}
