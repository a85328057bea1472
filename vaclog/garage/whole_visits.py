"""Whole visits: kept part by part, and read again.

Enters: :class:`~vaclog.visit.records.Visit`. Leaves: the same. What is derived (columns, counts)
is made from the records at each save; only the parts that changed are written.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from vaclog.errors import StaleVisitError
from vaclog.garage.cards import take_cards
from vaclog.garage.lines import PARTS
from vaclog.garage.rows import Row, part_rows, visit_from, visit_row
from vaclog.garage.store import Store
from vaclog.visit.records import Visit

if TYPE_CHECKING:
    from sqlite_utils import Database


def read_visits(store: Store, where: str, values: list[Any]) -> list[Visit]:
    """Visits that a condition of SQL holds for."""
    rows = store.rows(f"SELECT number, engine, rig, document FROM visits {where}", values)
    return [visit_from(dict(row), _documents(store, row["number"])) for row in rows]


def change_visit(
    store: Store, number: int, change: Callable[[Visit], Visit], seen: int | None
) -> tuple[Visit, Visit]:
    """Change a visit as it stands now, in one transaction; the visit before and after."""
    with store.writing() as tables:
        before = read_visits(store, "WHERE number = ?", [number])[0]
        if seen is not None and before.revision != seen:
            raise stale(number)
        return before, save_visit(store, tables, change(before))


def stale(number: int) -> StaleVisitError:
    """What whoever comes second is told."""
    return StaleVisitError(
        f"Visit {number} has changed since it was read: this was not taken.",
        cause="Another window or program works on the same visit.",
        step="See where it stands now: vaclog visit next. Then tell what is still missing.",
    )


def save_visit(store: Store, tables: Database, visit: Visit) -> Visit:
    """Keep a visit within a transaction; returns it with its number.

    Raises
    ------
    StaleVisitError
        It was kept by another process since it was read.
    """
    take_cards(tables, visit)
    kept = store.connection.execute(
        "SELECT json_extract(document, '$.revision') FROM visits WHERE number = ?", (visit.number,)
    ).fetchone()
    if kept is not None and (kept[0] or 0) != visit.revision:  # older documents have none
        raise stale(visit.number)
    visit = replace(visit, revision=visit.revision + 1)
    row = visit_row(visit)
    if visit.number == 0:
        tables.table("visits").insert(row)
        number = store.connection.execute("SELECT last_insert_rowid()").fetchone()[0]
        visit = replace(visit, number=int(number))
    else:
        tables.table("visits").upsert({"number": visit.number, **row}, pk="number")
    for table in PARTS:
        _write_parts(store, tables, table, visit)
    files = [{"sha256": each.sha256, "path": each.path} for each in visit.captures if each.sha256]
    tables.table("files").insert_all(files, pk="sha256", ignore=True)
    return visit


def _documents(store: Store, number: int) -> dict[str, list[str]]:
    """The documents of a visit's parts, by table, in order."""
    return {
        table: [
            row["document"]
            for row in store.rows(
                f"SELECT document FROM {table} WHERE visit = ? ORDER BY place", [number]
            )
        ]
        for table in PARTS
    }


def _write_parts(store: Store, tables: Database, table: str, visit: Visit) -> None:
    """Write the parts that are new or changed; take out those that are gone."""
    kept = {
        row["place"]: row["document"]
        for row in store.connection.execute(
            f"SELECT place, document FROM {table} WHERE visit = ?", (visit.number,)
        )
    }
    rows = part_rows(visit, table)
    changed: list[Row] = [
        {"visit": visit.number, **row} for row in rows if kept.get(row["place"]) != row["document"]
    ]
    if changed:
        tables.table(table).insert_all(changed, pk=("visit", "place"), replace=True)
    if len(kept) > len(rows):
        tables.table(table).delete_where("visit = ? AND place >= ?", [visit.number, len(rows)])
