"""Which cycles may enter the hill fit, and how the engine idled at the end.

Enters: cycles with phases and sweeps. Leaves: a mask of cycles, and the idle of the last hold.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vaclog.analysis.findings import Phase, Sweep
from vaclog.analysis.phases.excursions import spans
from vaclog.analysis.phases.find import hand_angle
from vaclog.analysis.phases.segments import without_outliers
from vaclog.cards import EngineCard
from vaclog.result import Idle
from vaclog.signals.tables import CycleFlag, CycleTable

# The manifold fills and the flywheel turns at about a second: four of them and 2 % is left.
SETTLE_S = 4.0
# A throttle opens gently: the phase begins where it is beyond doubt, a little late.
OPENING_S = 3.0
# Holds before and after tell drift from hill; further away drift need not be a straight line.
HOLD_BESIDE_S = 60.0
WARM_BESIDE_S = 10.0  # an engine still warming is only used as far as the first lags need it
IDLE_LOW, IDLE_HIGH = 0.6, 1.6  # of the usual idle: sweeps, misfires and a fast idle stay inside
ISLAND = 12  # cycles: three lags of two channels and the terms they meet need about as many
SPOILT = int(CycleFlag.SPLIT | CycleFlag.GAP | CycleFlag.RAIL | CycleFlag.CRANKING)


def usable_cycles(
    cycles: CycleTable, phases: Sequence[Phase], sweeps: Sequence[Sweep], engine: EngineCard
) -> NDArray[np.bool_]:
    """Cycles at idle, throttle untouched, with a known advance, around the sweeps.

    Holds and moves from a minute before the first sweep to a minute after the last one, less
    what still settles after a blip, load or start, less cycles that the wire spoilt, less
    stray advances, less islands too short for lags. Without a sweep: all holds and moves.

    Returns
    -------
    ndarray of bool [n]
        True where the cycle may be a row of the fit. Rows before it may serve as its lags if
        no AFTER_BREAK lies between.
    """
    use = np.zeros(len(cycles), dtype=bool)
    if len(cycles) == 0:
        return use
    first_us, last_us = _around(sweeps)
    settled_us = first_us
    for index, phase in enumerate(phases):
        start_us, end_us = phase.start_us, min(phase.end_us, last_us)
        if phase.kind == "warming":
            follows = phases[index + 1].kind if index + 1 < len(phases) else ""
            if follows not in ("advancing", "retarding"):
                continue
            start_us = max(start_us, end_us - round(WARM_BESIDE_S * 1e6))
        elif phase.kind not in ("hold", "advancing", "retarding"):
            settled_us = max(settled_us, phase.end_us + round(SETTLE_S * 1e6))
            continue
        start_us = max(start_us, settled_us)
        use |= (cycles.start_us >= start_us) & (cycles.end_us <= end_us)
    return _whole(cycles, use, engine)


def idle_cycles(cycles: CycleTable, phases: Sequence[Phase]) -> NDArray[np.bool_]:
    """Cycles at idle, throttle untouched, whatever is known of the advance.

    These may be judged for misfire. Warming, holds and moves, and what else ran at an idle's
    speed, less what still settles after a blip, load or start, and the moments before one.

    Returns
    -------
    ndarray of bool [n]
    """
    use = np.zeros(len(cycles), dtype=bool)
    settled_us = 0
    for index, phase in enumerate(phases):
        before = phases[index - 1].kind if index else ""
        after = phases[index + 1].kind if index + 1 < len(phases) else ""
        beside = {before, after}
        driven = phase.kind == "running" and beside & {"load", "blip"}
        if driven or phase.kind not in ("warming", "hold", "advancing", "retarding", "running"):
            settled_us = phase.end_us + round(SETTLE_S * 1e6)
            continue
        opens = after in ("blip", "load", "running", "stall")
        end_us = phase.end_us - (round(OPENING_S * 1e6) if opens else 0)
        use |= (cycles.start_us >= max(phase.start_us, settled_us)) & (cycles.end_us <= end_us)
    if use.any():
        level = float(np.median(cycles.rpm[use]))
        calm = (cycles.rpm > IDLE_LOW * level) & (cycles.rpm < IDLE_HIGH * level)
        use &= calm & ((cycles.flags & SPOILT) == 0)
    return use


def _around(sweeps: Sequence[Sweep]) -> tuple[int, int]:
    """From a minute before the first sweep to a minute after the last."""
    if not sweeps:
        return -(2**62), 2**62
    beside = round(HOLD_BESIDE_S * 1e6)
    return sweeps[0].start_us - beside, sweeps[-1].end_us + beside


def _whole(cycles: CycleTable, use: NDArray[np.bool_], engine: EngineCard) -> NDArray[np.bool_]:
    """Take out spoilt cycles and stray advances, then islands too short for lags."""
    use = use & ((cycles.flags & SPOILT) == 0) & np.isfinite(cycles.advance_deg)
    use &= np.isfinite(cycles.rpm) & np.isfinite(cycles.pressure_kpa)
    if not use.any():
        return use
    rows = np.flatnonzero(use)
    hand = hand_angle(cycles, engine)[rows]
    use[rows[~np.isfinite(without_outliers(hand))]] = False
    breaks = (cycles.flags & int(CycleFlag.AFTER_BREAK)) > 0
    # A single cycle left out does not break the sequence: its row still serves as a lag.
    for first, last in spans(use, bridge=2):
        cuts = [first, *(first + 1 + int(k) for k in np.flatnonzero(breaks[first + 1 : last]))]
        for a, b in zip(cuts, [*cuts[1:], last], strict=True):
            if b - a < ISLAND:
                use[a:b] = False
    return use


def idle_state(cycles: CycleTable, phases: Sequence[Phase]) -> tuple[Idle, int, int]:
    """Speed, pressure and advance of the last hold, and the time they were taken from.

    The last hold with enough settled cycles counts; ``warming`` serves where there is no hold.
    Medians over at most its last 20 s, so that neither a misfire nor the way to the hold
    enters.

    Returns
    -------
    idle : Idle
        Without ``vacuum_kpa``, which needs a barometer; all None when the engine never idled.
    start_us, end_us : int
        Half-open; 0, 0 when the engine never idled.
    """
    for kinds in (("hold",), ("warming",), ("running",)):
        for index in range(len(phases) - 1, -1, -1):
            phase = phases[index]
            if phase.kind not in kinds:
                continue
            found = _level(cycles, phase, moved=index > 0)
            if found is not None:
                return found
    return Idle(), 0, 0


def _level(cycles: CycleTable, phase: Phase, *, moved: bool) -> tuple[Idle, int, int] | None:
    """Medians over the settled end of a phase, or None when that is too short."""
    length_us = phase.end_us - phase.start_us
    # Settling comes first, but a short hold is better than none: keep at least its last half.
    settle_us = min(round(SETTLE_S * 1e6), length_us // 2) if moved else 0
    start_us = max(phase.start_us + settle_us, phase.end_us - 20_000_000)
    rows = (cycles.start_us >= start_us) & (cycles.end_us <= phase.end_us)
    rows &= (cycles.flags & SPOILT) == 0
    if rows.sum() < ISLAND:
        return None
    angles = cycles.advance_deg[rows]
    angles = angles[np.isfinite(angles)]
    return (
        Idle(
            rpm=float(np.median(cycles.rpm[rows])),
            pressure_kpa=float(np.median(cycles.pressure_kpa[rows])),
            angle_deg=float(np.median(angles)) if len(angles) >= 3 else None,
        ),
        start_us,
        phase.end_us,
    )
