"""The garage itself: cards, visits and captures, kept and found again.

Enters: TOML text, visits, names and numbers. Leaves: stored cards, visits and lines of lists.
Every method that writes is one short immediate transaction. What is derived (columns, counts) is
made from the records at each save.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal, TypeAlias

from vaclog.errors import CardError, UnknownRecordError
from vaclog.garage.lines import PARTS, VISIT_COLUMNS, CaptureLine, CardRow, VisitLine
from vaclog.garage.opening import open_database
from vaclog.garage.trouble import telling

if TYPE_CHECKING:
    from sqlite_utils import Database

    from vaclog.garage.backup import Soundness
    from vaclog.garage.rows import Row
    from vaclog.visit.records import Visit

_Cards: TypeAlias = Literal["engines", "rigs"]

# How long to wait for another process that writes; its transactions are short.
BUSY_S: Final = 5.0

_LINE_COLUMNS: Final = ", ".join(
    f"coalesce({name}, '')" if name in ("engine", "rig") else f'"{name}"' for name in VISIT_COLUMNS
)


class Garage:
    """A garage file.

    Parameters
    ----------
    path
        The SQLite file; made with its folder where missing.
    create
        False: a missing file is an error.
    timeout_s
        How long to wait for another process that writes.

    Raises
    ------
    StorageError
        It cannot be opened, is locked, full, read-only, damaged or no garage.
    FutureVersionError
        Written by a newer version.
    """

    def __init__(self, path: Path, *, create: bool = True, timeout_s: float = BUSY_S) -> None:
        self.path = path
        self._timeout_s = timeout_s
        self._connection = open_database(path, create=create, timeout_s=timeout_s)
        self._tables: Database | None = None

    def __enter__(self) -> Garage:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()

    # --- cards ---------------------------------------------------------------------------------

    def engines(self) -> list[CardRow]:
        """All engine cards, by name."""
        return self._cards("engines")

    def rigs(self) -> list[CardRow]:
        """All rig cards, by name."""
        return self._cards("rigs")

    def engine(self, name: str) -> CardRow:
        """One engine card.

        Raises
        ------
        UnknownRecordError
            No such engine.
        """
        return self._card("engines", name)

    def rig(self, name: str) -> CardRow:
        """One rig card.

        Raises
        ------
        UnknownRecordError
            No such rig.
        """
        return self._card("rigs", name)

    def add_engine(self, toml: str, *, name: str = "", at: str = "") -> CardRow:
        """Keep a new engine card, under the name that stands on it unless another is given.

        Raises
        ------
        CardError
            Not a sound card, without a name, or there is one of that name.
        """
        from vaclog.cards import engine_card

        card = engine_card(toml)
        return self._add_card("engines", name or card.name, toml, at)

    def add_rig(self, name: str, toml: str, *, at: str = "") -> CardRow:
        """Keep a new rig card.

        Raises
        ------
        CardError
            Not a sound card, without a name, or there is one of that name.
        """
        from vaclog.cards import rig_card

        rig_card(toml)
        return self._add_card("rigs", name, toml, at)

    def edit_engine(self, name: str, toml: str, *, rename: str = "", at: str = "") -> CardRow:
        """Replace an engine card. Visits keep the card as it was then.

        Raises
        ------
        CardError
            Not a sound card.
        UnknownRecordError
            No such engine.
        """
        from vaclog.cards import engine_card

        card, kept = engine_card(toml), self.engine(name)
        if not rename and kept.name == engine_card(kept.toml).name:
            rename = card.name  # it was kept under the name on its card, and still is
        return self._edit_card("engines", name, toml, rename, at)

    def edit_rig(self, name: str, toml: str, *, rename: str = "", at: str = "") -> CardRow:
        """Replace a rig card. Visits keep the card as it was then.

        Raises
        ------
        CardError
            Not a sound card.
        UnknownRecordError
            No such rig.
        """
        from vaclog.cards import rig_card

        rig_card(toml)
        return self._edit_card("rigs", name, toml, rename, at)

    # --- visits --------------------------------------------------------------------------------

    def begin_visit(self, engine: str, rig: str = "", *, begun: str, step: str = "") -> Visit:
        """Begin a visit with the cards as they are now.

        Parameters
        ----------
        engine, rig
            Names of cards; rig may be empty.
        begun
            Local date and time, ISO 8601.

        Raises
        ------
        UnknownRecordError
            No such card.
        """
        from vaclog.visit.records import Visit

        card = self.engine(engine)
        clipped = self.rig(rig) if rig else None
        return self.save_visit(
            Visit(
                engine=card.name,
                rig=clipped.name if clipped else "",
                engine_toml=card.toml,
                rig_toml=clipped.toml if clipped else "",
                begun=begun,
                step=step,
            )
        )

    def save_visit(self, visit: Visit) -> Visit:
        """Keep a visit as it now stands; one without a number gets the next.

        Cards that it names and that the garage does not have yet are taken from the visit. Only
        the parts that changed are written.

        Returns
        -------
        Visit
            The same, with its number.
        """
        return self.save_visits([visit])[0]

    def save_visits(self, visits: Iterable[Visit]) -> list[Visit]:
        """Keep several visits, all or none; see :meth:`save_visit`."""
        with self._writing() as tables:
            return [self._save(tables, visit) for visit in visits]

    def visit(self, number: int) -> Visit:
        """A whole visit.

        Raises
        ------
        UnknownRecordError
            No such visit.
        """
        found = self._visits("WHERE number = ?", [number])
        if not found:
            count, last = self._rows("SELECT count(*), max(number) FROM visits", [])[0]
            raise UnknownRecordError(
                f"There is no visit {number} in {self.path}.",
                cause=f"It holds {count}, the last is {last}." if count else "It holds none yet.",
                step="`vaclog garage visits` lists them.",
            )
        return found[0]

    def visits_of(self, engine: str) -> list[Visit]:
        """All visits of an engine, whole, newest first."""
        return self._visits("WHERE engine = ? ORDER BY begun DESC, number DESC", [engine])

    def visits(self, engine: str | None = None, *, limit: int | None = None) -> list[VisitLine]:
        """The lines of a list of visits, newest first; no document is read.

        Parameters
        ----------
        engine
            Only of this one.
        limit
            At most so many.
        """
        where = "" if engine is None else "WHERE engine = ?"
        values: list[Any] = [] if engine is None else [engine]
        rows = self._rows(
            f"SELECT {_LINE_COLUMNS} FROM visits {where} ORDER BY begun DESC, number DESC LIMIT ?",
            [*values, -1 if limit is None else limit],
        )
        return [VisitLine._make(row) for row in rows]

    def captures(self, visit: int | None = None, *, sha256: str = "") -> list[CaptureLine]:
        """The lines of a list of captures, newest visit first.

        Parameters
        ----------
        visit
            Only of this visit.
        sha256
            Only those that begin so.
        """
        rows = self._rows(
            "SELECT c.visit, c.place, c.purpose, c.sha256, coalesce(f.path, c.path) AS path, c.at,"
            ' c.found, c.peak_deg, c.u_deg, c.set_deg, c."limit", c.idle_rpm, c.vacuum_kpa,'
            " c.misfire_per_thousand, c.scatter_deg, coalesce(f.kept, 0) AS kept"
            " FROM captures c LEFT JOIN files f ON f.sha256 = c.sha256"
            " WHERE (?1 IS NULL OR c.visit = ?1) AND c.sha256 >= ?2 AND c.sha256 < ?2 || 'g'"
            " ORDER BY c.visit DESC, c.place",
            [visit, sha256.lower()],
        )
        return [
            CaptureLine(**{**dict(row), "found": bool(row["found"]), "kept": bool(row["kept"])})
            for row in rows
        ]

    # --- files ---------------------------------------------------------------------------------

    def keep_file(self, path: Path, *, inside: bool = False) -> str:
        """Remember where a capture file is; ``inside``: keep its bytes as well, compressed.

        Returns
        -------
        str
            Its SHA-256, by which it is found again.

        Raises
        ------
        StorageError
            The file cannot be read, or the garage not written.
        """
        from vaclog.garage import files

        with telling(self.path, self._timeout_s):
            sha256, size_bytes = files.fingerprint(path)
        with self._writing():
            files.remember(self._connection, sha256, path, size_bytes)
        if inside:
            with telling(self.path, self._timeout_s):
                files.keep(self._connection, self._writing, sha256, path)
        return sha256

    def find_file(self, sha256: str, folders: Iterable[Path] = ()) -> Path | None:
        """Where a capture file is now, or None.

        Its last known place, then the folders: their files of the same size are compared by hash,
        and what is found is remembered.

        Raises
        ------
        UnknownRecordError
            No capture of that hash, or more than one that begins so.
        """
        from vaclog.garage import files

        known = self._file(sha256)
        with telling(self.path, self._timeout_s):
            place = files.find(known["sha256"], Path(known["path"]), known["size_bytes"], folders)
        if place is not None and str(place) != known["path"]:
            with self._writing():
                files.remember(self._connection, known["sha256"], place, place.stat().st_size)
        return place

    def take_out(self, sha256: str, target: Path) -> Path:
        """Write a capture that is kept inside to a file.

        Raises
        ------
        UnknownRecordError
            Not kept inside.
        StorageError
            The file cannot be written, or the kept bytes are damaged.
        """
        from vaclog.garage import files

        known = self._file(sha256)
        if not known["kept"]:
            raise UnknownRecordError(
                f"The capture {known['sha256'][:12]} is not kept inside {self.path}.",
                cause=f"Only its place is known: {known['path']}.",
                step="Keep it inside with: vaclog garage keep FILE.",
            )
        with telling(self.path, self._timeout_s):
            files.write_out(self._connection, known["sha256"], target, self.path)
        return target

    # --- all of it -----------------------------------------------------------------------------

    def export_json(self, target: Path) -> None:
        """Write everything but the bytes of captures as one JSON document.

        Raises
        ------
        StorageError
            The file cannot be written.
        """
        from vaclog.garage import export

        with telling(target, self._timeout_s):
            export.write_json(self._connection, target)

    def export_csv(self, folder: Path) -> list[Path]:
        """Write a CSV file for each table, with the columns that a person would sort by.

        Raises
        ------
        StorageError
            A file cannot be written.
        """
        from vaclog.garage import export

        with telling(folder, self._timeout_s):
            return export.write_csv(self._connection, folder)

    def backup(self, target: Path) -> Soundness:
        """Copy the garage while it may be in use, and check the copy before it gets its name.

        Raises
        ------
        StorageError
            It cannot be written, or the copy is not sound.
        """
        from vaclog.garage import backup

        with telling(target, self._timeout_s):
            return backup.copy(self._connection, target)

    def check(self) -> Soundness:
        """Whether every page and every reference of the garage is sound.

        Raises
        ------
        StorageError
            It cannot be read.
        """
        from vaclog.garage import backup

        with telling(self.path, self._timeout_s):
            return backup.soundness(self._connection, self.path)

    # --- how ------------------------------------------------------------------------------------

    def _file(self, sha256: str) -> sqlite3.Row:
        rows = self._rows(
            "SELECT sha256, path, size_bytes, kept FROM files"
            # A range, so that the index serves: "g" comes after every hexadecimal digit.
            " WHERE sha256 >= ?1 AND sha256 < ?1 || 'g'",
            [sha256.lower()],
        )
        if len(rows) != 1 or not sha256:
            raise UnknownRecordError(
                f"{'No' if not rows else 'More than one'} capture in {self.path} has a hash that "
                f"begins with {sha256!r}.",
                step="`vaclog garage show N` lists the captures of a visit with their hashes.",
            )
        return rows[0]

    @contextmanager
    def _writing(self) -> Iterator[Database]:
        """One immediate transaction: all of it is kept, or nothing."""
        with telling(self.path, self._timeout_s):
            if self._tables is None:
                from sqlite_utils import Database  # a third of a second where pandas is installed

                self._tables = Database(self._connection)
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield self._tables
                self._connection.execute("COMMIT")
            except BaseException:
                # A full disk may have undone the transaction already.
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise

    def _rows(self, sql: str, values: list[Any]) -> list[sqlite3.Row]:
        with telling(self.path, self._timeout_s):
            return self._connection.execute(sql, values).fetchall()

    def _visits(self, where: str, values: list[Any]) -> list[Visit]:
        from vaclog.garage.rows import visit_from

        rows = self._rows(f"SELECT number, engine, rig, document FROM visits {where}", values)
        return [visit_from(dict(row), self._documents(row["number"])) for row in rows]

    def _documents(self, number: int) -> dict[str, list[str]]:
        return {
            table: [
                row["document"]
                for row in self._rows(
                    f"SELECT document FROM {table} WHERE visit = ? ORDER BY place", [number]
                )
            ]
            for table in PARTS
        }

    def _save(self, tables: Database, visit: Visit) -> Visit:
        from vaclog.garage.rows import visit_row

        self._take_cards(tables, visit)
        row = visit_row(visit)
        if visit.number == 0:
            tables.table("visits").insert(row)
            number = self._connection.execute("SELECT last_insert_rowid()").fetchone()[0]
            visit = replace(visit, number=int(number))
        else:
            tables.table("visits").upsert({"number": visit.number, **row}, pk="number")
        for table in PARTS:
            self._write_parts(tables, table, visit)
        files = [
            {"sha256": each.sha256, "path": each.path} for each in visit.captures if each.sha256
        ]
        tables.table("files").insert_all(files, pk="sha256", ignore=True)
        return visit

    def _write_parts(self, tables: Database, table: str, visit: Visit) -> None:
        """Write the parts that are new or changed; take out those that are gone."""
        from vaclog.garage.rows import part_rows

        kept = {
            row["place"]: row["document"]
            for row in self._connection.execute(
                f"SELECT place, document FROM {table} WHERE visit = ?", (visit.number,)
            )
        }
        rows = part_rows(visit, table)
        changed: list[Row] = [
            {"visit": visit.number, **row}
            for row in rows
            if kept.get(row["place"]) != row["document"]
        ]
        if changed:
            tables.table(table).insert_all(changed, pk=("visit", "place"), replace=True)
        if len(kept) > len(rows):
            tables.table(table).delete_where("visit = ? AND place >= ?", [visit.number, len(rows)])

    def _take_cards(self, tables: Database, visit: Visit) -> None:
        for table, name, toml in (
            ("engines", visit.engine, visit.engine_toml),
            ("rigs", visit.rig, visit.rig_toml),
        ):
            if name:
                row = {"name": name, "toml": toml, "added": visit.begun, "changed": visit.begun}
                tables.table(table).insert(row, pk="name", ignore=True)

    def _cards(self, table: _Cards) -> list[CardRow]:
        column = table[:-1]
        rows = self._rows(
            f"SELECT c.name, c.toml, c.added, c.changed, count(v.number) AS visits FROM {table} c"
            f" LEFT JOIN visits v ON v.{column} = c.name GROUP BY c.name ORDER BY c.name",
            [],
        )
        return [CardRow(**dict(row)) for row in rows]

    def _card(self, table: _Cards, name: str) -> CardRow:
        rows = self._rows(
            f"SELECT name, toml, added, changed, (SELECT count(*) FROM visits WHERE {table[:-1]} ="
            f" {table}.name) AS visits FROM {table} WHERE name = ?",
            [name],
        )
        if not rows:
            known = [row["name"] for row in self._rows(f"SELECT name FROM {table}", [])]
            raise UnknownRecordError(
                f"There is no {table[:-1]} {name!r} in {self.path}.",
                cause=_nearest(name, known),
                step=f"`vaclog garage {table[:-1]} list` shows all, `vaclog garage {table[:-1]} "
                "add` adds one.",
            )
        return CardRow(**dict(rows[0]))

    def _add_card(self, table: _Cards, name: str, toml: str, at: str) -> CardRow:
        name = " ".join(name.split())
        if not name:
            raise CardError(
                f"This {table[:-1]} card has no name to be kept under.",
                cause='Its line name = "..." is missing.'
                if table == "engines"
                else "A rig card carries no name itself.",
                step="Give one with --name NAME.",
            )
        with self._writing() as tables:
            if next(iter(tables.table(table).rows_where("name = ?", [name])), None) is not None:
                raise CardError(
                    f"There is already a card for {table[:-1]} {name!r} in {self.path}.",
                    cause="It was added before.",
                    step=f"Change it with `vaclog garage {table[:-1]} edit`, or choose another "
                    "name with --name.",
                )
            row = {"name": name, "toml": toml, "added": at, "changed": at}
            tables.table(table).insert(row, pk="name")
        return self._card(table, name)

    def _edit_card(self, table: _Cards, name: str, toml: str, rename: str, at: str) -> CardRow:
        kept = self._card(table, name).name
        new = " ".join(rename.split()) or kept
        with self._writing() as tables:
            if new.casefold() != kept.casefold() and next(
                iter(tables.table(table).rows_where("name = ?", [new])), None
            ):
                raise CardError(
                    f"There is already a card for {table[:-1]} {new!r} in {self.path}.",
                    step="Choose another name.",
                )
            self._connection.execute(
                f"UPDATE {table} SET name = ?, toml = ?, changed = ? WHERE name = ?",
                (new, toml, at, kept),
            )
        return self._card(table, new)


def _nearest(name: str, known: list[str]) -> str:
    import difflib

    near = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    if near:
        return f"Perhaps {near[0]!r} was meant."
    return f"Known are: {', '.join(known[:8])}." if known else "There are none yet."
