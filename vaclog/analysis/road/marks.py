"""Marks of pinking, put to the load run, speed, pressure and advance they belong to.

Enters: times at which somebody pressed a button, tapped or typed; the cycle table, the load runs
and the phases. Leaves: :class:`~vaclog.result.road.PinkingMark` records. A mark that belongs to
no drive (at idle the same button means "done") is no pinking and is left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from vaclog.analysis.findings import Phase
from vaclog.analysis.road.loads import Load, advance_under_load
from vaclog.result.road import HeardBy, PinkingMark
from vaclog.signals.tables import CycleTable
from vaclog.units import s_from_us

# A passenger who listens for pinking, knows it and presses needs half a second to one and a half
# (common practice, no source; a bare reaction to a sound alone takes 0.15 to 0.3 s).
REACTION_US: Final = (500_000, 1_500_000)
# Contacts bounce, and fingers press twice; it is one mark.
BOUNCE_US: Final = 400_000
# A mark that is typed in from a watch is good to about so much.
TYPED_US: Final = 1_000_000


def find_pinking(
    marks: Sequence[tuple[int, HeardBy]],
    cycles: CycleTable,
    loads: Sequence[Load],
    phases: Sequence[Phase],
) -> tuple[PinkingMark, ...]:
    """Pinking that was marked during a drive, in order of time.

    Parameters
    ----------
    marks
        Device time of each mark in microseconds and who made it, in any order.
    cycles, loads, phases
        Of the whole capture.
    """
    found: list[PinkingMark] = []
    last_us: int | None = None
    for at_us, by in sorted(marks):
        if last_us is not None and at_us - last_us < BOUNCE_US:
            continue
        last_us = at_us
        pinking = _place(at_us, by, cycles, loads, phases)
        if pinking is not None:
            found.append(pinking)
    return tuple(found)


def _place(
    at_us: int,
    by: HeardBy,
    cycles: CycleTable,
    loads: Sequence[Load],
    phases: Sequence[Phase],
) -> PinkingMark | None:
    low_us, high_us = at_us - REACTION_US[1], at_us - REACTION_US[0]
    if by == "typed":
        low_us, high_us = at_us - TYPED_US, at_us + TYPED_US
    number, span = _run_of(low_us, high_us, cycles, loads)
    if number is None:
        span = _drive_of(low_us, high_us, phases)
    if span is None:
        return None
    low_us, high_us = max(low_us, span[0]), min(high_us, span[1])
    inside = np.flatnonzero((cycles.end_us > low_us) & (cycles.start_us < high_us))
    if not len(inside):
        return None
    rpm = cycles.rpm[inside]
    kpa = cycles.pressure_kpa[inside]
    advance = advance_under_load(cycles)[inside]
    return PinkingMark(
        at_s=s_from_us(at_us),
        low_s=s_from_us(low_us),
        high_s=s_from_us(high_us),
        by=by,
        load=number,
        rpm=float(np.median(rpm)),
        low_rpm=float(rpm.min()),
        high_rpm=float(rpm.max()),
        pressure_kpa=float(np.nanmean(kpa)) if np.isfinite(kpa).any() else None,
        advance_deg=float(np.nanmedian(advance)) if np.isfinite(advance).any() else None,
    )


def _run_of(
    low_us: int, high_us: int, cycles: CycleTable, loads: Sequence[Load]
) -> tuple[int | None, tuple[int, int] | None]:
    """The run that the moment overlaps most, counted from 1, and its span."""
    best, number, span = 0, None, None
    for k, load in enumerate(loads, start=1):
        start, end = int(cycles.start_us[load.first]), int(cycles.end_us[load.last - 1])
        overlap = min(high_us, end) - max(low_us, start)
        if overlap > best:
            best, number, span = overlap, k, (start, end)
    return number, span


def _drive_of(low_us: int, high_us: int, phases: Sequence[Phase]) -> tuple[int, int] | None:
    """The stretch of part throttle that holds the middle of the moment, if it is part of a drive.

    Before and after full load the phases say ``running``; without full load beside it the same
    word may mean an idle that was not understood.
    """
    middle = (low_us + high_us) // 2
    for k, phase in enumerate(phases):
        if phase.start_us <= middle < phase.end_us:
            beside = [*phases[max(0, k - 1) : k], *phases[k + 1 : k + 2]]
            if phase.kind == "running" and any(each.kind == "load" for each in beside):
                return phase.start_us, phase.end_us
    return None
