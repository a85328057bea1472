"""Which column of a CSV file means what: a small TOML file.

Enters: TOML text. Leaves: a validated mapping. An unknown key or a bad value is a
:class:`~vaclog.errors.CardError` that names it, as for the cards.

    [file]                       # all of it optional
    delimiter = ","              # one character
    decimal = "."                # or ","
    header = true                # false: columns are numbered from 1
    skip = 0                     # lines before the header or the first row

    [columns]                    # `column` is a name from the header, or a number from 1
    time = { column = "t", unit = "s" }                    # "s", "ms" or "us"; required
    pressure = { column = "map", unit = "kPa" }            # kPa, mbar, inHg, mmHg or psi
    body = { column = "angle", counts_per_unit = 10 }      # counts = value x this, rounded

Pressure is absolute; for vacuum add `kind = "vacuum", barometer = 101.3` in the same unit.
Raw counts are said by `unit = "counts", adc_bits = 10`. Sparks and marks come either sampled,
as a voltage that rises (or falls) through a threshold, the time of which is interpolated:

    spark = { column = "clamp", threshold = 2.5 }
    mark = { column = "vr", threshold = 0, edge = "falling", rearm = 1.0 }
    coil = { column = "coil", threshold = 2.5 }

(`rearm`: the signal must return beyond this before the next edge counts), or one row an
event, told by what stands in a column; `value` is where body counts or a marker's text stand:

    event = { column = "kind", value = "value", spark = "S", mark = "R", body = "B" }

(`coil` and `marker` likewise; `body` then needs no column of its own.)
"""

from __future__ import annotations

import difflib
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, NoReturn

from vaclog.errors import CardError
from vaclog.units import PRESSURE_UNITS, pressure_unit

EXAMPLE: Final = """\
[columns]
time = { column = "t", unit = "s" }
pressure = { column = "map", unit = "kPa" }
spark = { column = "clamp", threshold = 2.5 }
mark = { column = "mark", threshold = 2.5 }
"""
"""What an error shows to someone who has no mapping yet."""

TIME_UNITS_US: Final = {"s": 1e6, "ms": 1e3, "us": 1.0}

EVENT_KINDS: Final = ("spark", "mark", "coil", "body", "marker")

_KEYS: Final = {
    "time": {"column", "unit"},
    "pressure": {"column", "unit", "kind", "barometer", "adc_bits"},
    "body": {"column", "counts_per_unit"},
    "spark": {"column", "threshold", "edge", "rearm"},
    "mark": {"column", "threshold", "edge", "rearm"},
    "coil": {"column", "threshold", "edge", "rearm"},
    "event": {"column", "value", *EVENT_KINDS},
}
_FILE_KEYS: Final = {"delimiter", "decimal", "header", "skip"}


@dataclass(frozen=True, slots=True, kw_only=True)
class PressureColumn:
    """`unit` is a unit of pressure or "counts"; `barometer` is None for absolute pressure."""

    column: str
    unit: str
    barometer: float | None
    adc_bits: int


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeColumn:
    """A sampled voltage; `falling` turns everything round."""

    column: str
    threshold: float
    rearm: float
    falling: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class EventColumn:
    """One row an event; `kinds` is from what stands in the column to the kind."""

    column: str
    kinds: dict[str, str]
    value: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvMapping:
    """Which column of a CSV file means what. Columns are names, or numbers from 1 as text."""

    where: str
    delimiter: str = ","
    decimal: str = "."
    header: bool = True
    skip: int = 0
    time: str
    time_unit_us: float
    pressure: PressureColumn | None = None
    body: str | None = None
    counts_per_unit: float = 1.0
    edges: dict[str, EdgeColumn]
    event: EventColumn | None = None

    def columns(self) -> list[str]:
        """Return every column that is mapped."""
        names = [self.time, *(edge.column for edge in self.edges.values())]
        names += [self.pressure.column] if self.pressure else []
        names += [self.body] if self.body else []
        if self.event:
            names += [self.event.column, *([self.event.value] if self.event.value else [])]
        return names


