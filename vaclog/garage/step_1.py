"""Schema 1: cards as they were written, visits as one document each.

Enters: an empty database. Leaves: one of schema 1. Never changed again: garages of that time exist.
"""

from __future__ import annotations

import sqlite3
from typing import Final

_SQL: Final = (
    """CREATE TABLE engines (
        name TEXT PRIMARY KEY COLLATE NOCASE,
        toml TEXT NOT NULL,
        added TEXT NOT NULL DEFAULT ''
    )""",
    """CREATE TABLE rigs (
        name TEXT PRIMARY KEY COLLATE NOCASE,
        toml TEXT NOT NULL,
        added TEXT NOT NULL DEFAULT ''
    )""",
    """CREATE TABLE visits (
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        engine TEXT COLLATE NOCASE,
        rig TEXT COLLATE NOCASE,
        begun TEXT NOT NULL DEFAULT '',
        document TEXT NOT NULL
    )""",
    "CREATE INDEX visits_engine ON visits (engine, begun)",
)


def upgrade(connection: sqlite3.Connection) -> None:
    """Create the tables."""
    for statement in _SQL:
        connection.execute(statement)
