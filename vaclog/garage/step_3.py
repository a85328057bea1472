"""From schema 2 to 3: capture files are known by their hash, and may be kept inside.

Enters: a database of schema 2. Leaves: one of schema 3. ``files`` remembers where a capture was
seen last, so that one that was moved is found again for every visit at once; ``pieces`` holds the
compressed bytes of those that are kept inside, in pieces that fit beside each other in memory.
"""

from __future__ import annotations

import sqlite3
from typing import Final

_SQL: Final = (
    """CREATE TABLE files (
        sha256 TEXT PRIMARY KEY,
        path TEXT NOT NULL,
        size_bytes INTEGER,
        kept INTEGER NOT NULL DEFAULT 0
    )""",
    """CREATE TABLE pieces (
        sha256 TEXT NOT NULL REFERENCES files (sha256) ON DELETE CASCADE,
        place INTEGER NOT NULL,
        data BLOB NOT NULL,
        PRIMARY KEY (sha256, place)
    )""",
    """INSERT OR IGNORE INTO files (sha256, path)
        SELECT sha256, path FROM captures WHERE sha256 <> '' ORDER BY visit DESC, place DESC""",
)


def upgrade(connection: sqlite3.Connection) -> None:
    """Make the tables and take over what the visits know of their files."""
    for statement in _SQL:
        connection.execute(statement)
