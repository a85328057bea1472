"""Lists of visits and captures, a line each; no document is read.

Enters: what to look for. Leaves: :class:`~vaclog.garage.lines.VisitLine` and
:class:`~vaclog.garage.lines.CaptureLine`, newest first.
"""

from __future__ import annotations

from typing import Any, Final

from vaclog.garage.lines import VISIT_COLUMNS, CaptureLine, VisitLine
from vaclog.garage.store import Store

_LINE_COLUMNS: Final = ", ".join(
    f"coalesce({name}, '')" if name in ("engine", "rig") else f'"{name}"' for name in VISIT_COLUMNS
)


def visit_lines(store: Store, engine: str | None, limit: int | None) -> list[VisitLine]:
    """Visits of one engine or of all, at most so many."""
    where = "" if engine is None else "WHERE engine = ?"
    values: list[Any] = [] if engine is None else [engine]
    rows = store.rows(
        f"SELECT {_LINE_COLUMNS} FROM visits {where} ORDER BY begun DESC, number DESC LIMIT ?",
        [*values, -1 if limit is None else limit],
    )
    return [VisitLine._make(row) for row in rows]


def capture_lines(store: Store, visit: int | None, sha256: str) -> list[CaptureLine]:
    """Captures of one visit or of all, and only those whose hash begins so."""
    rows = store.rows(
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
