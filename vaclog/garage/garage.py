"""The garage itself: cards, visits and captures, kept and found again.

Enters: TOML text, visits, names and numbers. Leaves: stored cards, visits and lines of lists.
Here stands what can be asked of a garage; how it is done stands in :mod:`~vaclog.garage.cards`,
:mod:`~vaclog.garage.whole_visits`, :mod:`~vaclog.garage.lists`, :mod:`~vaclog.garage.files`, over
one :class:`~vaclog.garage.store.Store`. Every method that writes is one short immediate
transaction.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Final

from vaclog.errors import UnknownRecordError
from vaclog.garage import cards, lists
from vaclog.garage.lines import CaptureLine, CardRow, VisitLine
from vaclog.garage.store import Store
from vaclog.garage.trouble import telling

if TYPE_CHECKING:
    from vaclog.garage.backup import Soundness
    from vaclog.visit.records import Visit

# How long to wait for another process that writes; its transactions are short.
BUSY_S: Final = 5.0


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
        self._store = Store(path, create=create, timeout_s=timeout_s)

    def __enter__(self) -> Garage:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._store.close()

    # --- cards ---------------------------------------------------------------------------------

    def engines(self) -> list[CardRow]:
        """All engine cards, by name."""
        return cards.all_cards(self._store, "engines")

    def rigs(self) -> list[CardRow]:
        """All rig cards, by name."""
        return cards.all_cards(self._store, "rigs")

    def engine(self, name: str) -> CardRow:
        """One engine card.

        Raises
        ------
        UnknownRecordError
            No such engine.
        """
        return cards.one_card(self._store, "engines", name)

    def rig(self, name: str) -> CardRow:
        """One rig card.

        Raises
        ------
        UnknownRecordError
            No such rig.
        """
        return cards.one_card(self._store, "rigs", name)

    def add_engine(self, toml: str, *, name: str = "", at: str = "") -> CardRow:
        """Keep a new engine card, under the name that stands on it unless another is given.

        Raises
        ------
        CardError
            Not a sound card, without a name, or there is one of that name.
        """
        from vaclog.cards import engine_card

        card = engine_card(toml)
        return cards.add_card(self._store, "engines", name or card.name, toml, at)

    def add_rig(self, name: str, toml: str, *, at: str = "") -> CardRow:
        """Keep a new rig card.

        Raises
        ------
        CardError
            Not a sound card, without a name, or there is one of that name.
        """
        from vaclog.cards import rig_card

        rig_card(toml)
        return cards.add_card(self._store, "rigs", name, toml, at)

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
        return cards.edit_card(self._store, "engines", name, toml, rename, at)

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
        return cards.edit_card(self._store, "rigs", name, toml, rename, at)

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
            The same, with its number and its next revision.

        Raises
        ------
        StaleVisitError
            Another process has kept it since it was read.
        """
        return self.save_visits([visit])[0]

    def save_visits(self, visits: Iterable[Visit]) -> list[Visit]:
        """Keep several visits, all or none; see :meth:`save_visit`."""
        from vaclog.garage.whole_visits import save_visit

        with self._store.writing() as tables:
            return [save_visit(self._store, tables, visit) for visit in visits]

    def change_visit(
        self, number: int, change: Callable[[Visit], Visit], *, seen: int | None = None
    ) -> tuple[Visit, Visit]:
        """Change a visit as it stands at this moment, whoever else works on it.

        Parameters
        ----------
        change
            Makes the new visit of the one that is kept; what it raises leaves that untouched.
        seen
            The revision that a person was looking at; another one is not changed.

        Returns
        -------
        Visit, Visit
            Before and after.

        Raises
        ------
        StaleVisitError
            It is no longer the revision that was seen.
        """
        from vaclog.garage.whole_visits import change_visit

        self.visit(number)  # says so if there is none
        return change_visit(self._store, number, change, seen)

    def visit(self, number: int) -> Visit:
        """A whole visit.

        Raises
        ------
        UnknownRecordError
            No such visit.
        """
        from vaclog.garage.whole_visits import read_visits

        found = read_visits(self._store, "WHERE number = ?", [number])
        if not found:
            count, last = self._store.rows("SELECT count(*), max(number) FROM visits", [])[0]
            raise UnknownRecordError(
                f"There is no visit {number} in {self.path}.",
                cause=f"It holds {count}, the last is {last}." if count else "It holds none yet.",
                step="`vaclog garage visits` lists them.",
            )
        return found[0]

    def visits_of(self, engine: str) -> list[Visit]:
        """All visits of an engine, whole, newest first."""
        from vaclog.garage.whole_visits import read_visits

        newest_first = "WHERE engine = ? ORDER BY begun DESC, number DESC"
        return read_visits(self._store, newest_first, [engine])

    def visits(self, engine: str | None = None, *, limit: int | None = None) -> list[VisitLine]:
        """The lines of a list of visits, newest first; no document is read.

        Parameters
        ----------
        engine
            Only of this one.
        limit
            At most so many.
        """
        return lists.visit_lines(self._store, engine, limit)

    def captures(self, visit: int | None = None, *, sha256: str = "") -> list[CaptureLine]:
        """The lines of a list of captures, newest visit first.

        Parameters
        ----------
        visit
            Only of this visit.
        sha256
            Only those that begin so.
        """
        return lists.capture_lines(self._store, visit, sha256)

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

        with telling(self.path, self._store.timeout_s):
            sha256, size_bytes = files.fingerprint(path)
        with self._store.writing():
            files.remember(self._store.connection, sha256, path, size_bytes)
        if inside:
            with telling(self.path, self._store.timeout_s):
                files.keep(self._store.connection, self._store.writing, sha256, path)
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

        known = files.known(self._store, sha256)
        with telling(self.path, self._store.timeout_s):
            place = files.find(known["sha256"], Path(known["path"]), known["size_bytes"], folders)
        if place is not None and str(place) != known["path"]:
            with self._store.writing():
                files.remember(self._store.connection, known["sha256"], place, place.stat().st_size)
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

        known = files.known(self._store, sha256)
        if not known["kept"]:
            raise UnknownRecordError(
                f"The capture {known['sha256'][:12]} is not kept inside {self.path}.",
                cause=f"Only its place is known: {known['path']}.",
                step="Keep it inside with: vaclog garage keep FILE.",
            )
        with telling(self.path, self._store.timeout_s):
            files.write_out(self._store.connection, known["sha256"], target, self.path)
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

        with telling(target, self._store.timeout_s):
            export.write_json(self._store.connection, target)

    def export_csv(self, folder: Path) -> list[Path]:
        """Write a CSV file for each table, with the columns that a person would sort by.

        Raises
        ------
        StorageError
            A file cannot be written.
        """
        from vaclog.garage import export

        with telling(folder, self._store.timeout_s):
            return export.write_csv(self._store.connection, folder)

    def backup(self, target: Path) -> Soundness:
        """Copy the garage while it may be in use, and check the copy before it gets its name.

        Raises
        ------
        StorageError
            It cannot be written, or the copy is not sound.
        """
        from vaclog.garage import backup

        with telling(target, self._store.timeout_s):
            return backup.copy(self._store.connection, target)

    def check(self) -> Soundness:
        """Whether every page and every reference of the garage is sound.

        Raises
        ------
        StorageError
            It cannot be read.
        """
        from vaclog.garage import backup

        with telling(self.path, self._store.timeout_s):
            return backup.soundness(self._store.connection, self.path)
