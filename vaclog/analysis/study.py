"""The findings of a stretch of cycles, put together in one place.

Enters: the cycle table and the coarse background, of a whole capture or as far as it has come,
and the cards. Leaves: a :class:`Study`, from which the result is written at the end and the hand
is led on the way. Pure: the same tables give the same study.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from vaclog.analysis.advice.advise import advise, judge
from vaclog.analysis.advice.angle_scale import AngleScale, angle_scale
from vaclog.analysis.advice.situation import Judged, Situation
from vaclog.analysis.curve.find import find_curve
from vaclog.analysis.findings import CurveFinding, MisfireFinding, Phase, Sweep, SweepFit
from vaclog.analysis.hill.fit import fit_hill
from vaclog.analysis.holds.fill import by_readings
from vaclog.analysis.holds.fit import fit_holds
from vaclog.analysis.holds.read import Held
from vaclog.analysis.holds.readings import U_STROBE_DEG
from vaclog.analysis.misfire.find import find_misfires
from vaclog.analysis.phases.find import find_phases
from vaclog.analysis.phases.usable import idle_cycles, idle_state, usable_cycles
from vaclog.analysis.wear.find import earliest, find_scatter
from vaclog.cards import EngineCard, RigCard
from vaclog.result import AdvanceSource, Advice, Idle, SparkScatter
from vaclog.signals.tables import AdvanceFrom, Background, CycleFlag, CycleTable

MisfireFinder: TypeAlias = Callable[[CycleTable, NDArray[np.bool_], EngineCard], MisfireFinding]

_SPOILT: Final = int(CycleFlag.GAP | CycleFlag.RAIL | CycleFlag.CRANKING)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Study:
    """Everything that the cycles tell.

    Attributes
    ----------
    phases, sweeps, use
        See :mod:`vaclog.analysis.phases.find` and :mod:`vaclog.analysis.phases.usable`.
    fit, misfire, curve, scatter
        Findings, each of its own part.
    source
        Where most advances come from.
    idle
        The engine at the last hold.
    scale
        How well an angle is known.
    judged, advice
        The limits, and what follows from them.
    """

    phases: Sequence[Phase]
    sweeps: Sequence[Sweep]
    use: NDArray[np.bool_]
    fit: SweepFit
    misfire: MisfireFinding
    curve: CurveFinding | None
    scatter: SparkScatter | None
    source: AdvanceSource
    idle: Idle
    scale: AngleScale
    judged: Judged
    advice: Advice


def study(
    cycles: CycleTable,
    background: Background,
    engine: EngineCard,
    rig: RigCard,
    *,
    end_us: int,
    barometer_kpa: float | None = None,
    home_deg: float | None = None,
    misfires: MisfireFinder = find_misfires,
    held: Held | None = None,
) -> Study:
    """Find out what the cycles tell.

    Parameters
    ----------
    cycles, background
        Tables of the signals room.
    engine, rig
        The cards.
    end_us
        Where the last phase ends.
    barometer_kpa
        Air outside, None if unknown.
    home_deg
        The scribed baseline; None: the advance of the first hold.
    misfires
        How misfires are judged.
    held
        What was made of readings at holds, where nothing measures the advance; its table is
        ``cycles``.
    """
    phases: Sequence[Phase]
    sweeps: Sequence[Sweep]
    if held is None:
        phases, sweeps = find_phases(cycles, background, engine, end_us)
    else:
        phases, sweeps = held.phases, held.sweeps
    use = usable_cycles(cycles, phases, sweeps, engine)
    if by_readings(cycles):
        ways = held.ways if held is not None else ()
        used = ((way, usable_cycles(way, phases, sweeps, engine)) for way in ways)
        u_deg = U_STROBE_DEG if held is None else held.u_deg
        fit = fit_holds([(cycles, use), *used], u_reading_deg=u_deg)
    else:
        fit = fit_hill(cycles, use)
    misfire = misfires(cycles, idle_cycles(cycles, phases), engine)
    curve = find_curve(cycles, phases, engine, rig)
    scatter = find_scatter(cycles, phases, curve, misfire, engine, rig)
    ahead_deg, u_ahead_deg = earliest(scatter)
    source = advance_source(cycles)
    idle = _idle(cycles, phases, barometer_kpa)
    swept_rpm = cycles.rpm[use]
    scale = angle_scale(
        engine=engine,
        rig=rig,
        source=source,
        rpm=idle.rpm,
        at_deg=fit.angle_deg if fit.found else idle.angle_deg,
        swept_rpm=(float(swept_rpm.min()), float(swept_rpm.max())) if len(swept_rpm) else None,
    )
    situation = Situation(
        fit=fit,
        misfire=misfire,
        curve=curve,
        engine=engine,
        rig=rig,
        scale=scale,
        idle=idle,
        home_deg=_first_hold_deg(cycles, phases) if home_deg is None else home_deg,
        barometer_kpa=barometer_kpa,
        highest_kpa=_highest_kpa(cycles),
        ahead_deg=ahead_deg,
        u_ahead_deg=u_ahead_deg,
    )
    judged = judge(situation)
    return Study(
        phases=phases,
        sweeps=sweeps,
        use=use,
        fit=fit,
        misfire=misfire,
        curve=curve,
        scatter=scatter,
        source=source,
        idle=idle,
        scale=scale,
        judged=judged,
        advice=advise(situation, judged),
    )


def advance_source(cycles: CycleTable) -> AdvanceSource:
    """Where most of the known advances came from."""
    known = cycles.advance_from[np.isfinite(cycles.advance_deg)]
    names: dict[AdvanceFrom, AdvanceSource] = {
        AdvanceFrom.MARK: "mark",
        AdvanceFrom.BODY: "body",
        AdvanceFrom.HOLDS: "holds",
    }
    counts = {name: int((known == kind).sum()) for kind, name in names.items()}
    best = max(counts, key=lambda name: counts[name])
    return best if counts[best] else "none"


def _idle(cycles: CycleTable, phases: Sequence[Phase], barometer_kpa: float | None) -> Idle:
    idle, _, _ = idle_state(cycles, phases)
    if barometer_kpa is None or idle.pressure_kpa is None:
        return idle
    return replace(idle, vacuum_kpa=barometer_kpa - idle.pressure_kpa)


def _first_hold_deg(cycles: CycleTable, phases: Sequence[Phase]) -> float | None:
    """Advance at the first hold: where the body was scribed."""
    for phase in phases:
        if phase.kind in ("hold", "warming"):
            rows = (cycles.start_us >= phase.start_us) & (cycles.end_us <= phase.end_us)
            angles = cycles.advance_deg[rows]
            angles = angles[np.isfinite(angles)]
            if len(angles) >= 3:
                return float(np.median(angles))
        elif phase.kind in ("advancing", "retarding"):
            return None  # the hand moved before anything was held
    return None


def _highest_kpa(cycles: CycleTable) -> float | None:
    sound = cycles.pressure_kpa[(cycles.flags & _SPOILT) == 0]
    sound = sound[np.isfinite(sound)]
    return float(sound.max()) if len(sound) else None
