"""The open file: its rows, and one short transaction at a time.

Enters: SQL and values. Leaves: rows; what goes wrong is told as a
:class:`~vaclog.errors.StorageError` that names the file.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vaclog.garage.opening import open_database
from vaclog.garage.trouble import telling

if TYPE_CHECKING:
    from sqlite_utils import Database


class Store:
    """An open garage file; see :class:`~vaclog.garage.garage.Garage` for the parameters."""

    def __init__(self, path: Path, *, create: bool, timeout_s: float) -> None:
        self.path = path
        self.timeout_s = timeout_s
        self.connection = open_database(path, create=create, timeout_s=timeout_s)
        self._tables: Database | None = None

    def close(self) -> None:
        """Let go of the file."""
        self.connection.close()

    def rows(self, sql: str, values: list[Any]) -> list[sqlite3.Row]:
        """What a query finds."""
        with telling(self.path, self.timeout_s):
            return self.connection.execute(sql, values).fetchall()

    @contextmanager
    def writing(self) -> Iterator[Database]:
        """One immediate transaction: all of it is kept, or nothing."""
        with telling(self.path, self.timeout_s):
            if self._tables is None:
                from sqlite_utils import Database  # a third of a second where pandas is installed

                self._tables = Database(self.connection)
            self.connection.execute("BEGIN IMMEDIATE")
            try:
                yield self._tables
                self.connection.execute("COMMIT")
            except BaseException:
                # A full disk may have undone the transaction already.
                if self.connection.in_transaction:
                    self.connection.execute("ROLLBACK")
                raise
