"""Everything in the garage, for other programs.

Enters: a connection. Leaves: one JSON document, or a CSV file for each table (RFC 4180: comma,
quotes where needed, UTF-8). Both are read within one transaction, so they show one moment.
"""

from __future__ import annotations

import csv
import json
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final, TextIO

from vaclog.garage.lines import PARTS

# Of the document, not of the database.
EXPORT_VERSION: Final = 1

_TABLES: Final = ("engines", "rigs", "visits", "captures", "settings", "trials", "points", "files")


def write_json(connection: sqlite3.Connection, target: Path) -> None:
    """Write ``{"vaclog_garage": 1, "engines": [...], "rigs": [...], "visits": [...]}``.

    Visits are documents as :func:`vaclog.visit.records.visit_to_json` writes them, in the order of
    their numbers, one a line; keys of later versions are kept.
    """
    with _one_moment(connection), _whole(target) as file:
        file.write(f'{{"vaclog_garage": {EXPORT_VERSION}')
        for table in ("engines", "rigs"):
            rows = connection.execute(f"SELECT * FROM {table} ORDER BY name")
            _write_list(file, table, (dict(row) for row in rows))
        numbers = connection.execute("SELECT number FROM visits ORDER BY number").fetchall()
        _write_list(file, "visits", (_visit(connection, row[0]) for row in numbers))
        file.write("\n}\n")


def write_csv(connection: sqlite3.Connection, folder: Path) -> list[Path]:
    """Write ``NAME.csv`` for each table but the documents and the bytes of captures."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    with _one_moment(connection):
        for table in _TABLES:
            rows = connection.execute(f"SELECT * FROM {table} ORDER BY 1, 2")
            names = [column[0] for column in rows.description]
            shown = [place for place, name in enumerate(names) if name != "document"]
            path = folder / f"{table}.csv"
            with _whole(path) as file:
                writer = csv.writer(file)
                writer.writerow([names[place] for place in shown])
                writer.writerows([row[place] for place in shown] for row in rows)
            written.append(path)
    return written


def _visit(connection: sqlite3.Connection, number: int) -> dict[str, Any]:
    row = connection.execute(
        "SELECT engine, rig, document FROM visits WHERE number = ?", (number,)
    ).fetchone()
    document: dict[str, Any] = json.loads(row["document"])
    document |= {"number": number, "engine": row["engine"] or "", "rig": row["rig"] or ""}
    for table in PARTS:
        parts = connection.execute(
            f"SELECT document FROM {table} WHERE visit = ? ORDER BY place", (number,)
        )
        document[table] = [json.loads(part[0]) for part in parts]
    return document


def _write_list(file: TextIO, name: str, members: Iterator[dict[str, Any]]) -> None:
    file.write(f',\n "{name}": [')
    between = "\n  "
    for member in members:
        file.write(between + json.dumps(member, allow_nan=False))
        between = ",\n  "
    file.write("]")


@contextmanager
def _one_moment(connection: sqlite3.Connection) -> Iterator[None]:
    """All reads see the same state, whatever is written meanwhile."""
    connection.execute("BEGIN")
    try:
        yield
    finally:
        connection.execute("ROLLBACK")


@contextmanager
def _whole(target: Path) -> Iterator[TextIO]:
    """A text file that gets its name only when all of it is on the disk."""
    part = target.with_name(target.name + ".part")
    try:
        # newline="": the csv module writes its own line ends.
        with part.open("w", encoding="utf-8", newline="") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        part.replace(target)
    finally:
        part.unlink(missing_ok=True)
