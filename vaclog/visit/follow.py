"""The figures of an engine that are worth following over its visits.

Enters: visits in order of time. Leaves: a :class:`Followed` for each figure that two or more of
them have: the readings, and change, slope and step from :mod:`vaclog.visit.trend`.

Scatter is followed as a variance, since variances of independent causes add: play that has grown
adds its own, whatever was there before.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final, Literal, TypeAlias

from vaclog.result import Result
from vaclog.visit.records import Visit
from vaclog.visit.trend import FALSE_ALARM, Moved, Reading, Slope, Step, moved, slope, step

Figure: TypeAlias = Literal["scatter", "spread", "curve start", "curve height", "peak", "idle"]

_K95: Final = 1.96
# What differs between two visits to an unchanged engine though a capture cannot see it: where the
# pickups sit, warmth, idle speed, fuel. Own assumptions, as standard uncertainties.
_U_SCATTER_PART: Final = 0.04  # of the scatter itself
_U_SCATTER_DEG2: Final = 0.0006  # other pickups, other ticks
_U_SPREAD_DEG: Final = 0.15
_U_START_RPM: Final = 20.0
_U_HEIGHT_DEG: Final = 0.3
_U_PEAK_DEG: Final = 1.0  # a mark put on anew; fuel and weather
_U_IDLE_KPA: Final = 0.7


@dataclass(frozen=True, slots=True, kw_only=True)
class Followed:
    """A figure over the visits.

    Attributes
    ----------
    figure, unit
        What it is; of "scatter" the readings are variances, ``deg2``.
    numbers
        Of the visits that have it.
    readings
        In order of time.
    last
        Change between the last two.
    slope, step
        Over all; None with fewer than three.
    """

    figure: Figure
    unit: str
    numbers: tuple[int, ...]
    readings: tuple[Reading, ...]
    last: Moved
    slope: Slope | None
    step: Step | None

    @property
    def changed(self) -> bool:
        """Any of the three says so."""
        tests = (self.last, self.slope, self.step)
        return any(each is not None and each.changed for each in tests)


def follow(visits: Sequence[Visit], *, false_alarm: float = FALSE_ALARM) -> tuple[Followed, ...]:
    """Follow every figure that at least two of the visits have.

    Parameters
    ----------
    visits
        Of one engine. Visits without a date are left out.
    false_alarm
        Of each test by itself; three tests of six figures make more than one.
    """
    dated = sorted(
        ((at, visit) for visit in visits if (at := years(visit.begun)) is not None),
        key=lambda each: (each[0], each[1].begun, each[1].number),
    )
    found = []
    for figure, (unit, read) in _FIGURES.items():
        rows = [
            (visit.number, Reading(at_years=at, value=value, u=u))
            for at, visit in dated
            if (known := _newest(visit, read)) is not None
            for value, u in (known,)
        ]
        if len(rows) < 2:
            continue
        readings = tuple(reading for _, reading in rows)
        found.append(
            Followed(
                figure=figure,
                unit=unit,
                numbers=tuple(number for number, _ in rows),
                readings=readings,
                last=moved(readings[-2], readings[-1], false_alarm=false_alarm),
                slope=slope(readings, false_alarm=false_alarm),
                step=step(readings, false_alarm=false_alarm),
            )
        )
    return tuple(found)


def years(iso: str) -> float | None:
    """A date as a decimal year, None if it is none."""
    try:
        day = date.fromisoformat(iso[:10])
    except ValueError:
        return None
    return day.year + (day.timetuple().tm_yday - 1) / 365.25


_Known: TypeAlias = tuple[float, float] | None
_Read: TypeAlias = Callable[[Result], _Known]


def _newest(visit: Visit, read: _Read) -> _Known:
    """The figure from the newest capture of a visit that has it."""
    for capture in reversed(visit.captures):
        known = read(capture.result)
        if known is not None and all(map(math.isfinite, known)):
            return known
    return None


def scatter_reading(result: Result) -> _Known:
    """Variance of the spark, degrees², and its standard uncertainty."""
    seen = result.scatter
    if seen is None or seen.real_deg is None or seen.low_deg is None or seen.high_deg is None:
        return None
    variance = seen.real_deg**2
    # The upper half: the lower one may be cut off at zero.
    u = (seen.high_deg**2 - variance) / _K95
    again = math.hypot(2.0 * _U_SCATTER_PART * variance, _U_SCATTER_DEG2)
    return variance, math.hypot(u, again)


def _spread(result: Result) -> _Known:
    seen = result.scatter
    if seen is None or seen.uneven or seen.spread_deg is None or seen.u_spread_deg is None:
        return None
    return seen.spread_deg, math.hypot(seen.u_spread_deg, _U_SPREAD_DEG)


def _start(result: Result) -> _Known:
    seen = result.curve
    if seen is None or seen.start_rpm is None or seen.u_start_rpm is None:
        return None
    return seen.start_rpm, math.hypot(seen.u_start_rpm, _U_START_RPM)


def _height(result: Result) -> _Known:
    seen = result.curve
    if seen is None or not seen.all_seen or seen.most_deg is None or seen.u_most_deg is None:
        return None
    return seen.most_deg, math.hypot(seen.u_most_deg, _U_HEIGHT_DEG)


def _peak(result: Result) -> _Known:
    peak = result.peak
    if not peak.found or peak.angle_deg is None or peak.u_deg is None:
        return None
    return peak.angle_deg, math.hypot(peak.u_deg, _U_PEAK_DEG)


def _idle(result: Result) -> _Known:
    kpa = result.idle.pressure_kpa
    return None if kpa is None else (kpa, _U_IDLE_KPA)


_FIGURES: Final[dict[Figure, tuple[str, _Read]]] = {
    "scatter": ("deg2", scatter_reading),
    "spread": ("deg", _spread),
    "curve start": ("rpm", _start),
    "curve height": ("deg", _height),
    "peak": ("deg", _peak),
    "idle": ("kPa", _idle),
}
