"""How a quantity is written: an angle, a pressure, a way along the rim, a duration, a list.

Enters: numbers. Leaves: phrases. Decimals and units are chosen here and nowhere else.
"""

from __future__ import annotations

from typing import Final

from vaclog.result import TurnWay
from vaclog.units import PressureUnit, from_kpa

# Decimals of a pressure and of a small difference: a hundredth of an inch is the finest that an
# average over many cycles can mean.
_DECIMALS: Final[dict[PressureUnit, tuple[int, int]]] = {
    "inHg": (1, 2),
    "kPa": (1, 2),
    "mbar": (0, 1),
    "mmHg": (0, 1),
    "psi": (2, 2),
}
_SPOKEN_UNIT: Final[dict[PressureUnit, str]] = {
    "inHg": "inches of mercury",
    "kPa": "kilopascals",
    "mbar": "millibars",
    "mmHg": "millimetres of mercury",
    "psi": "pounds per square inch",
}


def fixed(value: float, decimals: int) -> str:
    """A number without a minus sign before zero."""
    return f"{round(value, decimals) + 0.0:.{decimals}f}"


def degrees(angle_deg: float) -> str:
    """A crank angle on the rig's scale: 8.8°."""
    return fixed(angle_deg, 1) + "°"


def before_top(angle_deg: float) -> str:
    """A crank angle in full."""
    side = "after" if angle_deg < -0.05 else "before"
    return f"{fixed(abs(angle_deg), 1)}° {side} top dead centre"


def pressure(value_kpa: float, unit: PressureUnit) -> str:
    """A pressure or vacuum in the reader's unit."""
    return f"{fixed(from_kpa(value_kpa, unit), _DECIMALS[unit][0])} {unit}"


def difference(value_kpa: float, unit: PressureUnit) -> str:
    """A small difference of pressure, without its sign."""
    return f"{fixed(abs(from_kpa(value_kpa, unit)), _DECIMALS[unit][1])} {unit}"


def spoken_unit(unit: PressureUnit) -> str:
    """A unit as it is said."""
    return _SPOKEN_UNIT[unit]


def half_millimetres(way_mm: float) -> str:
    """A way along the rim to the nearest half millimetre: what a hand and a rule can do."""
    halves = round(abs(way_mm) * 2)
    whole, half = divmod(halves, 2)
    if halves == 0:
        return "less than ½ mm"
    return f"{whole or ''}{'½' if half else ''} mm"


def way(direction: TurnWay | None) -> str:
    """Which way, as seen from above the cap."""
    return f"{direction}, seen from above" if direction else ""


def listed(parts: list[str]) -> str:
    """One, two and three."""
    return " and ".join(part for part in (", ".join(parts[:-1]), *parts[-1:]) if part)


def duration(time_s: float) -> str:
    """Minutes and seconds."""
    minutes, seconds = divmod(round(time_s), 60)
    return f"{minutes} min {seconds:02d} s" if minutes else f"{seconds} s"
