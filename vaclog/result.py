"""The result, schema 1: what the analysis concluded, free of any rendering.

Enters: what the analysis found. Leaves: frozen records whose fields are exactly the keys of the
JSON document (``result_schema.json`` beside this file describes it), the document itself, the
records read back from it, and :func:`faults`, which says where a result contradicts its own
rules. Fields are added, never renamed. Angles are crank degrees before top dead centre,
positive = advanced, on the rig's own angle scale; ``low`` and ``high`` bound 95 % and belong
to the ``u`` of the same name; times are seconds from the first record.
"""

from __future__ import annotations

import json
import math
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field, fields, is_dataclass
from functools import cache
from itertools import pairwise
from typing import (
    Any,
    Final,
    Literal,
    TypeAlias,
    TypeVar,
    cast,
    get_args,
    get_origin,
    get_type_hints,
)

from vaclog.errors import CaptureError, FutureVersionError

SCHEMA = 1

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


# Decimals that are printed, by the unit in the name: fine enough that rounding never matters
# beside the uncertainty, coarse enough that the last bit of a sum is not printed.
_DECIMALS: Final[Mapping[str, int]] = {"s": 4, "deg": 3, "kpa": 4, "rpm": 2, "mm": 2, "clicks": 2}
_OTHER_DECIMALS: Final = 4

_Record = TypeVar("_Record")


def to_json(result: Result) -> str:
    """The JSON document of a result: strict, one top-level key a line, the same bytes each time.

    Numbers are rounded by the unit in their name. A number that is not finite becomes null, also
    in the lists of the hill.

    Raises
    ------
    ValueError
        A number that the schema requires is not finite.
    """
    lines = []
    for each in fields(result):
        value = _plain(getattr(result, each.name), each.name)
        if isinstance(value, list) and value and isinstance(value[0], dict):
            rows = ",\n  ".join(json.dumps(row, allow_nan=False) for row in value)
            lines.append(f' "{each.name}": [\n  {rows}]')
        else:
            lines.append(f' "{each.name}": {json.dumps(value, allow_nan=False)}')
    return "{\n" + ",\n".join(lines) + "\n}\n"


def from_json(text: str) -> Result:
    """Read a result back. Keys that this version does not know are left out.

    Raises
    ------
    FutureVersionError
        Of a newer schema.
    CaptureError
        Not a result.
    """
    try:
        document = json.loads(text)
        schema = document["schema"]
    except (ValueError, KeyError, TypeError) as error:
        raise CaptureError(
            f"This is not a result document ({type(error).__name__}: {error}).",
            cause="It was cut short, or it is another JSON file.",
            step="Make it anew with: vaclog replay CAPTURE --json.",
        ) from error
    if isinstance(schema, int) and schema > SCHEMA:
        raise FutureVersionError(
            f"The result has schema {schema}; this version reads up to {SCHEMA}.",
            cause="It was written by a newer version.",
            step="Update vaclog.",
        )
    try:
        return _record(Result, document)
    except (TypeError, ValueError, KeyError, AttributeError) as error:
        raise CaptureError(
            f"The result document lacks something ({error}).",
            cause="It was edited by hand or cut short.",
            step="Make it anew with: vaclog replay CAPTURE --json.",
        ) from error


def faults(result: Result) -> list[str]:
    """Where a result contradicts the rules of its schema; empty when sound.

    For the tests of everything that makes a result: a fault is an error of the program.
    """
    found = [*_faults_of_peak(result.peak), *_faults_of_time(result), *_faults_of_advice(result)]
    if result.misfire.events != len(result.misfire.times_s) and result.misfire.times_s:
        found.append("misfire: events and times_s differ in number")
    hill = result.hill
    if not len(hill.curve_deg) == len(hill.curve_kpa) == len(hill.low_kpa) == len(hill.high_kpa):
        found.append("hill: curve arrays differ in length")
    if not len(hill.foot_deg) == len(hill.foot_kpa) == len(hill.foot_age):
        found.append("hill: footprint arrays differ in length")
    try:
        to_json(result)
    except ValueError as error:
        found.append(str(error))
    return found


