"""The parts of a result: frozen records whose fields are exactly the keys of its document.

Enters: nothing. Leaves: one record for each thing that a capture can tell. Fields are added, never
renamed. Angles are crank degrees before top dead centre, positive = advanced, on the rig's own
angle scale; ``low`` and ``high`` bound 95 % and belong to the ``u`` of the same name; times are
seconds from the first record.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

AdvanceSource: TypeAlias = Literal["mark", "body", "holds", "none"]
Direction: TypeAlias = Literal["advancing", "retarding"]
Beyond: TypeAlias = Literal["advanced", "retarded"]
TurnWay: TypeAlias = Literal["clockwise", "counterclockwise"]
PhaseKind: TypeAlias = Literal[
    "still",
    "cranking",
    "warming",
    "hold",
    "advancing",
    "retarding",
    "blip",
    "load",
    "stall",
    "running",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceInfo:
    """Where the answer came from."""

    capture: str
    duration_s: float
    gaps: int
    lines_skipped: int
    advance_source: AdvanceSource
    # Beyond the schema's first keys (added, never renamed):
    engine: str = ""  # name on the engine card


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseSpan:
    """One of the half-open intervals that partition the capture."""

    kind: PhaseKind
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepSpan:
    """One pass of the hand, from where it starts to where it stops."""

    start_s: float
    end_s: float
    direction: Direction


@dataclass(frozen=True, slots=True, kw_only=True)
class Peak:
    """The top of the hill.

    ``found`` true means that angle, u, low and high are numbers.
    """

    found: bool
    why_not: str | None = None
    angle_deg: float | None = None
    u_deg: float | None = None
    low_deg: float | None = None
    high_deg: float | None = None
    u_abs_deg: float | None = None
    low_abs_deg: float | None = None
    high_abs_deg: float | None = None
    flat_prior_deg: float | None = None
    pressure_kpa: float | None = None
    vacuum_kpa: float | None = None
    # Beyond the schema's first keys (added, never renamed):
    beyond: Beyond | None = None  # where the top lies when the sweep did not pass it
    swept_low_deg: float | None = None
    swept_high_deg: float | None = None
    # What kept the answer from being surer and the cheapest cure, the most important first.
    limited_by: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Idle:
    """The engine at the last hold."""

    rpm: float | None = None
    pressure_kpa: float | None = None
    vacuum_kpa: float | None = None
    angle_deg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Misfire:
    """Misfire as vacuum jitter and speed dips."""

    events: int
    cycles: int
    per_thousand: float | None = None
    onset_deg: float | None = None
    slot: int | None = None
    cylinder: int | None = None
    times_s: tuple[float, ...] = ()
    # Beyond the schema's first keys (added, never renamed):
    low_per_thousand: float | None = None
    high_per_thousand: float | None = None
    false_alarms_per_thousand: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """Where to set, which limit decides, how far and which way.

    ``turn_deg`` is of the *body*, ``turn_mm`` at its rim, both from the last hold,
    positive = advance. ``limit`` is one of the names in ``HillPicture.limits_deg`` or "hill".
    ``cap_deg`` is the smallest of all limits but the maker's figure; ``steps_deg`` are the
    angles of the trials that lead from the maker's figure towards it. ``drop_kpa`` is how far
    below the top ``hill_deg`` was asked to lie.
    """

    set_deg: float | None = None
    hill_deg: float | None = None
    limit: str | None = None
    turn_deg: float | None = None
    turn_mm: float | None = None
    turn_way: TurnWay | None = None
    gain_kpa: float | None = None
    warnings: tuple[str, ...] = ()
    # Beyond the schema's first keys (added, never renamed):
    turn_clicks: float | None = None
    hill_extrapolated: bool = False
    next_step: str = ""
    home_deg: float | None = None  # body turn from the last hold back to the first hold
    home_mm: float | None = None
    home_way: TurnWay | None = None
    cap_deg: float | None = None
    steps_deg: tuple[float, ...] = ()
    drop_kpa: float | None = None
    rotor_turns: TurnWay | None = None  # from the engine card, for the words
    cautions: tuple[str, ...] = ()  # dangers of the next step, as short sentences
    limits_why: tuple[tuple[str, str], ...] = ()  # how each limit came about, by its name


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HillPicture:
    """What the picture needs: the fitted hill, its band, and where the sweep trod on it.

    Attributes
    ----------
    curve_deg, curve_kpa, low_kpa, high_kpa
        The hill as *steady manifold pressure* over advance, with a 95 % band; kPa absolute.
    foot_deg, foot_kpa, foot_age
        One footprint per cycle (thinned): advance, pressure, age 0 (oldest) … 1 (newest).
    limits_deg
        Name and angle of each limit that was judged.
    """

    curve_deg: tuple[float, ...] = ()
    curve_kpa: tuple[float, ...] = ()
    low_kpa: tuple[float, ...] = ()
    high_kpa: tuple[float, ...] = ()
    foot_deg: tuple[float, ...] = ()
    foot_kpa: tuple[float, ...] = ()
    foot_age: tuple[float, ...] = ()
    limits_deg: tuple[tuple[str, float], ...] = ()
