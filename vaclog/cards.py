"""Engine card and rig card: what the wire does not carry.

Enters: TOML text. Leaves: validated, frozen records. Every key has a default or is optional;
a missing one only costs the answers that need it. An unknown key or a bad value is a
:class:`~vaclog.errors.CardError` that names it. Values that are possible but look like a mixed
up figure are not errors: :func:`doubts` returns them as sentences.
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from bisect import bisect_right
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any, Final, Literal, NoReturn, TypeAlias, get_args

from vaclog.errors import CardError

Rotation: TypeAlias = Literal["clockwise", "counterclockwise"]
VacuumAdvance: TypeAlias = Literal["none", "ported", "manifold", "retard"]
SparkPickup: TypeAlias = Literal["no1", "wasted", "coil"]


@dataclass(frozen=True, slots=True, kw_only=True)
class EngineCard:
    """What the maker says about the engine; crank degrees, engine rpm."""

    name: str = ""
    cylinders: int = 4
    firing_order: tuple[int, ...] | None = None
    rotor_turns: Rotation | None = None
    static_deg: float | None = None
    static_tolerance_deg: float = 2.0
    idle_rpm: float | None = None
    centrifugal: tuple[tuple[float, float], ...] | None = None
    max_total_deg: float | None = None
    body_radius_mm: float | None = None
    click_deg: float = 0.0
    vacuum_advance: VacuumAdvance = "none"
    altitude_m: float | None = None
    tdc_verified: bool = False
    bore_mm: float | None = None  # of a cylinder: gives the pitch at which pinking rings
    # No keys of a card: the curve stands here because a capture before this one showed it.
    centrifugal_measured: bool = False
    u_centrifugal_deg: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PressureSensor:
    """(counts + 0.5) / 2**adc_bits = gain_per_kpa * P + offset."""

    gain_per_kpa: float = 0.004
    offset: float = -0.04


@dataclass(frozen=True, slots=True, kw_only=True)
class SparkSensor:
    """What the spark pickup is clamped on, and its delay."""

    pickup: SparkPickup = "no1"
    delay_us: float = 0.0
    u_delay_us: float = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkSensor:
    """The mark passes its sensor ``angle_deg`` before top dead centre of No. 1."""

    angle_deg: float = 0.0
    u_angle_deg: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BodySensor:
    """Angle sensor on the distributor body, anchored by one strobe reading.

    ``anchored`` false: the card gives no anchor, so angles are relative to each other only.
    """

    deg_per_count: float
    sign: int = 1
    anchor_counts: float
    anchor_deg: float
    u_anchor_deg: float = 1.0
    anchored: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class RigCard:
    """What is clipped on. ``mark`` or ``body`` None: not declared on the card.

    ``remarks``: what the card leaves open, as sentences for the result's warnings.
    """

    pressure: PressureSensor = PressureSensor()
    spark: SparkSensor = SparkSensor()
    mark: MarkSensor | None = None
    body: BodySensor | None = None
    remarks: tuple[str, ...] = ()


# A card that is larger than this is not a card; reading it would only waste memory.
_LARGEST_CARD_BYTES: Final = 1_000_000

_RIG_TABLES: Final = ("pressure", "spark", "mark", "body")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Place:
    """Where a value stands, so that a complaint can name it."""

    where: str
    text: str
    table: str
    key: str

    @property
    def name(self) -> str:
        """Key with its table, as a person would write it."""
        return f"[{self.table}] {self.key}" if self.table else self.key

    @property
    def spot(self) -> str:
        """File, and line where it can be found."""
        line = _line_of(self.text, self.table, self.key)
        return f"{self.where}, line {line}" if line else self.where

    def refuse(self, value: object, must: str, cause: str = "", step: str = "") -> NoReturn:
        """Raise for a value that cannot be used."""
        raise CardError(
            f"{self.spot}: {self.name} = {_as_toml(value)} cannot be used; it must be {must}.",
            cause=cause or "The value was probably mistyped or belongs to another key.",
            step=step or "Correct it, or take the line out: every key is optional.",
        )


def _as_toml(value: object) -> str:
    """A value as it would look on the card."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{value}"' if len(value) <= 40 else f'"{value[:37]}..."'
    text = str(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _line_of(text: str, table: str, key: str) -> int:
    """Line, from 1, on which a key of a table stands; 0 if it cannot be told."""
    current = ""
    plain = re.compile(rf"""\s*["']?{re.escape(key)}["']?\s*[=.]""")
    dotted = re.compile(rf"""\s*["']?{re.escape(table)}["']?\s*(\.\s*["']?{re.escape(key)}|=)""")
    header = re.compile(r"""\s*\[+\s*["']?([^\]"']+?)["']?\s*\]+""")
    for number, line in enumerate(text.splitlines(), start=1):
        if found := header.match(line):
            current = found.group(1)
            if not table and current == key:
                return number
        elif (current == table and plain.match(line)) or (
            table and not current and dotted.match(line)
        ):
            return number
    return 0


_Reader: TypeAlias = Callable[[_Place, Any], Any]


def _number(low: float, high: float, unit: str, *, zero: bool = True) -> _Reader:
    """Reader of a finite number between two bounds, both allowed."""
    must = f"a number from {low:g} to {high:g}{' ' + unit if unit else ''}"
    must += "" if zero else ", not 0"

    def read(place: _Place, value: Any) -> float:
        if isinstance(value, str):
            place.refuse(value, must, cause="Numbers are written without quotation marks.")
        if isinstance(value, bool) or not isinstance(value, int | float):
            place.refuse(value, must)
        number = float(value)
        if not math.isfinite(number) or not low <= number <= high or (number == 0 and not zero):
            place.refuse(value, must)
        return number

    return read


def _whole(low: int, high: int, must: str) -> _Reader:
    """Reader of a whole number, also when it is written 4.0."""

    def read(place: _Place, value: Any) -> int:
        number = _number(low, high, "")(place, value)
        if number != int(number):
            place.refuse(value, must)
        return int(number)

    return read


# Nearest in letters is not nearest in meaning: "anticlockwise" resembles "clockwise".
_SAID_OTHERWISE: Final[Mapping[str, str]] = {
    "anticlockwise": "counterclockwise",
    "anti-clockwise": "counterclockwise",
    "counter-clockwise": "counterclockwise",
    "widdershins": "counterclockwise",
    "left": "counterclockwise",
    "ccw": "counterclockwise",
    "right": "clockwise",
    "cw": "clockwise",
}


def _choice(options: tuple[str, ...]) -> _Reader:
    """Reader of one of a few words."""
    must = "one of " + ", ".join(f'"{option}"' for option in options)

    def read(place: _Place, value: Any) -> str:
        if not isinstance(value, str) or value not in options:
            said = _SAID_OTHERWISE.get(str(value).lower(), str(value).lower())
            near = difflib.get_close_matches(said, options, n=1)
            place.refuse(value, must, cause=f'Perhaps "{near[0]}" was meant.' if near else "")
        return str(value)

    return read


def _text(place: _Place, value: Any) -> str:
    if not isinstance(value, str):
        place.refuse(value, "text in quotation marks")
    return " ".join(str(value).split())


def _flag(place: _Place, value: Any) -> bool:
    if not isinstance(value, bool):
        place.refuse(value, "true or false, without quotation marks")
    return bool(value)


def _sign(place: _Place, value: Any) -> int:
    if isinstance(value, bool) or value not in (1, -1):
        place.refuse(
            value,
            "1 or -1",
            cause="It says whether the counts rise (1) or fall (-1) with advance.",
        )
    return int(value)


def _order(place: _Place, value: Any) -> tuple[int, ...]:
    """Firing order, turned so that it begins with cylinder 1."""
    must = "a list that has each cylinder once, like [1, 3, 4, 2]"
    if not isinstance(value, list) or not 1 <= len(value) <= 16:
        place.refuse(value, must)
    numbers = [_whole(1, 16, must)(place, entry) for entry in value]
    if sorted(numbers) != list(range(1, len(numbers) + 1)):
        place.refuse(value, must, cause="A cylinder is missing or named twice.")
    first = numbers.index(1)
    return tuple(numbers[first:] + numbers[:first])


def _curve(place: _Place, value: Any) -> tuple[tuple[float, float], ...]:
    """Centrifugal curve, pairs of engine rpm and crank degrees added."""
    must = "a list of at least two pairs [engine rpm, crank degrees], like [[600, 0], [3000, 22]]"
    if not isinstance(value, list) or len(value) < 2:
        place.refuse(
            value,
            must,
            cause="A curve needs at least two points.",
            step="Leave the key out if the curve is not known; write [[0, 0], [6000, 0]] for a "
            "distributor without weights.",
        )
    points: list[tuple[float, float]] = []
    for entry in value:
        if not isinstance(entry, list) or len(entry) != 2:
            place.refuse(entry, must)
        rpm = _number(0, 15_000, "rpm")(place, entry[0])
        added_deg = _number(-20, 60, "degrees")(place, entry[1])
        if points and rpm <= points[-1][0]:
            place.refuse(
                value,
                must + ", with the speeds rising",
                cause=f"{rpm:g} rpm does not come after {points[-1][0]:g} rpm.",
            )
        points.append((rpm, added_deg))
    return tuple(points)


# Bounds are wide: they catch slips of the pen and swapped keys, not unusual engines.
_ENGINE_KEYS: Final[Mapping[str, _Reader]] = {
    "name": _text,
    "cylinders": _whole(1, 16, "a whole number from 1 to 16"),
    "firing_order": _order,
    "rotor_turns": _choice(get_args(Rotation)),
    "static_deg": _number(-30, 60, "crank degrees"),
    "static_tolerance_deg": _number(0, 15, "crank degrees"),
    "idle_rpm": _number(100, 5000, "rpm"),
    "centrifugal": _curve,
    "max_total_deg": _number(1, 70, "crank degrees"),
    "body_radius_mm": _number(5, 200, "mm"),
    "click_deg": _number(0, 10, "crank degrees"),
    "vacuum_advance": _choice(get_args(VacuumAdvance)),
    "altitude_m": _number(-1000, 9000, "m"),
    "tdc_verified": _flag,
    "bore_mm": _number(20, 300, "mm"),
}

_RIG_KEYS: Final[Mapping[str, Mapping[str, _Reader]]] = {
    "pressure": {
        "gain_per_kpa": _number(-1, 1, "per kPa", zero=False),
        "offset": _number(-100, 100, ""),
    },
    "spark": {
        "pickup": _choice(get_args(SparkPickup)),
        "delay_us": _number(-5000, 20_000, "µs"),
        "u_delay_us": _number(0, 20_000, "µs"),
    },
    "mark": {
        "angle_deg": _number(-360, 360, "crank degrees"),
        "u_angle_deg": _number(0, 45, "crank degrees"),
    },
    "body": {
        "deg_per_count": _number(0, 90, "degrees of the body", zero=False),
        "sign": _sign,
        "anchor_counts": _number(-1e9, 1e9, "counts"),
        "anchor_deg": _number(-60, 90, "crank degrees"),
        "u_anchor_deg": _number(0, 45, "crank degrees"),
    },
}

# Mid-scale of a 10-bit reading; only keeps an unanchored scale near zero.
_UNANCHORED_COUNTS: Final = 512.0


def engine_card(toml_text: str, where: str = "engine.toml") -> EngineCard:
    """Read an engine card.

    Parameters
    ----------
    toml_text
        The card.
    where
        Name of the file, for messages.

    Returns
    -------
    EngineCard
        The firing order is turned to begin with 1; without ``cylinders`` its length counts.

    Raises
    ------
    CardError
        Not TOML, an unknown key or a bad value.
    """
    document = _parse(toml_text, where)
    if stray := [name for name in _RIG_TABLES if isinstance(document.get(name), dict)]:
        _wrong_card(_Place(where=where, text=toml_text, table="", key=stray[0]), "rig", "engine")
    values = _read_table(document, _ENGINE_KEYS, where, toml_text, "")
    order = values.get("firing_order")
    if order is not None:
        cylinders = values.setdefault("cylinders", len(order))
        if len(order) != cylinders:
            place = _Place(where=where, text=toml_text, table="", key="firing_order")
            place.refuse(
                list(order),
                f"as long as cylinders = {cylinders} says",
                cause=f"It has {len(order)} entries.",
            )
    return EngineCard(**values)


def rig_card(toml_text: str, where: str = "rig.toml") -> RigCard:
    """Read a rig card.

    A ``[body]`` table without ``deg_per_count`` cannot be used and one without its anchor
    knows angles only relative to each other; either way ``remarks`` says so.

    Raises
    ------
    CardError
        Not TOML, an unknown key or a bad value.
    """
    document = _parse(toml_text, where)
    if stray := [name for name in document if name in _ENGINE_KEYS]:
        _wrong_card(_Place(where=where, text=toml_text, table="", key=stray[0]), "engine", "rig")
    tables: dict[str, dict[str, Any]] = {}
    for name, content in document.items():
        place = _Place(where=where, text=toml_text, table="", key=name)
        if name not in _RIG_KEYS:
            _unknown_key(place, list(_RIG_KEYS), what="table")
        if not isinstance(content, dict):
            place.refuse(content, f"a table, begun by a line [{name}]")
        tables[name] = _read_table(content, _RIG_KEYS[name], where, toml_text, name)
    body, remarks = _body_sensor(tables.get("body"))
    if "mark" in tables and "angle_deg" not in tables["mark"]:
        remarks.append(
            "The rig card's [mark] gives no angle_deg, so 0 is assumed: the mark passes its "
            "sensor at top dead centre. If it does not, every angle is off by as much; the turn "
            "of the body is not."
        )
    return RigCard(
        pressure=PressureSensor(**tables.get("pressure", {})),
        spark=SparkSensor(**tables.get("spark", {})),
        mark=MarkSensor(**tables["mark"]) if "mark" in tables else None,
        body=body,
        remarks=tuple(remarks),
    )


def load_engine_card(path: Path) -> EngineCard:
    """Read an engine card from a file; see :func:`engine_card`."""
    return engine_card(read_card_file(path), where=str(path))


def load_rig_card(path: Path) -> RigCard:
    """Read a rig card from a file; see :func:`rig_card`."""
    return rig_card(read_card_file(path), where=str(path))


def read_card_file(path: Path) -> str:
    """Text of a card file, without its byte order mark.

    Raises
    ------
    CardError
        Missing, unreadable, not UTF-8 or far too large.
    """
    try:
        with path.open("rb") as file:
            data = file.read(_LARGEST_CARD_BYTES + 1)
    except OSError as error:
        raise CardError(
            f"{path}: the card cannot be read ({error.strerror or error}).",
            cause="The name is mistyped, or the file may not be read by this user.",
            step="Check the name after --engine or --rig.",
        ) from error
    if len(data) > _LARGEST_CARD_BYTES:
        raise CardError(
            f"{path}: larger than {_LARGEST_CARD_BYTES} bytes, so it is no card.",
            cause="Perhaps the capture was given in the place of a card.",
            step="Check the order of the file names.",
        )
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise CardError(
            f"{path}: byte {error.start} is not UTF-8 text.",
            cause="It was saved in another encoding, or it is not a card.",
            step="Save it as UTF-8, or check the file name.",
        ) from error


def _parse(text: str, where: str) -> dict[str, Any]:
    """TOML to a dictionary, with a helpful complaint."""
    try:
        return tomllib.loads(text.removeprefix("\ufeff"))
    except tomllib.TOMLDecodeError as error:
        place = re.search(r"\(at line (\d+)", str(error))
        line = text.splitlines()[int(place.group(1)) - 1] if place else ""
        cause = "A quotation mark, a bracket or an equals sign is missing or doubled."
        if re.search(r"=\s*-?\d+,\d", line):
            cause = "The decimal sign is a point: 10.5, not 10,5."
        spot = f"{where}, line {place.group(1)}" if place else where
        raise CardError(
            f"{spot}: not readable as TOML ({error}).",
            cause=cause,
            step="Correct the line; each has the form: key = value.",
        ) from error


def _read_table(
    document: Mapping[str, Any], readers: Mapping[str, _Reader], where: str, text: str, table: str
) -> dict[str, Any]:
    """Check every key of one table and convert its value."""
    values: dict[str, Any] = {}
    for key, value in document.items():
        place = _Place(where=where, text=text, table=table, key=key)
        if key not in readers:
            _unknown_key(place, list(readers))
        values[key] = readers[key](place, value)
    return values


def _unknown_key(place: _Place, known: list[str], what: str = "key") -> NoReturn:
    near = difflib.get_close_matches(place.key.lower(), known, n=1, cutoff=0.5)
    raise CardError(
        f"{place.spot}: unknown {what} {place.name!r}.",
        cause=f"Probably {near[0]!r} was meant." if near else "It is not one of this card's.",
        step=f"Correct it or take it out; known here are {', '.join(known)}.",
    )


def _wrong_card(place: _Place, belongs: str, given_as: str) -> NoReturn:
    raise CardError(
        f"{place.spot}: {place.key!r} belongs on the {belongs} card, not on the {given_as} card.",
        cause="The two cards were probably swapped or joined.",
        step=f"Give this file after --{belongs}, or move the lines to the {belongs} card.",
    )


def _body_sensor(values: dict[str, Any] | None) -> tuple[BodySensor | None, list[str]]:
    """Body sensor as far as the card tells, and what is missing."""
    if values is None:
        return None, []
    if "deg_per_count" not in values:
        return None, [
            "The rig card's [body] gives no deg_per_count, so readings of the body are not used. "
            "Turn the body by a known angle, note the counts before and after, and write their "
            "quotient on the card."
        ]
    values = dict(values)
    missing = [key for key in ("anchor_counts", "anchor_deg") if key not in values]
    if not missing:
        return BodySensor(**values), []
    values |= {"anchor_counts": _UNANCHORED_COUNTS, "anchor_deg": 0.0}
    return BodySensor(**values, anchored=False), [
        f"The rig card's [body] gives no {' and no '.join(missing)}, so body angles are known only "
        "relative to each other: no limit can be judged. Take one strobe reading, note the counts "
        "at the same time, and write both on the card."
    ]


def curve_added_deg(points: tuple[tuple[float, float], ...], rpm: float) -> float:
    """Crank degrees that a centrifugal curve adds at an engine speed.

    Straight lines between the points, level beyond the first and the last (stops of the
    weights; common practice in the maker's tables).
    """
    speeds = [speed for speed, _ in points]
    if rpm <= speeds[0]:
        return points[0][1]
    if rpm >= speeds[-1]:
        return points[-1][1]
    right = bisect_right(speeds, rpm)
    (rpm0, deg0), (rpm1, deg1) = points[right - 1], points[right]
    return deg0 + (deg1 - deg0) * (rpm - rpm0) / (rpm1 - rpm0)


# Common practice, no single source: mechanical advance is all in by 2500 to 3500 engine rpm
# and brings the total without vacuum advance to 28 to 38 crank degrees; a figure that is
# printed in distributor degrees and distributor speed is half of both.
_ALL_IN_EARLY_RPM: Final = 1900.0
_DISTRIBUTOR_ADDS_DEG: Final = 16.0
_STATIC_HIGH_DEG: Final = 22.0
_TOTAL_LOW_DEG, _TOTAL_HIGH_DEG = 22.0, 42.0
_AGREES_DEG: Final = 4.0


def doubts(engine: EngineCard) -> tuple[str, ...]:
    """What on an engine card is possible but looks like a mixed-up figure.

    Returns
    -------
    tuple of str
        Sentences: what stands there, what it looks like, what to check. Empty: nothing odd.
    """
    return tuple(sentence for check in _DOUBTS if (sentence := check(engine)))


def _doubt_static_is_total(engine: EngineCard) -> str:
    static, total = engine.static_deg, engine.max_total_deg
    if static is None or (total is not None and total < static):
        return ""
    if static <= _STATIC_HIGH_DEG and (total is None or static < total - 1.0):
        return ""
    return (
        f"The card's static_deg of {static:g}° looks like a total at speed, not like a static or "
        "idle figure (ordinary ones are 0 to 15°). Check at what speed the maker reads it."
    )


def _doubt_total_below_static(engine: EngineCard) -> str:
    static, total = engine.static_deg, engine.max_total_deg
    if static is None or total is None or total >= static:
        return ""
    return (
        f"The card's max_total_deg of {total:g}° is below its static_deg of {static:g}°, which "
        "cannot both be crank degrees before top dead centre at the speeds they belong to. "
        "Perhaps they were swapped, or the total is in distributor degrees."
    )


def _doubt_curve_is_distributor(engine: EngineCard) -> str:
    points, static, total = engine.centrifugal, engine.static_deg, engine.max_total_deg
    if not points:
        return ""
    last_rpm = next(rpm for rpm, added in points if added == points[-1][1])
    most = points[-1][1]
    early = last_rpm <= _ALL_IN_EARLY_RPM and 0 < most <= _DISTRIBUTOR_ADDS_DEG
    fits_doubled = (
        static is not None
        and total is not None
        and total - static - most > 1.5 * _AGREES_DEG
        and abs(total - static - 2 * most) <= _AGREES_DEG
    )
    if not (early or fits_doubled):
        return ""
    why = (
        f"is all in by {last_rpm:g} rpm"
        if early
        else f"adds {most:g}°, and twice that would just lead from {static:g}° to {total:g}°"
    )
    return (
        f"The card's centrifugal curve {why}, so it looks like distributor degrees over "
        "distributor speed. If it is, double both the degrees and the speeds."
    )


def _doubt_total_is_odd(engine: EngineCard) -> str:
    total = engine.max_total_deg
    if total is None or _TOTAL_LOW_DEG <= total <= _TOTAL_HIGH_DEG:
        return ""
    if engine.static_deg is not None and total < engine.static_deg:
        return ""  # said by _doubt_total_below_static
    looks = (
        "to include the vacuum advance" if total > _TOTAL_HIGH_DEG else "like distributor degrees"
    )
    return (
        f"The card's max_total_deg of {total:g}° looks {looks} (ordinary totals without vacuum "
        "advance are 28 to 38 crank degrees). Check what the maker's figure counts in."
    )


def _doubt_sum_over_cap(engine: EngineCard) -> str:
    points, static, total = engine.centrifugal, engine.static_deg, engine.max_total_deg
    if not points or static is None or total is None or total < static:
        return ""
    most = max(added for _, added in points)
    if static + most <= total + engine.static_tolerance_deg + 1.0:
        return ""
    return (
        f"By the card the maker's own setting reaches {static:g} + {most:g} = {static + most:g}° "
        f"at speed, more than its max_total_deg of {total:g}°. One of the three is wrong, or the "
        "static figure was read with the weights already out."
    )


def _doubt_curve_falls(engine: EngineCard) -> str:
    points = engine.centrifugal
    if not points or all(b[1] >= a[1] for a, b in pairwise(points)):
        return ""
    return (
        "The card's centrifugal curve falls with speed somewhere; weights only ever add. Check "
        "the pairs for a slip of the pen."
    )


_DOUBTS: Final = (
    _doubt_total_below_static,
    _doubt_static_is_total,
    _doubt_curve_is_distributor,
    _doubt_total_is_odd,
    _doubt_sum_over_cap,
    _doubt_curve_falls,
)
