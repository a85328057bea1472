"""Visits and garages for the tests of this room."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from pathlib import Path

from vaclog.result import from_json
from vaclog.visit.records import Capture, Point, RoadTrial, Setting, Visit

SAMPLES = Path(__file__).parents[2] / "sample_captures"
ENGINE = (SAMPLES / "there_and_back.engine.toml").read_text(encoding="utf-8")
RIG = (SAMPLES / "there_and_back.rig.toml").read_text(encoding="utf-8")


def made_visit(**changes: object) -> Visit:
    """A visit with something in every part."""
    expected = (SAMPLES / "there_and_back.expected.json").read_text(encoding="utf-8")
    visit = Visit(
        engine="Pump-house engine",
        rig="bench",
        engine_toml=ENGINE,
        rig_toml=RIG,
        begun="2026-04-02T10:00:00",
        points=(Point(key="plugs", verdict="in order", value=0.63, unit="mm"),),
        captures=(
            Capture(purpose="sweep", sha256="ab" * 32, path="a.vaclog", result=from_json(expected)),
        ),
        settings=(Setting(aimed_deg=9.3, reached_deg=9.2, u_reached_deg=0.2, locked=True),),
        trials=(RoadTrial(number=1, advance_deg=9.2, pinking="heard", retard_deg=2.0),),
        notes=("Cold morning.",),
    )
    return replace(visit, **changes)  # type: ignore[arg-type]


def raw(path: Path, sql: str) -> list[tuple[object, ...]]:
    """Rows of a query by plain sqlite3, past the code under test."""
    connection = sqlite3.connect(path)
    try:
        return connection.execute(sql).fetchall()
    finally:
        connection.close()
