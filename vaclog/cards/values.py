"""Readers of single values: a number between bounds, a word of a few, a firing order, a curve.

Enters: a value as TOML gives it, and its place. Leaves: the value in its final type, or a
complaint that names the place. Which key is read by which reader: :mod:`vaclog.cards.keys`.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Mapping
from typing import Any, Final, TypeAlias

from vaclog.cards.complaints import Place

Reader: TypeAlias = Callable[[Place, Any], Any]


def number_reader(low: float, high: float, unit: str, *, zero: bool = True) -> Reader:
    """Reader of a finite number between two bounds, both allowed."""
    must = f"a number from {low:g} to {high:g}{' ' + unit if unit else ''}"
    must += "" if zero else ", not 0"

    def read(place: Place, value: Any) -> float:
        if isinstance(value, str):
            place.refuse(value, must, cause="Numbers are written without quotation marks.")
        if isinstance(value, bool) or not isinstance(value, int | float):
            place.refuse(value, must)
        number = float(value)
        if not math.isfinite(number) or not low <= number <= high or (number == 0 and not zero):
            place.refuse(value, must)
        return number

    return read


def whole_reader(low: int, high: int, must: str) -> Reader:
    """Reader of a whole number, also when it is written 4.0."""

    def read(place: Place, value: Any) -> int:
        number = number_reader(low, high, "")(place, value)
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


def choice_reader(options: tuple[str, ...]) -> Reader:
    """Reader of one of a few words."""
    must = "one of " + ", ".join(f'"{option}"' for option in options)

    def read(place: Place, value: Any) -> str:
        if not isinstance(value, str) or value not in options:
            said = _SAID_OTHERWISE.get(str(value).lower(), str(value).lower())
            near = difflib.get_close_matches(said, options, n=1)
            place.refuse(value, must, cause=f'Perhaps "{near[0]}" was meant.' if near else "")
        return str(value)

    return read


def read_text(place: Place, value: Any) -> str:
    if not isinstance(value, str):
        place.refuse(value, "text in quotation marks")
    return " ".join(str(value).split())


def read_flag(place: Place, value: Any) -> bool:
    if not isinstance(value, bool):
        place.refuse(value, "true or false, without quotation marks")
    return bool(value)


def read_sign(place: Place, value: Any) -> int:
    if isinstance(value, bool) or value not in (1, -1):
        place.refuse(
            value,
            "1 or -1",
            cause="It says whether the counts rise (1) or fall (-1) with advance.",
        )
    return int(value)


def read_order(place: Place, value: Any) -> tuple[int, ...]:
    """Firing order, turned so that it begins with cylinder 1."""
    must = "a list that has each cylinder once, like [1, 3, 4, 2]"
    if not isinstance(value, list) or not 1 <= len(value) <= 16:
        place.refuse(value, must)
    numbers = [whole_reader(1, 16, must)(place, entry) for entry in value]
    if sorted(numbers) != list(range(1, len(numbers) + 1)):
        place.refuse(value, must, cause="A cylinder is missing or named twice.")
    first = numbers.index(1)
    return tuple(numbers[first:] + numbers[:first])


def read_curve(place: Place, value: Any) -> tuple[tuple[float, float], ...]:
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
        rpm = number_reader(0, 15_000, "rpm")(place, entry[0])
        added_deg = number_reader(-20, 60, "degrees")(place, entry[1])
        if points and rpm <= points[-1][0]:
            place.refuse(
                value,
                must + ", with the speeds rising",
                cause=f"{rpm:g} rpm does not come after {points[-1][0]:g} rpm.",
            )
        points.append((rpm, added_deg))
    return tuple(points)
