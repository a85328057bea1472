"""What went on when: phases that partition the capture, and the sweeps of the hand.

Enters: the cycle table, the coarse background, the engine card. Leaves: phases and sweeps.

The order of judging: where the engine turned and whether by itself (speed, pulses, pressure);
throttle excursions (speed and pressure); the hand (advance, less what the weights add); and
last whether the idle before the first move had settled. Without an advance source the hand is
not seen: idle is then ``hold`` where speed and pressure stand still, else ``running``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from vaclog.analysis.findings import Phase, Sweep
from vaclog.analysis.phases.excursions import find_excursions, spans
from vaclog.analysis.phases.hand import find_moves, find_sweeps
from vaclog.analysis.phases.segments import bend_sigma, robust_sigma, running_median, split
from vaclog.cards import EngineCard
from vaclog.result import PhaseKind
from vaclog.signals.tables import Background, CycleFlag, CycleTable, FloatArray

# Starters turn engines at 100-300 rpm, and no engine idles below about 450 (common practice).
STARTER_RPM = 380.0
CATCHING, CATCHING_RPM = 0.6, 500.0  # of the idle speed, and at most
BREAK_S = 2.0  # a hole in the cycles shorter than this belongs to what went on before it
ALIVE_S = 0.8  # one turn at 75 rpm: without a pulse for longer, the engine stands
STANDARD_KPA = 101.325  # ISO 2533 at sea level, where the capture shows nothing better
KNOWN_SHARE = 0.5  # of the cycles must have an advance before the hand is judged on it
SETTLED = 0.02  # of the speed: an idle within this of its final level counts as warm
COLD = 0.04  # without a cold start to explain it, a drift must be this large to be a warm-up
FLARE_S = 10.0  # a start's flare is over sooner
SHORT_US = 400_000  # a shorter hold between two moves is no hold


def find_phases(
    cycles: CycleTable, background: Background, engine: EngineCard, duration_us: int
) -> tuple[list[Phase], list[Sweep]]:
    """Divide the capture into phases and find the passes of the hand.

    Parameters
    ----------
    cycles
        Cycles of the whole capture (or of the capture so far).
    background
        Pressure and pulses on a coarse clock.
    engine
        Its ``centrifugal`` curve is taken off the advance before the hand is judged.
    duration_us
        End of the last phase.

    Returns
    -------
    phases : list of Phase
        Half-open, in order, without holes: [0, duration_us).
    sweeps : list of Sweep
        In order of time.
    """
    if duration_us <= 0:
        return [], []
    barometer_kpa, known = _barometer(cycles, background)
    runs = _runs(cycles)
    pieces: list[Phase] = []
    for index, (first, last) in enumerate(runs):
        begin = int(cycles.end_us[runs[index - 1][1] - 1]) if index else 0
        pieces += _between(
            background,
            begin,
            int(cycles.start_us[first]),
            barometer_kpa if known else None,
            ran_before=index > 0,
            runs_after=True,
        )
        pieces += _run(cycles, first, last, engine, barometer_kpa, starts=bool(index) or begin == 0)
    tail = int(cycles.end_us[-1]) if len(cycles) else 0
    pieces += _between(
        background,
        tail,
        duration_us,
        barometer_kpa if known else None,
        ran_before=bool(runs),
        runs_after=False,
    )
    phases = _tidy(pieces, duration_us)
    phases = _warm(phases, cycles)
    return phases, find_sweeps(phases)


def hand_angle(cycles: CycleTable, engine: EngineCard) -> FloatArray:
    """Advance less what the card's centrifugal curve adds at the cycle's speed; deg [n].

    Only an advance from the crank mark holds the weights' part. The speed is the mean of the
    cycle that ends at the spark and of the one that it starts.
    """
    if engine.centrifugal is None or len(cycles) == 0:
        return cycles.advance_deg.copy()
    curve = np.array(engine.centrifugal, dtype=np.float64)
    before = np.concatenate([cycles.rpm[:1], cycles.rpm[:-1]])
    rpm = running_median(0.5 * (before + cycles.rpm), 2)
    added = np.interp(rpm, curve[:, 0], curve[:, 1])
    hand: FloatArray = np.where(
        cycles.advance_from == 1, cycles.advance_deg - added, cycles.advance_deg
    )
    return hand


def _barometer(cycles: CycleTable, background: Background) -> tuple[float, bool]:
    """Ambient pressure as the highest seen level; whether the engine was seen standing."""
    quiet = ~_alive(background) & np.isfinite(background.mean_kpa)
    if quiet.any():
        return float(np.quantile(background.mean_kpa[quiet], 0.9)), True
    finite = cycles.pressure_kpa[np.isfinite(cycles.pressure_kpa)]
    seen = float(finite.max()) if len(finite) else STANDARD_KPA
    # A wide throttle comes within a tenth of ambient; an idle alone tells nothing of it.
    return (seen, False) if seen > 0.75 * STANDARD_KPA else (STANDARD_KPA, False)


def _alive(background: Background) -> NDArray[np.bool_]:
    """Bins near a pulse: the engine turns."""
    pulses = (background.sparks + background.marks) > 0
    reach = round(ALIVE_S * 1e6 / background.bin_us)
    near = np.convolve(pulses.astype(np.int64), np.ones(2 * reach + 1, np.int64))
    alive: NDArray[np.bool_] = near[reach : reach + len(pulses)] > 0
    return alive


def _runs(cycles: CycleTable) -> list[tuple[int, int]]:
    """Rows [first, last) between holes of two seconds and more."""
    n = len(cycles)
    if n == 0:
        return []
    holes = np.flatnonzero(cycles.start_us[1:] - cycles.end_us[:-1] > BREAK_S * 1e6) + 1
    edges = [0, *(int(h) for h in holes), n]
    return list(pairwise(edges))


def _between(
    background: Background,
    begin_us: int,
    end_us: int,
    barometer_kpa: float | None,
    *,
    ran_before: bool,
    runs_after: bool,
) -> list[Phase]:
    """Phases of a stretch without cycles: running down, still, starter; or lost data."""
    if end_us <= begin_us:
        return []
    whole = Phase(kind="running", start_us=begin_us, end_us=end_us)
    width = background.bin_us
    rows = slice(begin_us // width, max(-(-end_us // width), begin_us // width + 1))
    mean = background.mean_kpa[rows]
    if not np.isfinite(mean).any() or barometer_kpa is None:
        return [whole]  # nothing was heard at all, or the engine was never seen standing
    if np.nanmax(mean) < 0.9 * barometer_kpa:
        return [whole]  # the manifold kept its vacuum: the pulses were lost, not the engine
    swing = background.max_kpa[rows] - background.min_kpa[rows]
    pulses = (background.sparks[rows] + background.marks[rows]) > 0
    calm = (np.nan_to_num(mean, nan=0.0) > 0.97 * barometer_kpa) & ~pulses
    if calm.any():
        limit = max(4.0 * float(np.nanmedian(swing[calm])), 0.6)
        calm &= ~(np.nan_to_num(swing, nan=0.0) > limit)
    still = np.flatnonzero(calm)
    if len(still) == 0:
        kind: PhaseKind = "stall" if ran_before and not runs_after else "cranking"
        return [replace(whole, kind=kind)]
    stop = begin_us if not ran_before else int((rows.start + still[0]) * width)
    start = end_us if not runs_after else int((rows.start + still[-1] + 1) * width)
    stop, start = max(begin_us, min(stop, end_us)), max(begin_us, min(start, end_us))
    found = [
        Phase(kind="stall", start_us=begin_us, end_us=stop),
        Phase(kind="still", start_us=stop, end_us=max(start, stop)),
        Phase(kind="cranking", start_us=max(start, stop), end_us=end_us),
    ]
    return [phase for phase in found if phase.end_us > phase.start_us]


def _run(
    cycles: CycleTable,
    first: int,
    last: int,
    engine: EngineCard,
    barometer_kpa: float,
    *,
    starts: bool,
) -> list[Phase]:
    """Phases of one unbroken run of cycles."""
    t_s = cycles.start_us[first:last] / 1e6
    rpm, pressure = cycles.rpm[first:last], _filled(cycles.pressure_kpa[first:last])
    kind = np.full(last - first, "", dtype="<U10")
    _slow(t_s, rpm, cycles.flags[first:last], kind)
    for a, b in spans(kind == ""):
        kind[a:b] = find_excursions(t_s[a:b], rpm[a:b], pressure[a:b], barometer_kpa=barometer_kpa)
    hand = hand_angle(cycles, engine)[first:last]
    pieces: list[Phase] = []
    edges = [0, *(int(k) for k in np.flatnonzero(kind[1:] != kind[:-1]) + 1), len(kind)]
    ends = cycles.end_us[first:last]
    for a, b in pairwise(edges):
        begin_us = int(cycles.start_us[first + a])
        end_us = int(cycles.start_us[first + b]) if b < len(kind) else int(ends[-1])
        if kind[a] == "":
            pieces += _idle(t_s[a:b], rpm[a:b], pressure[a:b], hand[a:b], (begin_us, end_us))
        else:
            pieces.append(Phase(kind=_as_kind(str(kind[a])), start_us=begin_us, end_us=end_us))
    return pieces


def _filled(values: FloatArray) -> FloatArray:
    """The series with holes (cycles without samples) bridged in a straight line."""
    good = np.isfinite(values)
    if good.all() or not good.any():
        return np.nan_to_num(values, nan=STANDARD_KPA / 2.0)
    rows = np.arange(len(values))
    bridged: FloatArray = np.interp(rows, rows[good], values[good])
    return bridged


def _slow(
    t_s: FloatArray, rpm: FloatArray, flags: NDArray[np.uint8], kind: NDArray[np.str_]
) -> None:
    """Mark the starter's turns and the running down, in place.

    Slow turns before the engine fires are the starter's. A slow end of a run is a stall, and
    it begins where the speed left its level for good.
    """
    slow = (rpm < STARTER_RPM) | ((flags & int(CycleFlag.CRANKING)) > 0)
    if slow[0]:
        # The starter stays engaged until the engine runs by itself, which it does at once
        # when it can: the first step above most of the idle speed ends the start.
        catching = min(CATCHING * float(np.median(rpm)), CATCHING_RPM)
        slow[: int(np.argmax(rpm > catching))] = True
    for a, b in spans(slow, bridge=1):
        if b == len(rpm) and a > 0:
            level = float(np.median(rpm[max(0, a - 60) : max(a - 8, 1)]))
            while a > 0 and rpm[a - 1] < 0.85 * level and t_s[b - 1] - t_s[a - 1] < 5.0:
                a -= 1  # noqa: PLW2901
            kind[a:b] = "stall"
        elif b < len(rpm) or b - a >= 3:
            kind[a:b] = "cranking"


def _idle(
    t_s: FloatArray,
    rpm: FloatArray,
    pressure: FloatArray,
    hand: FloatArray,
    span_us: tuple[int, int],
) -> list[Phase]:
    """Holds and moves of one stretch of idling."""
    begin_us, end_us = span_us
    if np.isfinite(hand).mean() < KNOWN_SHARE:
        return _idle_unseen(t_s, rpm, pressure, begin_us, end_us)
    pieces: list[Phase] = []
    at = begin_us
    for move in find_moves(t_s, hand):
        a = min(max(round(move.start_s * 1e6), at), end_us)
        b = min(max(round(move.end_s * 1e6), a), end_us)
        if end_us - b < SHORT_US:
            b = end_us
        if a - at < SHORT_US:
            a = at
        pieces.append(Phase(kind="hold", start_us=at, end_us=a))
        pieces.append(
            Phase(kind="advancing" if move.sign > 0 else "retarding", start_us=a, end_us=b)
        )
        at = b
    pieces.append(Phase(kind="hold", start_us=at, end_us=end_us))
    return [piece for piece in pieces if piece.end_us > piece.start_us]


def _idle_unseen(
    t_s: FloatArray, rpm: FloatArray, pressure: FloatArray, begin_us: int, end_us: int
) -> list[Phase]:
    """Idling with an unknown hand: ``hold`` only where speed and pressure stand still.

    Blocks of 2 s are longer than the idle's own slow swing; a level stretch of 10 s and more
    is a hold.
    """
    block = ((t_s - t_s[0]) / 2.0).astype(np.intp)
    size = np.maximum(np.bincount(block), 1)
    speed, kpa = np.bincount(block, rpm) / size, np.bincount(block, pressure) / size
    centre = np.bincount(block, t_s) / size
    if len(speed) < 5:
        return [Phase(kind="running", start_us=begin_us, end_us=end_us)]
    level = np.ones(len(speed), dtype=bool)
    log_n = 2.0 * float(np.log(max(len(speed), 60)))
    for series, floor in ((speed, 2.0), (kpa, 0.05)):
        sigma = max(bend_sigma(series), robust_sigma(np.diff(series)) / 1.5, floor)
        weight = np.full(len(series), 1.0 / sigma**2)
        segments = split(centre, series, weight, level_price=2 * log_n, line_price=3 * log_n)
        for segment in segments:
            if segment.slope != 0.0 or segment.last - segment.first < 5:
                level[segment.first : segment.last] = False
    pieces: list[Phase] = []
    at = begin_us
    for a, b in spans(level):
        if b - a < 5:
            continue
        start = begin_us if a == 0 else round(float(centre[a]) * 1e6)
        stop = end_us if b == len(level) else round(float(centre[b - 1]) * 1e6)
        pieces.append(Phase(kind="running", start_us=at, end_us=max(start, at)))
        pieces.append(Phase(kind="hold", start_us=max(start, at), end_us=stop))
        at = stop
    pieces.append(Phase(kind="running", start_us=at, end_us=end_us))
    return [piece for piece in pieces if piece.end_us > piece.start_us]


def _as_kind(name: str) -> PhaseKind:
    """A label as the type that the records want."""
    kinds: dict[str, PhaseKind] = {
        "blip": "blip",
        "load": "load",
        "cranking": "cranking",
        "stall": "stall",
    }
    return kinds.get(name, "running")


def _tidy(pieces: Sequence[Phase], duration_us: int) -> list[Phase]:
    """Close holes, join equal neighbours, give scraps at the ends to their neighbour."""
    out: list[Phase] = []
    for piece in pieces:
        start, end = (out[-1].end_us if out else 0), min(piece.end_us, duration_us)
        if end <= start:
            continue
        scrap = piece.kind == "running" and end - start < BREAK_S * 1e6
        if out and (out[-1].kind == piece.kind or scrap):
            out[-1] = replace(out[-1], end_us=end)
        else:
            out.append(replace(piece, start_us=start, end_us=end))
    if not out:
        return [Phase(kind="running", start_us=0, end_us=duration_us)]
    if len(out) > 1 and out[0].kind == "running" and out[0].end_us < BREAK_S * 1e6:
        out[1] = replace(out[1], start_us=0)
        out = out[1:]
    out[-1] = replace(out[-1], end_us=duration_us)
    return out


def _flare(before: Phase, phase: Phase) -> bool:
    """Whether an excursion is the flare of a start."""
    return (
        before.kind == "cranking"
        and phase.kind in ("blip", "running")
        and phase.end_us - phase.start_us < FLARE_S * 1e6
    )


def _warm(phases: list[Phase], cycles: CycleTable) -> list[Phase]:
    """Turn the unsettled start of the first idle into ``warming``.

    The flare of a start goes above idle like a blip; right after the starter it is none.
    """
    phases = [
        replace(phase, kind="warming") if k and _flare(phases[k - 1], phase) else phase
        for k, phase in enumerate(phases)
    ]
    out = list(phases)
    for index, phase in enumerate(phases):
        if phase.kind not in ("hold", "running"):
            continue
        cold = index > 0 and phases[index - 1].kind in ("cranking", "warming")
        if not cold and (index > 0 or phase.kind != "hold"):
            continue
        settled_us = _settled(cycles, phase, SETTLED if cold else COLD)
        if settled_us > phase.start_us:
            at = out.index(phase)
            parts = [
                Phase(kind="warming", start_us=phase.start_us, end_us=settled_us),
                Phase(kind=phase.kind, start_us=settled_us, end_us=phase.end_us),
            ]
            out[at : at + 1] = [part for part in parts if part.end_us > part.start_us]
    return _tidy(out, out[-1].end_us)


def _settled(cycles: CycleTable, phase: Phase, share: float) -> int:
    """When the speed came, for good, within ``share`` of where it ended up."""
    rows = np.flatnonzero((cycles.start_us >= phase.start_us) & (cycles.start_us < phase.end_us))
    if len(rows) < 20:
        return phase.start_us
    rpm = running_median(cycles.rpm[rows], 7)
    final = float(np.median(rpm[-max(len(rpm) // 4, 10) :]))
    wander = robust_sigma(cycles.rpm[rows][-max(len(rpm) // 4, 10) :])
    off = np.flatnonzero(np.abs(rpm - final) > max(share * final, 2.5 * wander))
    if len(off) == 0:
        return phase.start_us
    at = int(cycles.end_us[rows[off[-1]]])
    # A late wander is no warm-up: it must have been off for most of the time before.
    if len(off) < 0.5 * (off[-1] + 1):
        return phase.start_us
    return min(at, phase.end_us)
