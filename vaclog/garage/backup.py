"""Copies of the garage, and whether one is sound.

Enters: a connection or a file. Leaves: a checked copy; :class:`Soundness`. The copy is made by
SQLite's own backup, which may run while the garage is in use; a file copy of a database in
write-ahead mode would miss its log.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from vaclog.errors import FutureVersionError, StorageError
from vaclog.garage.opening import APPLICATION_ID, SCHEMA, version
from vaclog.garage.trouble import telling

# A handful says enough; a damaged file can have thousands.
_MOST_FAULTS = 5

# The beginning of every database file (sqlite.org/fileformat2.html, 1.3.1).
_SQLITE = b"SQLite format 3\0"


@dataclass(frozen=True, slots=True, kw_only=True)
class Soundness:
    """What a check of a garage found.

    Attributes
    ----------
    schema
        Of the file.
    faults
        As SQLite words them; empty when sound.
    """

    path: Path
    schema: int
    engines: int
    rigs: int
    visits: int
    captures: int
    faults: tuple[str, ...]

    @property
    def sound(self) -> bool:
        """No fault was found."""
        return not self.faults


def _replaceable(target: Path) -> bool:
    """Whether a file is an older backup, or empty."""
    if not target.is_file():
        return False
    with target.open("rb") as file:
        return file.read(len(_SQLITE)) in (b"", _SQLITE)


def copy(connection: sqlite3.Connection, target: Path) -> Soundness:
    """Copy to a file beside the target, check it, then give it the name.

    Raises
    ------
    StorageError
        The target is the garage itself, or the copy is not sound.
    """
    own = Path(connection.execute("PRAGMA database_list").fetchone()["file"])
    if target.exists() and target.samefile(own):
        raise StorageError(
            f"{target} is the garage itself.",
            cause="A backup onto itself keeps nothing.",
            step="Name another file, best on another disk.",
        )
    if target.exists() and not _replaceable(target):
        raise StorageError(
            f"{target} is there already and is no garage.",
            cause="A backup would have replaced something else.",
            step="Name a new file, or an older backup.",
        )
    part = target.with_name(target.name + ".part")
    part.unlink(missing_ok=True)
    try:
        with closing(sqlite3.connect(part, isolation_level=None)) as made:
            made.row_factory = sqlite3.Row
            connection.backup(made)
            # One plain file without a log beside it; opened as a garage it gets one again.
            made.execute("PRAGMA journal_mode = DELETE")
            found = soundness(made, target)
        if not found.sound:
            raise StorageError(
                f"The copy for {target} is not sound: {found.faults[0]}.",
                cause="The garage itself is damaged, or the disk failed.",
                step="Keep the last good backup; check the garage with: vaclog garage check.",
            )
        with part.open("rb") as file:
            os.fsync(file.fileno())
        part.replace(target)
    finally:
        part.unlink(missing_ok=True)
    return found


def check_file(path: Path) -> Soundness:
    """Check a garage or a backup without changing it.

    Raises
    ------
    StorageError
        Missing or no garage.
    FutureVersionError
        Written by a newer version.
    """
    if not path.is_file():
        raise StorageError(
            f"{path} is no file.",
            cause="It was moved, or the name is mistyped.",
            step="Look for it.",
        )
    with (
        telling(path),
        closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as connection,
    ):
        connection.row_factory = sqlite3.Row
        found = version(connection)
        if connection.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
            raise StorageError(
                f"{path} is an SQLite database, but not a garage.",
                cause="It belongs to another program.",
                step="Name the right file.",
            )
        if found > SCHEMA:
            raise FutureVersionError(
                f"The garage {path} has schema {found}; this version reads up to {SCHEMA}.",
                cause="It was written by a newer version.",
                step="Update vaclog.",
            )
        return soundness(connection, path)


def soundness(connection: sqlite3.Connection, path: Path) -> Soundness:
    """Check every page, index and reference."""
    faults = [
        row[0]
        for row in connection.execute(f"PRAGMA integrity_check({_MOST_FAULTS})")
        if row[0] != "ok"
    ]
    for row in connection.execute("PRAGMA foreign_key_check").fetchmany(_MOST_FAULTS):
        faults.append(f"a row of {row[0]} names a missing row of {row[2]}")
    return Soundness(
        path=path,
        schema=version(connection),
        engines=_count(connection, "engines"),
        rigs=_count(connection, "rigs"),
        visits=_count(connection, "visits"),
        captures=_count(connection, "captures"),
        faults=tuple(faults),
    )


def _count(connection: sqlite3.Connection, table: str) -> int:
    known = connection.execute(
        "SELECT count(*) FROM sqlite_master WHERE type = 'table' AND name = ?", (table,)
    ).fetchone()[0]
    return int(connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]) if known else 0
