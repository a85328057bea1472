"""What a list shows of cards, visits and captures.

Enters: nothing. Leaves: records whose fields are columns. Kept apart from what reads whole
visits, so that a list loads none of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

PARTS: Final = ("captures", "settings", "trials", "points")


@dataclass(frozen=True, slots=True, kw_only=True)
class CardRow:
    """A card in the garage: its TOML text, when it came and last changed, how many visits."""

    name: str
    toml: str
    added: str = ""
    changed: str = ""
    visits: int = 0


class VisitLine(NamedTuple):
    """A visit as a list shows it; see :class:`vaclog.visit.figures.Figures`.

    A tuple, and no data class as all other records: ten thousand are made for one list, in a tenth
    of the time.
    """

    number: int
    engine: str
    rig: str
    begun: str
    ended: str
    step: str
    peak_deg: float | None
    u_peak_deg: float | None
    set_deg: float | None
    limit: str | None
    reached_deg: float | None
    idle_rpm: float | None
    idle_pressure_kpa: float | None
    vacuum_kpa: float | None
    barometer_kpa: float | None
    misfire_per_thousand: float | None
    scatter_deg: float | None
    pinking: str | None
    captures: int
    trials: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureLine:
    """A capture as a list shows it. ``path`` is where the file was seen last."""

    visit: int
    place: int
    purpose: str
    sha256: str
    path: str
    at: str
    found: bool
    peak_deg: float | None
    u_deg: float | None
    set_deg: float | None
    limit: str | None
    idle_rpm: float | None
    vacuum_kpa: float | None
    misfire_per_thousand: float | None
    scatter_deg: float | None
    kept: bool


VISIT_COLUMNS: Final = VisitLine._fields
