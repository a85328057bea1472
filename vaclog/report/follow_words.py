"""Figures followed over the visits of an engine, in sentences.

Enters: what :mod:`vaclog.visit.follow` found, and a unit. Leaves: one line a figure: its readings
in order of time, then what is more than chance. Scatter is followed as a variance and told as a
standard deviation.
"""

from __future__ import annotations

import math
from typing import Final

from vaclog.report import words
from vaclog.units import PressureUnit
from vaclog.visit.follow import Figure, Followed

NAMES: Final[dict[Figure, str]] = {
    "scatter": "Scatter of the spark",
    "spread": "Spread between the cylinders",
    "curve start": "Speed at which the weights begin",
    "curve height": "What the weights add in all",
    "peak": "Top of the hill",
    "idle": "Idle pressure, absolute",
}
_DRIVE: Final[tuple[Figure, ...]] = ("scatter", "spread", "curve start", "curve height")
NO_TREND: Final = "Nothing to follow yet: two visits with the same figure are needed."
LOOK: Final = (
    "It may be worth looking at the distributor and its drive; the figures above are the "
    "evidence, and do not say which part it is."
)


def followed(found: tuple[Followed, ...], unit: PressureUnit) -> list[str]:
    """All figures; what to look at, if one of the drive's changed."""
    if not found:
        return [NO_TREND]
    lines = [line(each, unit) for each in found]
    worse = any(each.figure in _DRIVE and each.changed for each in found)
    return [*lines, LOOK] if worse else lines


def line(one: Followed, unit: PressureUnit) -> str:
    """One figure."""
    readings = words.listed([_value(reading.value, one, unit) for reading in one.readings])
    visits = words.listed([str(number) for number in one.numbers])
    said = [f"{NAMES[one.figure]}: {readings} (visits {visits})."]
    if one.step is not None and one.step.changed:
        said.append(_step(one, unit))
    elif one.slope is not None and one.slope.changed:
        said.append(
            f"It goes {'up' if one.slope.per_year > 0 else 'down'} over the years by more than "
            f"chance would make it ({_p(one.slope.p)})."
        )
    elif one.last.changed:
        said.append(
            f"The last {'rose' if one.last.difference > 0 else 'fell'} by more than chance would "
            f"make it ({_p(one.last.p)})."
        )
    else:
        said.append("No change beyond chance.")
    return " ".join(said)


def _step(one: Followed, unit: PressureUnit) -> str:
    assert one.step is not None
    before = _mean([reading.value for reading in one.readings[: one.step.before]])
    after = _mean([reading.value for reading in one.readings[one.step.before :]])
    where = one.numbers[one.step.before]
    return (
        f"From visit {where} on it is another: {_value(after, one, unit)} against "
        f"{_value(before, one, unit)} before ({_p(one.step.p)})."
    )


def _mean(values: list[float]) -> float:
    return sum(values) / len(values)


def _value(value: float, one: Followed, unit: PressureUnit) -> str:
    if one.unit == "deg2":
        return words.fixed(math.sqrt(max(value, 0.0)), 2) + "°"
    if one.unit == "deg":
        return words.degrees(value)
    if one.unit == "rpm":
        return f"{value:.0f} rpm"
    return words.difference(value, unit)


def _p(p: float) -> str:
    return "p below 0.001" if p < 0.001 else f"p = {words.fixed(p, 3)}"
