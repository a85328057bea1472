"""The result of a capture, written from its study.

Enters: the tables of the signals room and the cards. Leaves: the
:class:`~vaclog.result.Result`. Pure: the same tables give the same result.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vaclog.analysis.advice.angle_scale import peak_record
from vaclog.analysis.curve.hose import hose_seen
from vaclog.analysis.curve.seen import curve_seen
from vaclog.analysis.findings import MisfireFinding, Phase, SweepFit
from vaclog.analysis.hill.fit import fit_hill
from vaclog.analysis.holds.read import read_holds
from vaclog.analysis.holds.readings import Readings
from vaclog.analysis.phases.find import find_phases
from vaclog.analysis.phases.usable import idle_cycles, usable_cycles
from vaclog.analysis.preflight import find_checks
from vaclog.analysis.road.loads import find_loads, load_records
from vaclog.analysis.road.marks import find_pinking
from vaclog.analysis.signs.evidence import Case
from vaclog.analysis.signs.find import find_signs
from vaclog.analysis.study import Study, study
from vaclog.analysis.vacuum_alone import vacuum_alone
from vaclog.cards import EngineCard, RigCard
from vaclog.result import (
    CurveSeen,
    HillPicture,
    Misfire,
    PhaseKind,
    PhaseSpan,
    Result,
    SourceInfo,
    SweepSpan,
)
from vaclog.result.road import HeardBy
from vaclog.signals.tables import Background, CycleTable, SignalReport
from vaclog.units import s_from_us, standard_atmosphere_kpa

# As many footprints as a picture can show apart.
FOOTPRINTS: Final = 400


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tables:
    """What the signals room hands over at the end of a capture.

    Attributes
    ----------
    cycles, background, report
        See :mod:`vaclog.signals.tables`.
    capture
        The capture's own name.
    gaps, lines_skipped
        What the wire lost.
    marks
        Device time in microseconds of each press of the marker button and each tap that may mean
        pinking, and which of the two it was.
    readings
        Of a strobe or a strip, where nothing measures the advance.
    """

    cycles: CycleTable
    background: Background
    report: SignalReport
    capture: str
    gaps: int
    lines_skipped: int
    marks: tuple[tuple[int, HeardBy], ...] = ()
    readings: Readings = field(default_factory=Readings)


def conclude(tables: Tables, engine: EngineCard, rig: RigCard) -> Result:
    """Everything that can be said about a capture.

    Parameters
    ----------
    tables
        Cycles, background and what was noticed on the way.
    engine, rig
        The cards.

    Returns
    -------
    Result
        Also when hardly anything can be said: the reasons are then part of it.
    """
    report = tables.report
    held = read_holds(
        tables.cycles,
        tables.background,
        engine,
        tables.readings,
        end_us=report.duration_us,
    )
    noticed: tuple[str, ...] = () if held is None else held.warnings
    if held is not None:
        tables = replace(tables, cycles=held.cycles)
    cycles = tables.cycles
    barometer_kpa = _barometer(report, engine)
    seen = study(
        cycles,
        tables.background,
        engine,
        rig,
        end_us=report.duration_us,
        barometer_kpa=barometer_kpa,
        held=held,
    )
    if seen.source == "none":
        alone = vacuum_alone(cycles, idle_cycles(cycles, seen.phases))
        noticed = noticed if alone is None else (*noticed, alone)
    loads = find_loads(cycles, seen.phases)
    signs, looked = find_signs(_case(tables, seen, engine, rig, barometer_kpa))
    return Result(
        source=SourceInfo(
            capture=tables.capture,
            duration_s=s_from_us(report.duration_us),
            gaps=tables.gaps,
            lines_skipped=tables.lines_skipped,
            advance_source=seen.source,
            engine=engine.name,
        ),
        barometer_kpa=barometer_kpa,
        phases=tuple(_span(phase) for phase in seen.phases),
        sweeps=tuple(
            SweepSpan(
                start_s=s_from_us(sweep.start_us),
                end_s=s_from_us(sweep.end_us),
                direction=sweep.direction,
            )
            for sweep in seen.sweeps
        ),
        peak=peak_record(seen.fit, seen.scale, barometer_kpa),
        idle=seen.idle,
        misfire=_misfire(cycles, seen.misfire, engine),
        advice=replace(seen.advice, warnings=(*report.warnings, *noticed, *seen.advice.warnings)),
        hill=_picture(cycles, seen),
        loads=load_records(cycles, loads, cylinders=engine.cylinders, barometer_kpa=barometer_kpa),
        pinking=find_pinking(tables.marks, cycles, loads, seen.phases),
        signs=signs,
        looked=looked,
        checks=find_checks(
            cycles,
            tables.background,
            seen.phases,
            barometer_kpa=barometer_kpa,
        ),
        curve=_curve(cycles, seen, engine),
        scatter=seen.scatter,
    )


def _curve(cycles: CycleTable, seen: Study, engine: EngineCard) -> CurveSeen | None:
    if seen.curve is None:
        return None
    hose = hose_seen(cycles, seen.phases)
    return curve_seen(seen.curve, hose, engine, seen.judged, seen.idle, seen.advice)


def provisional(
    cycles: CycleTable, background: Background, engine: EngineCard
) -> tuple[PhaseKind, SweepFit]:
    """What the data so far say: the phase that goes on now, and the hill."""
    now_us = int(cycles.end_us[-1])
    phases, sweeps = find_phases(cycles, background, engine, now_us)
    fit = fit_hill(cycles, usable_cycles(cycles, phases, sweeps, engine))
    return phases[-1].kind, fit


def _barometer(report: SignalReport, engine: EngineCard) -> float | None:
    if report.barometer_kpa is not None:
        return report.barometer_kpa
    return None if engine.altitude_m is None else standard_atmosphere_kpa(engine.altitude_m)


def _case(
    tables: Tables, seen: Study, engine: EngineCard, rig: RigCard, barometer_kpa: float | None
) -> Case:
    return Case(
        cycles=tables.cycles,
        background=tables.background,
        phases=seen.phases,
        fit=seen.fit,
        misfire=seen.misfire,
        idle=seen.idle,
        engine=engine,
        rig=rig,
        barometer_kpa=barometer_kpa,
        barometer_measured=tables.report.barometer_kpa is not None,
    )


def _span(phase: Phase) -> PhaseSpan:
    return PhaseSpan(
        kind=phase.kind, start_s=s_from_us(phase.start_us), end_s=s_from_us(phase.end_us)
    )


def _misfire(cycles: CycleTable, found: MisfireFinding, engine: EngineCard) -> Misfire:
    slot = found.slot if found.slot > 0 else None
    order = engine.firing_order
    return Misfire(
        events=len(found.cycles),
        cycles=found.judged,
        per_thousand=_number(found.per_thousand),
        onset_deg=_number(found.onset_deg),
        slot=slot,
        cylinder=None if slot is None or order is None else order[slot - 1],
        times_s=tuple(s_from_us(int(at_us)) for at_us in cycles.start_us[found.cycles]),
        low_per_thousand=_number(found.low_per_thousand),
        high_per_thousand=_number(found.high_per_thousand),
        false_alarms_per_thousand=_number(found.false_alarms_per_thousand),
    )


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _picture(cycles: CycleTable, seen: Study) -> HillPicture:
    fit: SweepFit = seen.fit
    known = np.flatnonzero(
        seen.use & np.isfinite(cycles.advance_deg) & np.isfinite(cycles.pressure_kpa)
    )
    rows = known[:: max(1, -(-len(known) // FOOTPRINTS))]
    ages = np.linspace(0.0, 1.0, len(rows))
    sound = np.isfinite(fit.curve_kpa)
    return HillPicture(
        curve_deg=_floats(fit.curve_deg[sound]),
        curve_kpa=_floats(fit.curve_kpa[sound]),
        low_kpa=_floats(fit.low_kpa[sound]),
        high_kpa=_floats(fit.high_kpa[sound]),
        foot_deg=_floats(cycles.advance_deg[rows]),
        foot_kpa=_floats(cycles.pressure_kpa[rows]),
        foot_age=_floats(ages),
        limits_deg=tuple((each.name, each.angle_deg) for each in seen.judged.limits),
    )


def _floats(values: NDArray[np.float64]) -> tuple[float, ...]:
    return tuple(float(value) for value in values)
