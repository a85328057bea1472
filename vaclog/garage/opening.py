"""Opens the database, and brings an older one up to this version.

Enters: a path. Leaves: a connection that knows the current schema. Each step from one schema to
the next is a module of its own; all steps that are due are one transaction, and before the first
of them the old database is copied beside itself. A newer database is refused, untouched.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Final

from vaclog.errors import FutureVersionError, StorageError
from vaclog.garage import step_1, step_2, step_3
from vaclog.garage.lines import PARTS
from vaclog.garage.trouble import telling

STEPS: Final[tuple[Callable[[sqlite3.Connection], None], ...]] = (
    step_1.upgrade,
    step_2.upgrade,
    step_3.upgrade,
)
SCHEMA: Final = len(STEPS)
# "vacl" in ASCII: tells a garage from other SQLite files.
APPLICATION_ID: Final = 0x7661636C


def open_database(path: Path, *, create: bool, timeout_s: float) -> sqlite3.Connection:
    """Open a garage, making or migrating it where needed.

    Raises
    ------
    StorageError
        Missing, not a garage, locked, full, read-only or damaged.
    FutureVersionError
        Written by a newer version.
    """
    if not create and not path.exists():
        raise StorageError(
            f"There is no garage at {path} yet.",
            cause="Nothing was kept so far, or it lies elsewhere.",
            step="Begin one with `vaclog garage engine add`, or name its file with --garage.",
        )
    with telling(path, timeout_s):
        path.parent.mkdir(parents=True, exist_ok=True)
        connection = sqlite3.connect(
            path, timeout=timeout_s, isolation_level=None, check_same_thread=False
        )
        try:
            connection.row_factory = sqlite3.Row
            _prepare(connection, path)
            if version(connection) < SCHEMA:
                _upgrade(connection, path)
            connection.execute("PRAGMA foreign_keys = ON")
        except BaseException:
            connection.close()
            raise
    return connection


def version(connection: sqlite3.Connection) -> int:
    """Schema of the database; 0 for an empty one."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def _prepare(connection: sqlite3.Connection, path: Path) -> None:
    """Refuse what is no garage, before anything is written to it."""
    found = version(connection)
    name = int(connection.execute("PRAGMA application_id").fetchone()[0])
    tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    if tables and name != APPLICATION_ID:
        raise StorageError(
            f"{path} is an SQLite database, but not a garage.",
            cause="It belongs to another program.",
            step="Name the right file with --garage.",
        )
    if found > SCHEMA:
        raise FutureVersionError(
            f"The garage {path} has schema {found}; this version reads up to {SCHEMA}.",
            cause="It was written by a newer version.",
            step="Update vaclog; the file was not touched.",
        )
    # Readers then never hold up the writer. FULL: what was told to be kept outlives a power cut;
    # a visit is saved a few dozen times, so the extra syncs cost nothing that a person notices.
    if connection.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
        try:
            connection.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_READONLY:
                raise  # a read-only garage can still be read
    connection.execute("PRAGMA synchronous = FULL")


def _upgrade(connection: sqlite3.Connection, path: Path) -> None:
    """Take every step that is due, in one transaction."""
    before = version(connection)
    if before:
        _copy_aside(connection, path.with_name(f"{path.name}.schema{before}"))
    # Tables are taken apart and put together anew: keys are checked at the end instead.
    connection.execute("PRAGMA foreign_keys = OFF")
    connection.execute("BEGIN IMMEDIATE")
    try:
        now = version(connection)  # another process may have been faster
        for step in STEPS[now:]:
            step(connection)
        if now < SCHEMA:
            if now:
                _derive_columns(connection)
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version = {SCHEMA}")
        if connection.execute("PRAGMA foreign_key_check").fetchone() is not None:
            raise StorageError(
                f"The garage {path} cannot be brought to schema {SCHEMA}: a record in it names "
                "another that is missing.",
                cause="It was edited by another program.",
                step="It was left as it was; please report this with its schema number.",
            )
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def _copy_aside(connection: sqlite3.Connection, target: Path) -> None:
    """Keep the database as it was before the migration; an earlier copy stays."""
    if target.exists():
        return
    copy = sqlite3.connect(target)
    try:
        connection.backup(copy)
    finally:
        copy.close()


def _derive_columns(connection: sqlite3.Connection) -> None:
    """Fill the columns of every visit and its parts from their documents."""
    from vaclog.garage.rows import part_rows, visit_from, visit_row

    rows = connection.execute("SELECT number, engine, rig, document FROM visits").fetchall()
    for row in rows:
        documents: dict[str, list[str]] = {}
        for table in PARTS:
            found = connection.execute(
                f"SELECT document FROM {table} WHERE visit = ? ORDER BY place", (row["number"],)
            )
            documents[table] = [each["document"] for each in found]
        try:
            visit = visit_from(dict(row), documents)
        except (TypeError, ValueError, KeyError, AttributeError) as error:
            raise StorageError(
                f"Visit {row['number']} in this garage cannot be read "
                f"({type(error).__name__}: {error}).",
                cause="Its document was cut short or edited by hand.",
                step="The garage was left as it was. Mend the document, or restore a backup.",
            ) from error
        _update(connection, "visits", {"number": row["number"]}, visit_row(visit))
        for table in PARTS:
            for each in part_rows(visit, table):
                _update(connection, table, {"visit": row["number"], "place": each["place"]}, each)


def _update(
    connection: sqlite3.Connection, table: str, key: dict[str, object], row: dict[str, object]
) -> None:
    """Set the derived columns; the documents stay as they are, with keys not known here."""
    columns = {name: value for name, value in row.items() if name not in ("document", *key)}
    columns = {name: v for name, v in columns.items() if name not in ("engine", "rig")}
    assignments = ", ".join(f'"{name}" = ?' for name in columns)
    where = " AND ".join(f'"{name}" = ?' for name in key)
    connection.execute(
        f"UPDATE {table} SET {assignments} WHERE {where}", [*columns.values(), *key.values()]
    )
