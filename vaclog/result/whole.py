"""The result as a whole, schema 1.

Enters: the parts. Leaves: :class:`Result`. A part that a capture says nothing about is None or
empty; keys are added, never renamed.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from vaclog.result.checks import Checks
from vaclog.result.curve import CurveSeen
from vaclog.result.records import (
    Advice,
    HillPicture,
    Idle,
    Misfire,
    Peak,
    PhaseSpan,
    SourceInfo,
    SweepSpan,
)
from vaclog.result.road import LoadRun, PinkingMark
from vaclog.result.scatter import SparkScatter
from vaclog.result.signs import Looked, Sign

SCHEMA = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """Everything the tool concluded from one capture."""

    schema: int = SCHEMA
    source: SourceInfo
    barometer_kpa: float | None
    phases: tuple[PhaseSpan, ...]
    sweeps: tuple[SweepSpan, ...]
    peak: Peak
    idle: Idle
    misfire: Misfire
    advice: Advice
    hill: HillPicture = field(default_factory=HillPicture)
    loads: tuple[LoadRun, ...] = ()
    pinking: tuple[PinkingMark, ...] = ()
    signs: tuple[Sign, ...] = ()
    looked: tuple[Looked, ...] = ()
    checks: Checks | None = None
    curve: CurveSeen | None = None
    scatter: SparkScatter | None = None
