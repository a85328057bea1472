"""The one place where units change.

Enters: a number (or a numpy array) in one unit. Leaves: the same in another. Inside the
program pressures are absolute kilopascals, angles are crank degrees before top dead centre,
times are microseconds; everything else exists only at the edges and comes through here.

All functions are plain arithmetic, so they take floats and numpy arrays alike.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, Literal, TypeAlias, TypeVar, get_args

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

# As text: who only converts a number need not wait for numpy to load.
Num = TypeVar("Num", float, "NDArray[np.float64]")

PressureUnit: TypeAlias = Literal["inHg", "kPa", "mbar", "mmHg", "psi"]

PRESSURE_UNITS: Final[tuple[PressureUnit, ...]] = get_args(PressureUnit)

# Standard gravity, m/s^2, exact by definition (CGPM 1901; NIST SP 811:2008, App. B.8).
STANDARD_GRAVITY: Final = 9.80665
# Conventional density of mercury at 0 degC, kg/m^3 (the convention behind "conventional"
# mmHg and inHg in NIST SP 811:2008, App. B.8). The inch of mercury at 60 degF is another
# unit, 0.28 % smaller, and is not used here.
MERCURY_KG_PER_M3: Final = 13595.1
INCH_M: Final = 0.0254  # exact, 1959
POUND_KG: Final = 0.45359237  # exact, 1959

_KPA_PER: Final[dict[PressureUnit, float]] = {
    "kPa": 1.0,
    "mbar": 0.1,
    "mmHg": MERCURY_KG_PER_M3 * STANDARD_GRAVITY * 1e-3 / 1e3,
    "inHg": MERCURY_KG_PER_M3 * STANDARD_GRAVITY * INCH_M / 1e3,
    "psi": POUND_KG * STANDARD_GRAVITY / INCH_M**2 / 1e3,
}

CYCLE_DEG: Final = 720.0  # one working cycle of a four-stroke engine
TURN_DEG: Final = 360.0
CRANK_PER_BODY: Final = 2.0  # the distributor turns at half the speed of the crank
US_PER_S: Final = 1_000_000
US_PER_MINUTE: Final = 60_000_000.0

# ISO 2533:1975, lowest layer (0 to 11 km).
SEA_LEVEL_KPA: Final = 101.325
_SEA_LEVEL_K: Final = 288.15
_LAPSE_K_PER_M: Final = 0.0065
_AIR_GAS_CONSTANT: Final = 287.05287  # J/(kg K), as ISO 2533 states it
_EARTH_RADIUS_M: Final = 6_356_766.0  # nominal radius of ISO 2533
_LOWEST_M: Final = -1000.0  # Dead Sea road: -430 m; mines lower still
_HIGHEST_M: Final = 11_000.0  # end of the layer; no road comes near


def pressure_unit(name: str) -> PressureUnit:
    """Find a pressure unit by its name, whatever the case.

    Raises
    ------
    ValueError
        No such unit; the message lists the known ones.
    """
    for unit in PRESSURE_UNITS:
        if unit.lower() == name.strip().lower():
            return unit
    known = ", ".join(PRESSURE_UNITS)
    raise ValueError(f"unknown pressure unit {name!r}; known are {known}")


def to_kpa(value: Num, unit: PressureUnit) -> Num:
    """Pressure (or difference of pressures) in ``unit`` to kilopascals."""
    return value * _KPA_PER[unit]


def from_kpa(value_kpa: Num, unit: PressureUnit) -> Num:
    """Kilopascals to pressure (or difference of pressures) in ``unit``."""
    return value_kpa / _KPA_PER[unit]


def vacuum_kpa(absolute_kpa: Num, barometer_kpa: float) -> Num:
    """Manifold vacuum: how far the pressure is below that of the air outside."""
    return barometer_kpa - absolute_kpa


def absolute_kpa(vacuum: Num, barometer_kpa: float) -> Num:
    """Absolute manifold pressure from a vacuum in kilopascals."""
    return barometer_kpa - vacuum


def standard_atmosphere_kpa(altitude_m: float) -> float:
    """Pressure of the standard atmosphere at a geometric altitude.

    Source: ISO 2533:1975 (same as ICAO Doc 7488), clauses 2 and 3: geopotential height
    ``H = r h / (r + h)``, then ``p = p0 (1 - L H / T0) ** (g / (R L))``.

    Raises
    ------
    ValueError
        Altitude outside -1000 ... 11000 m.
    """
    if not _LOWEST_M <= altitude_m <= _HIGHEST_M:
        raise ValueError(f"altitude {altitude_m} m is not between {_LOWEST_M} and {_HIGHEST_M} m")
    geopotential_m = _EARTH_RADIUS_M * altitude_m / (_EARTH_RADIUS_M + altitude_m)
    exponent = STANDARD_GRAVITY / (_AIR_GAS_CONSTANT * _LAPSE_K_PER_M)
    ratio = 1.0 - _LAPSE_K_PER_M * geopotential_m / _SEA_LEVEL_K
    return float(SEA_LEVEL_KPA * ratio**exponent)


def body_from_crank_deg(crank_deg: Num) -> Num:
    """Degrees of the distributor body that make this many of the crank (1 : 2)."""
    return crank_deg / CRANK_PER_BODY


def crank_from_body_deg(body_deg: Num) -> Num:
    """Crank degrees made by this many degrees of the distributor body (2 : 1)."""
    return body_deg * CRANK_PER_BODY


def rim_mm(body_deg: Num, radius_mm: float) -> Num:
    """Way along the rim of a body of this radius; signed as the angle."""
    return body_deg * (math.pi / 180.0 * radius_mm)


def body_deg_from_rim(way_mm: Num, radius_mm: float) -> Num:
    """Degrees of the body from the way along its rim."""
    return way_mm / (math.pi / 180.0 * radius_mm)


def cycle_us_from_rpm(rpm: Num) -> Num:
    """Microseconds of one working cycle (720 crank degrees) at this engine speed."""
    return 2.0 * US_PER_MINUTE / rpm


def rpm_from_cycle_us(cycle_us: Num) -> Num:
    """Engine speed from the microseconds of one working cycle (720 crank degrees)."""
    return 2.0 * US_PER_MINUTE / cycle_us


def deg_from_us(time_us: Num, rpm: Num | float) -> Num:
    """Crank degrees that pass in a time at this engine speed."""
    return time_us * (rpm * (TURN_DEG / US_PER_MINUTE))


def us_from_deg(crank_deg: Num, rpm: Num | float) -> Num:
    """Microseconds that a crank angle takes at this engine speed."""
    return crank_deg / (rpm * (TURN_DEG / US_PER_MINUTE))


def s_from_us(time_us: int) -> float:
    """Integer microseconds to seconds."""
    return time_us / US_PER_S


def us_from_s(time_s: float) -> int:
    """Seconds to the nearest integer microsecond."""
    return round(time_s * US_PER_S)


def dwell_percent(dwell_deg: Num, cylinders: int) -> Num:
    """Share of the time in which the points are closed, per cent.

    ``dwell_deg`` is in degrees of the distributor shaft, of which each cylinder has
    360 / cylinders (common practice).
    """
    return dwell_deg * (cylinders / TURN_DEG * 100.0)


def dwell_deg(percent: Num, cylinders: int) -> Num:
    """Dwell in degrees of the distributor shaft from its share in per cent."""
    return percent / (cylinders / TURN_DEG * 100.0)


def mm_from_inch(value: Num) -> Num:
    """Inches to millimetres (exact, 1959)."""
    return value * (INCH_M * 1e3)


def advance_from_dwell_deg(more_dwell_deg: Num) -> Num:
    """Crank degrees that the spark moves when the dwell grows by so much, negative: later.

    On a symmetric cam half of it closes earlier and half opens later, and the spark is at the
    opening; a degree of the distributor is two of the crank (geometry).
    """
    return crank_from_body_deg(-0.5 * more_dwell_deg)