def load_mapping(path: Path) -> CsvMapping:
    """Read a mapping file.

    Raises
    ------
    CardError
        It cannot be read, or has an unknown key or a bad value.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise CardError(f"{path} cannot be read: {error}.", step="Is it the mapping?") from error
    return csv_mapping(text, where=str(path))


def csv_mapping(text: str, where: str = "mapping") -> CsvMapping:
    """Read a mapping from its TOML text; see the module's description.

    Raises
    ------
    CardError
        Unknown key or bad value.
    """
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise CardError(f"{where} is not TOML: {error}.", step="Correct that place.") from error
    tables = _Tables(where)
    tables.known("", document, {"file", "columns"})
    file, columns = tables.table(document, "file"), tables.table(document, "columns")
    tables.known("[file] ", file, _FILE_KEYS)
    tables.known("[columns] ", columns, set(_KEYS))
    entries = {name: tables.entry(name, columns[name]) for name in columns}
    if "time" not in entries:
        tables.refuse("[columns] time is missing", 'Add time = { column = "...", unit = "s" }.')
    time, body = entries["time"], entries.get("body", {})
    return CsvMapping(
        where=where,
        delimiter=tables.choice("[file] delimiter", file.get("delimiter", ","), (), length=1),
        decimal=tables.choice("[file] decimal", file.get("decimal", "."), (".", ",")),
        header=tables.flag("[file] header", file.get("header", True)),
        skip=int(tables.number("[file] skip", file.get("skip", 0), whole=True)),
        time=time["column"],
        time_unit_us=TIME_UNITS_US[
            tables.choice("time.unit", time.get("unit", "s"), tuple(TIME_UNITS_US))
        ],
        pressure=tables.pressure(entries["pressure"]) if "pressure" in entries else None,
        body=body.get("column"),
        counts_per_unit=tables.number("body.counts_per_unit", body.get("counts_per_unit", 1.0)),
        edges={
            name: tables.edge(name, entries[name])
            for name in ("spark", "mark", "coil")
            if name in entries
        },
        event=tables.event(entries["event"]) if "event" in entries else None,
    )


class _Tables:
    """Reads values and complains with the place."""

    def __init__(self, where: str) -> None:
        self._where = where

    def refuse(self, fact: str, step: str) -> NoReturn:
        raise CardError(f"{self._where}: {fact}.", step=step)

    def known(self, place: str, table: dict[str, Any], keys: set[str]) -> None:
        for key in table:
            if key not in keys:
                near = difflib.get_close_matches(key, sorted(keys), 1)
                meant = f"Did you mean {near[0]}?" if near else f"Known: {', '.join(sorted(keys))}."
                self.refuse(f"{place}{key} is not known", meant)

    def table(self, document: dict[str, Any], name: str) -> dict[str, Any]:
        table = document.get(name, {})
        if not isinstance(table, dict):
            self.refuse(f"{name} must be a table", f"Write [{name}] on a line of its own.")
        return table

    def entry(self, name: str, entry: object) -> dict[str, Any]:
        """Return one entry of [columns] with its column as text."""
        if not isinstance(entry, dict):
            entry = {"column": entry}
        self.known(f"[columns] {name}.", entry, _KEYS[name])
        column = entry.get("column")
        if isinstance(column, bool) or not isinstance(column, str | int) or column == "":
            self.refuse(
                f"[columns] {name} names no column", f'Write {name} = {{ column = "...", ... }}.'
            )
        return {**entry, "column": str(column)}

    def choice(
        self, place: str, value: object, options: tuple[str, ...], length: int | None = None
    ) -> str:
        if isinstance(value, str) and (value in options or (length and len(value) == length)):
            return value
        must = ", ".join(options) if options else f"{length} character"
        self.refuse(f"{place} = {value!r} cannot be used", f"It must be: {must}.")

    def flag(self, place: str, value: object) -> bool:
        if not isinstance(value, bool):
            self.refuse(f"{place} = {value!r} cannot be used", "It must be true or false.")
        return value

    def number(self, place: str, value: object, *, whole: bool = False) -> float:
        if isinstance(value, bool) or not isinstance(value, int if whole else int | float):
            self.refuse(f"{place} = {value!r} cannot be used", "It must be a number.")
        return value

    def pressure(self, entry: dict[str, Any]) -> PressureColumn:
        unit = entry.get("unit")
        if unit != "counts":
            try:
                unit = pressure_unit(str(unit))
            except ValueError:
                known = ", ".join((*PRESSURE_UNITS, "counts"))
                self.refuse(f"pressure.unit = {unit!r} cannot be used", f"Known: {known}.")
        kind = self.choice("pressure.kind", entry.get("kind", "absolute"), ("absolute", "vacuum"))
        barometer = None
        if kind == "vacuum":
            if "barometer" not in entry or unit == "counts":
                self.refuse(
                    "pressure.kind is vacuum, but pressure.barometer or its unit is missing",
                    "Give the air pressure of that day in the same unit, or log absolute pressure.",
                )
            barometer = self.number("pressure.barometer", entry["barometer"])
        bits = int(self.number("pressure.adc_bits", entry.get("adc_bits", 10), whole=True))
        if not 1 <= bits <= 16:
            self.refuse(f"pressure.adc_bits = {bits} cannot be used", "It must be 1 to 16.")
        return PressureColumn(column=entry["column"], unit=unit, barometer=barometer, adc_bits=bits)

    def edge(self, name: str, entry: dict[str, Any]) -> EdgeColumn:
        if "threshold" not in entry:
            self.refuse(
                f"{name}.threshold is missing", "Give the level that a pulse passes, in its unit."
            )
        threshold = self.number(f"{name}.threshold", entry["threshold"])
        rearm = self.number(f"{name}.rearm", entry.get("rearm", threshold))
        edge = self.choice(f"{name}.edge", entry.get("edge", "rising"), ("rising", "falling"))
        return EdgeColumn(
            column=entry["column"], threshold=threshold, rearm=rearm, falling=edge == "falling"
        )

    def event(self, entry: dict[str, Any]) -> EventColumn:
        kinds: dict[str, str] = {
            str(entry[kind]).strip(): kind for kind in EVENT_KINDS if kind in entry
        }
        if not kinds:
            self.refuse("event names no kind", 'Add at least spark = "..." to it.')
        value = entry.get("value")
        return EventColumn(
            column=entry["column"], kinds=kinds, value=None if value is None else str(value)
        )
