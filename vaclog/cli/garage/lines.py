"""A list of visits as lines for a terminal.

Enters: the lines of a list. Leaves: one text. Ten thousand lines are made at once, so the columns
are formatted without more than one call each.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from vaclog.units import from_kpa

if TYPE_CHECKING:
    from vaclog.garage import VisitLine
    from vaclog.units import PressureUnit

_HEAD: Final = ("No.", "Begun", "Engine", "Left at", "Advice", "Top", "Idle", "Vacuum", "Road")
_NAME_AT_MOST: Final = 26


def visits_table(lines: list[VisitLine], unit: PressureUnit) -> str:
    """The list with a head line; figures that are not known are dashes."""
    per_unit = from_kpa(1.0, unit)
    name_width = min(_NAME_AT_MOST, max(6, *(len(line.engine) for line in lines)))
    form = (
        f"{{:>5}}  {{:<10}}  {{:<{name_width}}}  {{:>7}}  {{:>7}}  {{:>7}}  {{:>5}}  {{:>9}}  {{}}"
    )
    made = [form.format(*_HEAD).rstrip()]
    for line in lines:
        vacuum = "-" if line.vacuum_kpa is None else f"{line.vacuum_kpa * per_unit:.1f} {unit}"
        made.append(
            form.format(
                line.number,
                line.begun[:10],
                line.engine[:_NAME_AT_MOST],
                _degrees(line.reached_deg),
                _degrees(line.set_deg),
                _degrees(line.peak_deg),
                "-" if line.idle_rpm is None else f"{line.idle_rpm:.0f}",
                vacuum,
                _road(line),
            ).rstrip()
        )
    return "\n".join(made)


def _degrees(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f}°"


def _road(line: VisitLine) -> str:
    if line.pinking is None:
        return "unfinished" if not line.ended else ""
    return {"heard": "pinks", "none heard": "none heard", "unsure": "unsure"}[line.pinking]
