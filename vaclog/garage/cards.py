"""Cards as the garage keeps them: listed, found by name, added, changed.

Enters: TOML text that was read without complaint, and names. Leaves: rows of ``engines`` and
``rigs``. A visit holds its own copy of its cards, so a change here changes no visit.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, TypeAlias

from vaclog.errors import CardError, UnknownRecordError
from vaclog.garage.lines import CardRow
from vaclog.garage.store import Store

if TYPE_CHECKING:
    from sqlite_utils import Database

    from vaclog.visit.records import Visit

Table: TypeAlias = Literal["engines", "rigs"]


def all_cards(store: Store, table: Table) -> list[CardRow]:
    """All cards of a table, by name."""
    column = table[:-1]
    rows = store.rows(
        f"SELECT c.name, c.toml, c.added, c.changed, count(v.number) AS visits FROM {table} c"
        f" LEFT JOIN visits v ON v.{column} = c.name GROUP BY c.name ORDER BY c.name",
        [],
    )
    return [CardRow(**dict(row)) for row in rows]


def one_card(store: Store, table: Table, name: str) -> CardRow:
    """One card; :class:`~vaclog.errors.UnknownRecordError` names its nearest if there is none."""
    rows = store.rows(
        f"SELECT name, toml, added, changed, (SELECT count(*) FROM visits WHERE {table[:-1]} ="
        f" {table}.name) AS visits FROM {table} WHERE name = ?",
        [name],
    )
    if not rows:
        known = [row["name"] for row in store.rows(f"SELECT name FROM {table}", [])]
        raise UnknownRecordError(
            f"There is no {table[:-1]} {name!r} in {store.path}.",
            cause=_nearest(name, known),
            step=f"`vaclog garage {table[:-1]} list` shows all, `vaclog garage {table[:-1]} "
            "add` adds one.",
        )
    return CardRow(**dict(rows[0]))


def add_card(store: Store, table: Table, name: str, toml: str, at: str) -> CardRow:
    """Keep a new card under a name that is not taken."""
    name = " ".join(name.split())
    if not name:
        raise CardError(
            f"This {table[:-1]} card has no name to be kept under.",
            cause='Its line name = "..." is missing.'
            if table == "engines"
            else "A rig card carries no name itself.",
            step="Give one with --name NAME.",
        )
    with store.writing() as tables:
        if next(iter(tables.table(table).rows_where("name = ?", [name])), None) is not None:
            raise CardError(
                f"There is already a card for {table[:-1]} {name!r} in {store.path}.",
                cause="It was added before.",
                step=f"Change it with `vaclog garage {table[:-1]} edit`, or choose another "
                "name with --name.",
            )
        row = {"name": name, "toml": toml, "added": at, "changed": at}
        tables.table(table).insert(row, pk="name")
    return one_card(store, table, name)


def edit_card(store: Store, table: Table, name: str, toml: str, rename: str, at: str) -> CardRow:
    """Replace a card, perhaps under a new name."""
    kept = one_card(store, table, name).name
    new = " ".join(rename.split()) or kept
    with store.writing() as tables:
        if new.casefold() != kept.casefold() and next(
            iter(tables.table(table).rows_where("name = ?", [new])), None
        ):
            raise CardError(
                f"There is already a card for {table[:-1]} {new!r} in {store.path}.",
                step="Choose another name.",
            )
        store.connection.execute(
            f"UPDATE {table} SET name = ?, toml = ?, changed = ? WHERE name = ?",
            (new, toml, at, kept),
        )
    return one_card(store, table, new)


def take_cards(tables: Database, visit: Visit) -> None:
    """Keep the cards that a visit names and that the garage does not have yet."""
    for table, name, toml in (
        ("engines", visit.engine, visit.engine_toml),
        ("rigs", visit.rig, visit.rig_toml),
    ):
        if name:
            row = {"name": name, "toml": toml, "added": visit.begun, "changed": visit.begun}
            tables.table(table).insert(row, pk="name", ignore=True)


def _nearest(name: str, known: list[str]) -> str:
    import difflib

    near = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    if near:
        return f"Perhaps {near[0]!r} was meant."
    return f"Known are: {', '.join(known[:8])}." if known else "There are none yet."