def _faults_of_peak(peak: Peak) -> list[str]:
    numbers = (peak.angle_deg, peak.u_deg, peak.low_deg, peak.high_deg)
    if not peak.found:
        return [] if peak.why_not else ["peak: neither found nor why not"]
    if any(number is None or not math.isfinite(number) for number in numbers):
        return ["peak: found, but angle, u, low and high are not all numbers"]
    found = [] if peak.why_not is None else ["peak: found, and yet a reason why not"]
    angle_deg, u_deg, low_deg, high_deg = cast(tuple[float, float, float, float], numbers)
    if not low_deg <= angle_deg <= high_deg or u_deg < 0:
        found.append("peak: the angle is outside its interval")
    low_abs_deg = low_deg if peak.low_abs_deg is None else peak.low_abs_deg
    high_abs_deg = high_deg if peak.high_abs_deg is None else peak.high_abs_deg
    if low_abs_deg > low_deg or high_abs_deg < high_deg:
        found.append("peak: the absolute interval is narrower than the other")
    return found


def _faults_of_time(result: Result) -> list[str]:
    found = []
    for one, two in pairwise(result.phases):
        if abs(one.end_s - two.start_s) > 1e-6:
            found.append(f"phases: gap or overlap at {one.end_s} s")
    spans = [(span.start_s, span.end_s) for span in result.phases]
    spans += [(span.start_s, span.end_s) for span in result.sweeps]
    for start_s, end_s in spans:
        if not start_s < end_s:
            found.append(f"an interval begins at {start_s} s and ends at {end_s} s")
    if result.phases and abs(result.phases[-1].end_s - result.source.duration_s) > 1e-3:
        found.append("phases: the last one does not end with the capture")
    return found


def _faults_of_advice(result: Result) -> list[str]:
    advice, found = result.advice, []
    if advice.set_deg is None:
        if advice.turn_deg is not None or advice.limit is not None:
            found.append("advice: a turn or a limit without a set point")
        return found
    if advice.limit is None:
        found.append("advice: a set point without the limit that decides")
    if advice.hill_deg is not None and advice.set_deg > advice.hill_deg + 1e-9:
        found.append("advice: the set point is ahead of the hill's proposal")
    if any(advice.set_deg > limit_deg + 1e-9 for _, limit_deg in result.hill.limits_deg):
        found.append("advice: the set point is ahead of a limit")
    if result.peak.angle_deg is not None and advice.set_deg > result.peak.angle_deg:
        found.append("advice: the set point is on the advanced side of the top")
    return found


def _plain(value: Any, name: str) -> Any:
    """A value as JSON can carry it."""
    if is_dataclass(value) and not isinstance(value, type):
        nullable = _nullable(type(value))
        members = {}
        for each in fields(value):
            plain = _plain(getattr(value, each.name), each.name)
            if plain is None and each.name not in nullable:
                raise ValueError(f"{name}.{each.name} is not a finite number")
            members[each.name] = plain
        return members
    if isinstance(value, tuple):
        return [_plain(member, name) for member in value]
    if isinstance(value, float):
        if not math.isfinite(value):
            return None
        return round(value, _DECIMALS.get(name.rsplit("_", 1)[-1], _OTHER_DECIMALS)) + 0.0
    return value


@cache
def _hints(record: Hashable) -> dict[str, Any]:
    return get_type_hints(record)


@cache
def _nullable(record: Hashable) -> frozenset[str]:
    """Names of the fields that may be null."""
    return frozenset(name for name, hint in _hints(record).items() if type(None) in get_args(hint))


def _record(record: type[_Record], document: Mapping[str, Any]) -> _Record:
    """A record from its JSON object."""
    hints = _hints(cast(Hashable, record))
    known = {name: _member(hints[name], document[name]) for name in hints if name in document}
    return record(**known)


def _member(hint: Any, value: Any) -> Any:
    """A member of a record, by its type; null in a list of numbers is "not a number"."""
    if value is None:
        return math.nan if hint is float else None
    if get_origin(hint) is tuple:
        inner = get_args(hint)
        kinds = [inner[0]] * len(value) if inner[-1] is Ellipsis else inner
        return tuple(_member(kind, each) for kind, each in zip(kinds, value, strict=True))
    if is_dataclass(hint):
        return _record(cast(type, hint), value)
    if hint is float or float in get_args(hint):
        return float(value)
    return value
