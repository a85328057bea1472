"""What comes of the records while a session goes on.

Leaves: the events; :data:`Event` is one of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

from vaclog.analysis.findings import SweepFit
from vaclog.guidance.instructions import Instruction
from vaclog.result import PhaseKind


@dataclass(frozen=True, slots=True, kw_only=True)
class CyclesGrew:
    """New cycles are in the table; the numbers are those of the last one.

    Attributes
    ----------
    cycles, at_us
        Rows of the table, and the device time of the last one's end.
    rpm, pressure_kpa, advance_deg
        Of the last cycle.
    mean_rpm, mean_kpa, mean_deg
        Over about a second; NaN where unknown.
    barometer_kpa
        Air outside as known so far.
    """

    cycles: int
    at_us: int
    rpm: float
    pressure_kpa: float
    advance_deg: float
    mean_rpm: float = float("nan")
    mean_kpa: float = float("nan")
    mean_deg: float = float("nan")
    barometer_kpa: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Provisional:
    """What the data so far say; later data may change it."""

    cycles: int
    phase: PhaseKind
    fit: SweepFit


@dataclass(frozen=True, slots=True, kw_only=True)
class Noticed:
    """Something a person should know now: a plain sentence."""

    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Instruct:
    """What the hand should do next, and why."""

    instruction: Instruction


Event: TypeAlias = CyclesGrew | Provisional | Noticed | Instruct
