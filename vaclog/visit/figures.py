"""The few figures by which a visit is listed, compared and followed over the years.

Enters: a :class:`~vaclog.visit.records.Visit`. Leaves: :class:`Figures`. One place decides which
of a visit's captures speaks for it: the newest sweep that found the top, else the newest sweep.
Parts of a result that its version does not have are None.
"""

from __future__ import annotations

from dataclasses import dataclass

from vaclog.result import CurveSeen, Result, SparkScatter
from vaclog.visit.records import Capture, Pinking, Visit
from vaclog.visit.road import set_deg


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """What a line of a list says of a visit; None where it is not known.

    Attributes
    ----------
    peak_deg, u_peak_deg
        Top of the hill and its standard uncertainty, crank degrees before top dead centre.
    set_deg, limit
        Advised set point and what decided it.
    reached_deg
        Where it was left after locking: as read, else as aimed at; without a setting, None.
    idle_rpm, idle_pressure_kpa, vacuum_kpa
        At the last hold of the capture that speaks for the visit.
    scatter_deg
        Scatter of the spark from cycle to cycle, one standard deviation.
    pinking
        Of the last road trial.
    """

    peak_deg: float | None = None
    u_peak_deg: float | None = None
    set_deg: float | None = None
    limit: str | None = None
    reached_deg: float | None = None
    idle_rpm: float | None = None
    idle_pressure_kpa: float | None = None
    vacuum_kpa: float | None = None
    barometer_kpa: float | None = None
    misfire_per_thousand: float | None = None
    scatter_deg: float | None = None
    pinking: Pinking | None = None


def speaking_capture(visit: Visit) -> Capture | None:
    """The capture that speaks for a visit.

    The newest sweep whose top was found; else the newest sweep; else the newest capture that is not
    of the road.
    """
    sweeps = [each for each in visit.captures if each.purpose in ("sweep", "again")]
    found = [each for each in sweeps if each.result.peak.found]
    if found or sweeps:
        return (found or sweeps)[-1]
    return next((each for each in reversed(visit.captures) if each.purpose != "road"), None)


def figures(visit: Visit) -> Figures:
    """The figures of a visit."""
    capture = speaking_capture(visit)
    pinking = visit.trials[-1].pinking if visit.trials else None
    reached_deg = set_deg(visit)
    scatter = spoken_scatter(visit)
    if capture is None:
        return Figures(reached_deg=reached_deg, pinking=pinking)
    result = capture.result
    return Figures(
        peak_deg=result.peak.angle_deg if result.peak.found else None,
        u_peak_deg=result.peak.u_deg if result.peak.found else None,
        set_deg=result.advice.set_deg,
        limit=result.advice.limit,
        reached_deg=reached_deg,
        idle_rpm=result.idle.rpm,
        idle_pressure_kpa=result.idle.pressure_kpa,
        vacuum_kpa=result.idle.vacuum_kpa,
        barometer_kpa=result.barometer_kpa,
        misfire_per_thousand=result.misfire.per_thousand,
        scatter_deg=scatter.real_deg if scatter else None,
        pinking=pinking,
    )


def spoken_scatter(visit: Visit) -> SparkScatter | None:
    """The scatter of the spark of the newest capture that could tell it."""
    for capture in reversed(visit.captures):
        scatter = capture.result.scatter
        if scatter is not None and scatter.real_deg is not None:
            return scatter
    return None


def spoken_curve(visit: Visit) -> CurveSeen | None:
    """The centrifugal curve of the newest capture with a rev-up."""
    return next((each.result.curve for each in reversed(visit.captures) if each.result.curve), None)


def scatter_deg(result: Result) -> float | None:
    """Scatter of the spark that is the distributor's own, where a result has it."""
    return None if result.scatter is None else result.scatter.real_deg
