"""The numbers of a visit, as tables.

Enters: a visit, the one before, their comparison and a unit. Leaves: tables of text, in the
reader's unit. A dash is a figure that is not known.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from vaclog.report.visit import change as visit_change
from vaclog.report.visit import words as visit_words
from vaclog.report.words import quantities
from vaclog.units import SEA_LEVEL_KPA, PressureUnit, from_kpa
from vaclog.visit.compare import Comparison
from vaclog.visit.figures import figures, scatter_deg
from vaclog.visit.records import Capture, Visit

NONE: Final = "–"


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A heading, the names of the columns, and rows of as many cells; the first names the row."""

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""


def tables(
    visit: Visit, previous: Visit | None, comparison: Comparison | None, unit: PressureUnit
) -> tuple[Table, ...]:
    """All tables that have a row."""
    made = (
        _at_a_glance(visit, unit),
        _compared(comparison, unit),
        _captures(visit.captures, unit),
        _settings(visit),
        _trials(visit, unit),
        _points(visit, unit),
    )
    return tuple(table for table in made if table.rows)


def _degrees(value: float | None, decimals: int = 1) -> str:
    return NONE if value is None else quantities.fixed(value, decimals) + "°"


def _spread(value: float | None, u: float | None) -> str:
    if value is None:
        return NONE
    return quantities.degrees(value) + (f" ± {quantities.degrees(2 * u)}" if u else "")


def _pressure(value_kpa: float | None, unit: PressureUnit) -> str:
    return NONE if value_kpa is None else quantities.fixed(from_kpa(value_kpa, unit), 2)


def _at_a_glance(visit: Visit, unit: PressureUnit) -> Table:
    shown = figures(visit)
    sea_level_kpa = (
        None if shown.idle_pressure_kpa is None else SEA_LEVEL_KPA - shown.idle_pressure_kpa
    )
    rows = [
        ("Top of the hill (± 95 %)", _spread(shown.peak_deg, shown.u_peak_deg)),
        ("Advised set point", _degrees(shown.set_deg)),
        ("What decided it", shown.limit or NONE),
        ("Left at", _degrees(shown.reached_deg)),
        ("Idle speed, rpm", NONE if shown.idle_rpm is None else f"{shown.idle_rpm:.0f}"),
        (f"Idle pressure, absolute, {unit}", _pressure(shown.idle_pressure_kpa, unit)),
        (f"Idle vacuum that day, {unit}", _pressure(shown.vacuum_kpa, unit)),
        (f"Idle vacuum at standard sea level, {unit}", _pressure(sea_level_kpa, unit)),
        (f"Barometer, {unit}", _pressure(shown.barometer_kpa, unit)),
        ("Misfires in a thousand cycles", _rate(shown.misfire_per_thousand)),
        ("Scatter of the spark (1σ)", _degrees(shown.scatter_deg, 2)),
    ]
    kept = tuple(row for row in rows if row[1] != NONE)
    return Table(title="At a glance", head=("Figure", "This visit"), rows=kept)


def _rate(value: float | None) -> str:
    return NONE if value is None else quantities.fixed(value, 1)


def _compared(comparison: Comparison | None, unit: PressureUnit) -> Table:
    rows = () if comparison is None else comparison.changes
    return Table(
        title="Against the visit before",
        head=("Figure", "Then", "Now", "Difference (± 95 %)", "Verdict"),
        rows=tuple(visit_change.row(change, unit) for change in rows),
        note=(
            "Idle vacuum at the same advance, at standard sea level; what the outside air still "
            "explains is taken off the difference. Misfires in a thousand cycles, "
            "their difference as the ratio of the rates."
        ),
    )


def _captures(captures: tuple[Capture, ...], unit: PressureUnit) -> Table:
    rows = []
    for capture in captures:
        result = capture.result
        peak = result.peak
        rows.append(
            (
                visit_words.purpose(capture.purpose),
                quantities.duration(result.source.duration_s),
                _spread(peak.angle_deg, peak.u_deg) if peak.found else "not found",
                _degrees(result.advice.set_deg),
                NONE if result.idle.rpm is None else f"{result.idle.rpm:.0f}",
                _pressure(result.idle.vacuum_kpa, unit),
                _rate(result.misfire.per_thousand),
                _degrees(scatter_deg(result), 2),
            )
        )
    return _without_empty(
        Table(
            title="Captures",
            head=(
                "For",
                "Length",
                "Top (± 95 %)",
                "Advice",
                "Idle, rpm",
                f"Vacuum, {unit}",
                "Misfires, ‰",
                "Scatter",
            ),
            rows=tuple(rows),
        )
    )


def _settings(visit: Visit) -> Table:
    rows = tuple(
        (
            str(place),
            _degrees(each.aimed_deg),
            _spread(each.reached_deg, each.u_reached_deg),
            "yes" if each.locked else "no",
            NONE if each.moved_deg is None else visit_words.signed(each.moved_deg),
            each.limit or NONE,
        )
        for place, each in enumerate(visit.settings, start=1)
    )
    return _without_empty(
        Table(
            title="Settings",
            head=("No.", "Aimed at", "Stood at (± 95 %)", "Locked", "Locking moved it", "Limit"),
            rows=rows,
        )
    )


def _trials(visit: Visit, unit: PressureUnit) -> Table:
    rows = tuple(
        (
            str(each.number),
            _degrees(each.advance_deg),
            each.pinking,
            each.heard_by,
            NONE if each.rpm is None else f"{each.rpm:.0f}",
            _pressure(each.pressure_kpa, unit),
            _degrees(each.retard_deg) if each.retard_deg else NONE,
        )
        for each in visit.trials
    )
    return _without_empty(
        Table(
            title="Road trials",
            head=("No.", "Set to", "Pinking", "By", "At rpm", f"Manifold, {unit}", "Retard by"),
            rows=rows,
        )
    )


def _points(visit: Visit, unit: PressureUnit) -> Table:
    rows = tuple(
        (
            visit_words.point_name(each),
            each.verdict,
            "measured" if each.measured else "asked",
            visit_words.point_value(each, unit) or NONE,
        )
        for each in visit.points
    )
    return Table(title="Points looked over", head=("Point", "Verdict", "How", "Value"), rows=rows)


def _without_empty(table: Table) -> Table:
    """Leave out the columns in which nothing is known."""
    kept = [
        place
        for place in range(len(table.head))
        if place == 0 or any(row[place] != NONE for row in table.rows)
    ]
    return Table(
        title=table.title,
        head=tuple(table.head[place] for place in kept),
        rows=tuple(tuple(row[place] for place in kept) for row in table.rows),
        note=table.note,
    )
