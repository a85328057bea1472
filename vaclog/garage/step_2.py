"""From schema 1 to 2: the parts of a visit get tables of their own, and figures columns.

Enters: a database of schema 1. Leaves: one of schema 2: what is listed, compared and searched
stands in columns, so that a list of visits reads no documents; saving a visit after each step
writes only the part that is new. The document of a part remains the truth, its columns are
derived from it and filled by whoever runs the migration (:mod:`vaclog.garage.opening`).
"""

from __future__ import annotations

import json
import sqlite3
from typing import Final

_CARDS: Final = "ALTER TABLE {table} ADD COLUMN changed TEXT NOT NULL DEFAULT ''"
_SQL: Final = (
    "ALTER TABLE visits RENAME TO visits_1",
    "DROP INDEX visits_engine",
    """CREATE TABLE visits (
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        engine TEXT COLLATE NOCASE REFERENCES engines (name) ON UPDATE CASCADE,
        rig TEXT COLLATE NOCASE REFERENCES rigs (name) ON UPDATE CASCADE,
        begun TEXT NOT NULL DEFAULT '',
        ended TEXT NOT NULL DEFAULT '',
        step TEXT NOT NULL DEFAULT '',
        peak_deg REAL,
        u_peak_deg REAL,
        set_deg REAL,
        "limit" TEXT,
        reached_deg REAL,
        idle_rpm REAL,
        idle_pressure_kpa REAL,
        vacuum_kpa REAL,
        barometer_kpa REAL,
        misfire_per_thousand REAL,
        scatter_deg REAL,
        pinking TEXT,
        captures INTEGER NOT NULL DEFAULT 0,
        trials INTEGER NOT NULL DEFAULT 0,
        document TEXT NOT NULL
    )""",
    """CREATE TABLE captures (
        visit INTEGER NOT NULL REFERENCES visits (number) ON DELETE CASCADE,
        place INTEGER NOT NULL,
        purpose TEXT NOT NULL,
        sha256 TEXT NOT NULL,
        path TEXT NOT NULL,
        at TEXT NOT NULL DEFAULT '',
        found INTEGER,
        peak_deg REAL,
        u_deg REAL,
        set_deg REAL,
        "limit" TEXT,
        idle_rpm REAL,
        idle_pressure_kpa REAL,
        vacuum_kpa REAL,
        misfire_per_thousand REAL,
        scatter_deg REAL,
        document TEXT NOT NULL,
        PRIMARY KEY (visit, place)
    )""",
    """CREATE TABLE settings (
        visit INTEGER NOT NULL REFERENCES visits (number) ON DELETE CASCADE,
        place INTEGER NOT NULL,
        at TEXT NOT NULL DEFAULT '',
        aimed_deg REAL,
        reached_deg REAL,
        "limit" TEXT,
        moved_deg REAL,
        document TEXT NOT NULL,
        PRIMARY KEY (visit, place)
    )""",
    """CREATE TABLE trials (
        visit INTEGER NOT NULL REFERENCES visits (number) ON DELETE CASCADE,
        place INTEGER NOT NULL,
        at TEXT NOT NULL DEFAULT '',
        advance_deg REAL,
        pinking TEXT,
        rpm REAL,
        pressure_kpa REAL,
        retard_deg REAL,
        document TEXT NOT NULL,
        PRIMARY KEY (visit, place)
    )""",
    """CREATE TABLE points (
        visit INTEGER NOT NULL REFERENCES visits (number) ON DELETE CASCADE,
        place INTEGER NOT NULL,
        at TEXT NOT NULL DEFAULT '',
        "key" TEXT NOT NULL,
        verdict TEXT NOT NULL,
        measured INTEGER,
        value REAL,
        unit TEXT,
        document TEXT NOT NULL,
        PRIMARY KEY (visit, place)
    )""",
    "CREATE INDEX visits_engine ON visits (engine, begun, number)",
    "CREATE INDEX visits_begun ON visits (begun, number)",
    "CREATE INDEX captures_sha256 ON captures (sha256)",
    'CREATE INDEX points_key ON points ("key", verdict)',
    "CREATE INDEX trials_pinking ON trials (pinking)",
)
_PARTS: Final = ("captures", "settings", "trials", "points")
# What a column of schema 2 must have at once; the figures are derived later.
_NEEDED: Final = {
    "captures": ("purpose", "sha256", "path"),
    "settings": (),
    "trials": (),
    "points": ("key", "verdict"),
}


def upgrade(connection: sqlite3.Connection) -> None:
    """Make the new tables and take the documents apart."""
    for table in ("engines", "rigs"):
        connection.execute(_CARDS.format(table=table))
    for statement in _SQL:
        connection.execute(statement)
    rows = connection.execute("SELECT number, engine, rig, begun, document FROM visits_1")
    for number, engine, rig, begun, text in rows.fetchall():
        _move(connection, number, (engine or None, rig or None, begun), json.loads(text))
    connection.execute("DROP TABLE visits_1")


def _move(
    connection: sqlite3.Connection,
    number: int,
    kept: tuple[str | None, str | None, str],
    document: dict[str, object],
) -> None:
    parts = {name: document.pop(name, None) or [] for name in _PARTS}
    engine, rig, begun = kept
    for table, name in (("engines", engine), ("rigs", rig)):
        if name is not None:  # schema 1 did not ask for the card that a visit names
            toml = document.get(f"{table[:-1]}_toml") or ""
            connection.execute(
                f"INSERT OR IGNORE INTO {table} (name, toml) VALUES (?, ?)", (name, toml)
            )
    connection.execute(
        "INSERT INTO visits (number, engine, rig, begun, ended, step, document) "
        "VALUES (?, ?, ?, ?, ?, ?, ?)",
        (
            number,
            engine,
            rig,
            begun,
            document.get("ended") or "",
            document.get("step") or "",
            json.dumps(document),
        ),
    )
    for table, members in parts.items():
        assert isinstance(members, list)
        for place, member in enumerate(members):
            needed = _NEEDED[table]
            names = ", ".join(f'"{name}"' for name in ("visit", "place", *needed, "document"))
            values = [number, place, *(member.get(name) or "" for name in needed)]
            marks = ", ".join("?" * (len(values) + 1))
            connection.execute(
                f"INSERT INTO {table} ({names}) VALUES ({marks})", [*values, json.dumps(member)]
            )
