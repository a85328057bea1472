"""The cycles that the signs are read from: idle, holds, raised speeds, and the beat within a cycle.

Enters: cycles, background and phases. Leaves: an :class:`Evidence`, which all signs share.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vaclog.analysis.findings import MisfireFinding, Phase, SweepFit
from vaclog.analysis.phases.excursions import spans
from vaclog.analysis.phases.usable import SETTLE_S, SPOILT, idle_cycles
from vaclog.cards import EngineCard, RigCard
from vaclog.result import Idle
from vaclog.signals.tables import Background, CycleFlag, CycleTable, FloatArray

IDLE_SPAN: Final = 1.3  # of the lowest fifth of speeds: a sweep stays inside, a held speed does not
RAISED: Final = 1.35  # of the idle speed: above any idle that the timing alone makes
RAISED_MOST: Final = 0.8  # of the air outside: above it the engine pulls a load
# A held throttle: speed keeps within so much of its median over the stretch.
HELD_SPREAD: Final = 0.12
HELD_EDGE_S: Final = 2.0  # the manifold fills and the flywheel turns at about a second
FOURS: Final = 4.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Case:
    """What is known of a capture when its signs are read.

    Attributes
    ----------
    cycles, background, phases, fit, misfire, idle, engine, rig
        See :mod:`vaclog.analysis.study`.
    barometer_kpa
        Air outside, None if neither measured nor known from an altitude.
    barometer_measured
        Whether this sensor itself measured it, so that its zero cancels.
    """

    cycles: CycleTable
    background: Background
    phases: Sequence[Phase]
    fit: SweepFit
    misfire: MisfireFinding
    idle: Idle
    engine: EngineCard
    rig: RigCard
    barometer_kpa: float | None = None
    barometer_measured: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evidence:
    """A case with its cycles sorted.

    Attributes
    ----------
    case
        What is known.
    time_s
        float64 [n], middle of each cycle.
    idling
        bool [n], cycles at idle, throttle untouched.
    idle_rpm
        Level of the idle; NaN without one.
    holds, calm, raised
        Rows [first, last) of stretches where neither hand nor throttle moved: at idle, settled;
        the same and what was still warming; and at a raised speed.
    swing_kpa
        float64 [n, N], pressure of each part of the cycle less its centred mean over a whole
        cycle: what happens within the cycle. NaN at breaks.
    beat_kpa
        float64 [N], median of that at idle: what comes each cycle. NaN without an idle.
    size
        A stroke against the manifold: 1 for four cylinders, less for more, since the manifold
        of more cylinders is larger and the stroke is not (common practice of building them).
    """

    case: Case
    time_s: FloatArray
    idling: NDArray[np.bool_]
    idle_rpm: float
    holds: tuple[tuple[int, int], ...]
    calm: tuple[tuple[int, int], ...]
    raised: tuple[tuple[int, int], ...]
    swing_kpa: FloatArray
    beat_kpa: FloatArray
    size: float


def gather(case: Case) -> Evidence:
    """Sort the cycles of a case."""
    cycles = case.cycles
    time_s: FloatArray = (cycles.start_us + cycles.end_us).astype(np.float64) * 0.5e-6
    idling, idle_rpm = _idling(case)
    swing = swing_within(cycles)
    use = idling & np.isfinite(swing).all(axis=1)
    beat = np.median(swing[use], axis=0) if use.any() else np.full(swing.shape[1], np.nan)
    return Evidence(
        case=case,
        time_s=time_s,
        idling=idling,
        idle_rpm=idle_rpm,
        holds=tuple(_holds(case, idling, ("hold", "running"))),
        calm=tuple(_holds(case, idling, ("hold", "running", "warming"))),
        raised=tuple(_raised(case, time_s, idle_rpm)),
        swing_kpa=swing,
        beat_kpa=beat,
        size=FOURS / max(case.engine.cylinders, 1),
    )


def swing_within(cycles: CycleTable) -> FloatArray:
    """Pressure of each part less its centred mean over one cycle; float64 [n, N].

    The mean over exactly a cycle follows trends and the slow work of speed, and contains nothing
    of what repeats each cycle. Two half weights at the ends centre it for an even number.
    """
    parts = cycles.slot_kpa.shape[1]
    swing = np.full(cycles.slot_kpa.shape, np.nan)
    breaks = np.flatnonzero((cycles.flags & int(CycleFlag.AFTER_BREAK)) > 0)
    edges = [0, *breaks.tolist(), len(cycles)]
    weight = np.ones(parts) / parts
    if parts % 2 == 0:
        weight = np.concatenate([[0.5], np.ones(parts - 1), [0.5]]) / parts
    reach = len(weight) // 2
    for first, last in pairwise(edges):
        flat = cycles.slot_kpa[first:last].ravel()
        if len(flat) <= len(weight):
            continue
        level = np.convolve(flat, weight, mode="valid")
        away = np.full(len(flat), np.nan)
        away[reach : len(flat) - reach] = flat[reach : len(flat) - reach] - level
        swing[first:last] = away.reshape(-1, parts)
    return swing


def held_rows(evidence: Evidence) -> NDArray[np.bool_]:
    """bool [n]: cycles of the holds."""
    rows = np.zeros(len(evidence.time_s), dtype=bool)
    for first, last in evidence.holds:
        rows[first:last] = True
    return rows


def _idling(case: Case) -> tuple[NDArray[np.bool_], float]:
    cycles = case.cycles
    rows = idle_cycles(cycles, case.phases) & np.isfinite(cycles.pressure_kpa)
    if not rows.any():
        return rows, float("nan")
    low = float(np.quantile(cycles.rpm[rows], 0.2))
    rows &= cycles.rpm < IDLE_SPAN * low
    return rows, float(np.median(cycles.rpm[rows]))


def _holds(case: Case, idling: NDArray[np.bool_], kinds: tuple[str, ...]) -> list[tuple[int, int]]:
    """Unbroken rows of holds, less what settles after the hand or throttle moved."""
    cycles, found = case.cycles, []
    breaks = (cycles.flags & int(CycleFlag.AFTER_BREAK)) > 0
    for index, phase in enumerate(case.phases):
        if phase.kind not in kinds:
            continue
        settled_us = phase.start_us + (round(SETTLE_S * 1e6) if index else 0)
        rows = idling & (cycles.start_us >= settled_us) & (cycles.end_us <= phase.end_us)
        for first, last in spans(rows, bridge=3):
            cuts = [first, *(first + 1 + int(k) for k in np.flatnonzero(breaks[first + 1 : last]))]
            found += list(zip(cuts, [*cuts[1:], last], strict=True))
    return [(first, last) for first, last in found if last - first >= 8]


def _raised(case: Case, time_s: FloatArray, idle_rpm: float) -> list[tuple[int, int]]:
    """Stretches at a raised and held speed, without a road's load."""
    cycles = case.cycles
    if not np.isfinite(idle_rpm):
        return []
    rows = (cycles.rpm > RAISED * idle_rpm) & ((cycles.flags & SPOILT) == 0)
    outside = case.barometer_kpa if case.barometer_kpa is not None else 101.325
    rows &= cycles.pressure_kpa < RAISED_MOST * outside
    for index, phase in enumerate(case.phases):
        beside = {p.kind for p in case.phases[max(index - 1, 0) : index + 2]}
        if phase.kind == "load" or (phase.kind == "running" and "load" in beside):
            rows &= (cycles.end_us <= phase.start_us) | (cycles.start_us >= phase.end_us)
    found = []
    for first, last in spans(rows, bridge=2):
        level = float(np.median(cycles.rpm[first:last]))
        near = np.zeros(len(cycles), dtype=bool)
        near[first:last] = np.abs(cycles.rpm[first:last] / level - 1.0) < HELD_SPREAD
        for a, b in spans(near, bridge=2):
            inner = (time_s > time_s[a] + HELD_EDGE_S) & (time_s < time_s[b - 1] - HELD_EDGE_S / 2)
            inside = np.flatnonzero(inner)
            if len(inside) >= 8:
                found.append((int(inside[0]), int(inside[-1]) + 1))
    return found
