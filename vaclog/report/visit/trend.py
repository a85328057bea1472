"""How an engine's figures went over its visits, in words.

Enters: what was followed. Leaves: lines. "Worth looking at" is said only of what changed by more
than chance, with the numbers and how often chance alone would do it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from vaclog.report.words.quantities import difference, fixed, pressure
from vaclog.units import PressureUnit
from vaclog.visit.follow import Figure, Followed
from vaclog.visit.trend import FALSE_ALARM, Reading

_TWICE: Final = 2.0
_NAMES: Final[dict[Figure, str]] = {
    "scatter": "Scatter of the spark",
    "spread": "Spread of the cylinders' sparks",
    "curve start": "Speed at which the weights begin",
    "curve height": "What the weights add in all",
    "peak": "Top of the hill",
    "idle": "Manifold pressure at idle",
}
_UNITS: Final = {"deg": "°", "rpm": " rpm"}
_DECIMALS: Final = {"deg": 1, "rpm": 0}
# What it could be, more and less; candidates of the trade (common practice), never a verdict.
_COULD_BE: Final[dict[tuple[Figure, bool], str]] = {
    ("scatter", True): (
        "Worth looking at the drive: play of gear, shaft and bush, a loose points' plate"
    ),
    ("scatter", False): "It became steadier: what was done to drive or points shows",
    ("spread", True): "Worth looking at shaft and lobes; the earliest cylinder pinks first",
    ("curve start", False): "Springs that have become weaker let go earlier",
    ("curve start", True): "Stiff pivots or other springs let go later",
    ("curve height", True): "Stops that are worn or missing let the weights go further",
    ("curve height", False): "Weights that stick or meet something do not go all the way",
    ("peak", True): "The mark was put on anew, or mixture, fuel or compression changed",
    ("peak", False): "The mark was put on anew, or mixture, fuel or compression changed",
    ("idle", True): "Less vacuum: rings, valves, an air leak, mixture, or the throttle's stop",
    ("idle", False): "More vacuum: the throttle's stop, mixture, or work that was done",
}


def trend(
    followed: Sequence[Followed], unit: PressureUnit, *, false_alarm: float = FALSE_ALARM
) -> list[str]:
    """Lines, one figure after another; pressures in ``unit``."""
    if not followed:
        return [
            "No figure is known from two visits yet. A hold at idle with a crank mark tells the "
            "scatter, a slow rev-up the curve."
        ]
    lines: list[str] = []
    for each in followed:
        lines.append(f"{_NAMES[each.figure]}: {_readings(each, unit)}.")
        lines += [f"  {line}" for line in _changes(each, unit)]
    lines.append(
        f"Called a change where chance alone does it in fewer than {100 * false_alarm:g} of 100 "
        "unchanged rows of visits, for each test and figure by itself."
    )
    return lines


def _shown(value: float, unit: str) -> float:
    """A variance is told as the standard deviation that it is the square of."""
    return math.copysign(math.sqrt(abs(value)), value) if unit == "deg2" else value


def _one(reading: Reading, of: str, unit: PressureUnit) -> str:
    value, twice = reading.value, _TWICE * reading.u
    if of == "deg2":
        low, high = _shown(max(value - twice, 0.0), of), _shown(value + twice, of)
        return f"{fixed(_shown(value, of), 2)}° ({fixed(low, 2)}–{fixed(high, 2)}°)"
    if of == "kPa":
        return f"{pressure(value, unit)} ± {difference(twice, unit)}"
    return f"{fixed(value, _DECIMALS[of])} ± {fixed(twice, _DECIMALS[of])}{_UNITS[of]}"


def _readings(each: Followed, unit: PressureUnit) -> str:
    rows = zip(each.numbers, each.readings, strict=True)
    return ", ".join(
        f"{int(reading.at_years)} (visit {number}) {_one(reading, each.unit, unit)}"
        for number, reading in rows
    )


def _amount(value: float, each: Followed, unit: PressureUnit) -> str:
    """Size of a change, without its sign."""
    if each.unit == "deg2":
        size = fixed(abs(_shown(value, each.unit)), 2)
        return f"a scatter of {size}° {'came on top' if value > 0 else 'is gone'}"
    if each.unit == "kPa":
        return difference(value, unit)
    return f"{fixed(abs(value), _DECIMALS[each.unit])}{_UNITS[each.unit]}"


def _chance(p: float) -> str:
    if p < 1e-4:
        return "in fewer than 1 of 10,000"
    return f"in {fixed(100 * p, 2 if p < 0.01 else 0)} of 100"


def _changes(each: Followed, unit: PressureUnit) -> list[str]:
    last, step, slope = each.last, each.step, each.slope
    told = []
    if last.changed:
        told.append((last.p, last.difference > 0, _between(each, unit)))
    if step is not None and step.changed:
        told.append((step.p, step.size > 0, _stepped(each, unit)))
    if slope is not None and slope.changed:
        told.append((slope.p, slope.per_year > 0, _sloped(each, unit)))
    if not told:
        return [f"No change beyond chance (the last two: {_chance(last.p)} by chance)."]
    _, more, _ = min(told)
    could_be = _COULD_BE.get((each.figure, more), "")
    lines = [f"{text}, {_chance(p)} by chance." for p, _, text in sorted(told)]
    return (
        [*lines, f"{could_be} (common practice; the data do not tell which)."]
        if could_be
        else lines
    )


def _between(each: Followed, unit: PressureUnit) -> str:
    way = "more" if each.last.difference > 0 else "less"
    return f"Since the visit before: {way}, {_amount(each.last.difference, each, unit)}"


def _stepped(each: Followed, unit: PressureUnit) -> str:
    assert each.step is not None
    way = "up" if each.step.size > 0 else "down"
    number = each.numbers[each.step.before]
    return f"A step {way} from visit {number} on, {_amount(each.step.size, each, unit)}"


def _sloped(each: Followed, unit: PressureUnit) -> str:
    assert each.slope is not None
    way = "more" if each.slope.per_year > 0 else "less"
    return f"Year by year {way}, {_amount(each.slope.per_year, each, unit)} in a year"
