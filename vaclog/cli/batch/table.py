"""The table of a batch: a row for each capture, as CSV, JSON or aligned text.

Enters: results or errors. Leaves: rows, and text. Figures are those of the result's document, in
its units (degrees, kPa) and its rounding.
"""

from __future__ import annotations

import csv
import io
import json
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from vaclog.result import Result


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchRow:
    """What one capture told; ``error`` is empty unless it could not be analysed."""

    capture: str
    engine: str = ""
    found: bool | None = None
    peak_deg: float | None = None
    u_deg: float | None = None
    set_deg: float | None = None
    limit: str | None = None
    misfire_per_thousand: float | None = None
    idle_rpm: float | None = None
    vacuum_kpa: float | None = None
    advance_source: str | None = None
    duration_s: float | None = None
    warnings: int | None = None
    why_not: str | None = None
    error: str = ""


COLUMNS = tuple(each.name for each in fields(BatchRow))
# On a terminal the reasons stand below the table, where they have room.
_SHOWN = COLUMNS[:-2]


def row_of(name: str, result: Result) -> BatchRow:
    """The row of a capture that was analysed."""
    from vaclog.result.document import as_plain

    peak, idle = as_plain(result.peak, "peak"), as_plain(result.idle, "idle")
    advice, misfire = as_plain(result.advice, "advice"), as_plain(result.misfire, "misfire")
    return BatchRow(
        capture=name,
        engine=result.source.engine,
        found=result.peak.found,
        peak_deg=peak["angle_deg"],
        u_deg=peak["u_deg"],
        set_deg=advice["set_deg"],
        limit=result.advice.limit,
        misfire_per_thousand=misfire["per_thousand"],
        idle_rpm=idle["rpm"],
        vacuum_kpa=idle["vacuum_kpa"],
        advance_source=result.source.advance_source,
        duration_s=round(result.source.duration_s, 1),
        warnings=len(result.advice.warnings),
        why_not=result.peak.why_not,
    )


def as_json(rows: list[BatchRow]) -> str:
    """A list of objects, one a line."""
    members = [
        json.dumps({name: getattr(row, name) for name in COLUMNS}, allow_nan=False) for row in rows
    ]
    return "[" + ",\n ".join(members) + "]\n"


def as_csv(rows: list[BatchRow]) -> str:
    """RFC 4180 with a head line; what is not known is empty."""
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(COLUMNS)
    writer.writerows([_cell(getattr(row, name)) for name in COLUMNS] for row in rows)
    return text.getvalue()


def _cell(value: object) -> object:
    return str(value).lower() if isinstance(value, bool) else value


def as_text(rows: list[BatchRow]) -> str:
    """Aligned columns, the reasons of what failed or was not found below."""
    lines = [_SHOWN, *(_text_cells(row) for row in rows)]
    used = [
        place
        for place in range(len(_SHOWN))
        if place == 0 or any(line[place] not in ("", "-") for line in lines[1:])
    ]
    widths = {place: max(len(line[place]) for line in lines) for place in used}
    made = [
        "  ".join(line[place].ljust(widths[place]) for place in used).rstrip() for line in lines
    ]
    below = [
        f"{row.capture}: {row.error or row.why_not}" for row in rows if row.error or row.why_not
    ]
    return "\n".join([*made, *([""] if below else []), *below])


def _text_cells(row: BatchRow) -> tuple[str, ...]:
    if row.error:
        return (row.capture, "not analysed", *[""] * (len(_SHOWN) - 2))
    cells = []
    for name in _SHOWN:
        value = getattr(row, name)
        if value is None:
            cells.append("-")
        elif isinstance(value, bool):
            cells.append("yes" if value else "no")
        elif isinstance(value, float):
            cells.append(f"{value:.0f}" if name in ("idle_rpm", "duration_s") else f"{value:.2f}")
        else:
            cells.append(str(value))
    return tuple(cells)


def write(rows: list[BatchRow], target: Path) -> None:
    """Write the table by the ending of the name: .json, else CSV; whole or not at all.

    Raises
    ------
    OSError
        It cannot be written.
    """
    text = as_json(rows) if target.suffix.lower() == ".json" else as_csv(rows)
    part = target.with_name(target.name + ".part")
    try:
        part.write_text(text, encoding="utf-8", newline="")
        part.replace(target)
    finally:
        part.unlink(missing_ok=True)
