"""Where the hand turned the distributor, from the advance of each cycle.

Enters: time and advance of the cycles of one stretch of idling, and what the centrifugal
weights added. Leaves: moves of the hand with refined edges, and sweeps made of them.

What counts as what:

* A *move* goes one way at 0.15 °/s or more and covers 0.7° or more. Slower is creep of the
  clamp or of the sensor; less is noise. Hesitations shorter than 3 s belong to the move.
* A *sweep* is one pass of the hand, from where it starts to where it stops for good or turns
  round. In nudge-and-wait (short steps with waits between) the whole staircase in one
  direction is one sweep; inside it the phases stay what they are, holds and moves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vaclog.analysis.findings import Phase, Sweep
from vaclog.analysis.phases.segments import (
    bend_sigma,
    corner,
    plateau,
    ramp_between_levels,
    robust_sigma,
    running_median,
    split,
    without_outliers,
)
from vaclog.signals.tables import FloatArray

BLOCK_S = 0.5  # a nudge lasts about this long; 3–4 cycles at idle
RATE_MIN_DEG_S = 0.15  # half of the slowest deliberate turn (0.3 °/s)
CREEP_DEG_S, CREEP_DEG = 0.3, 1.2  # slower than that, less than this is creep during a wait
RISE_MIN_DEG = 0.7  # a third of the smallest deliberate nudge (2°), the rest of a staircase
RISE_MIN_SIGMA = 2.0  # in noise of half a second, where that is more
JERK_DEG = 0.6  # a jump back by less is the hand's tremor or backlash
HESITATE_S = 3.0  # half of the shortest deliberate wait (6 s)
REST_S = 0.8  # a shorter rest at the turning point is none
STEP_S, WAIT_S = 4.0, 20.0  # nudge-and-wait: a step and a wait last at most so long
PAUSE_STEP_S, PAUSE_S = 10.0, 5.0  # pause between a step and a turn, and between two turns
TURN_S = 3.0  # a hand that goes back so soon turned round; how long it rested is looked up
SURE_SIGMAS = 4.5  # a short move must stand out by, among hundreds of places where it might be
SPRING_DEG = 1.2  # springing back after a longer move is less
SIGMA_FLOOR_DEG = 0.06  # an angle sensor's own step, even where its reading never flickers


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """The hand goes one way: half-open interval in seconds, signed degrees."""

    start_s: float
    end_s: float
    rise_deg: float

    @property
    def sign(self) -> int:
        """+1 advancing, -1 retarding."""
        return 1 if self.rise_deg > 0 else -1


def find_moves(t_s: FloatArray, hand_deg: FloatArray) -> list[Move]:
    """Moves of the hand within one stretch of unbroken idling.

    Parameters
    ----------
    t_s, hand_deg
        float64 [n]: time of the spark, advance less what the weights add; NaN where unknown.

    Returns
    -------
    list of Move
        In order of time, not overlapping.
    """
    clean = without_outliers(hand_deg)
    if np.isfinite(clean).sum() < 8 or t_s[-1] - t_s[0] < 2.0 * BLOCK_S:
        return []
    edges, sigma = _polyline(t_s, clean)
    groups = _join(_join(edges, JERK_DEG), max(RISE_MIN_DEG, RISE_MIN_SIGMA * sigma))
    return _refine(t_s, clean, _credible(groups, float(t_s[0]), float(t_s[-1]), sigma))


def _credible(moves: list[Move], begin_s: float, end_s: float, sigma: float) -> list[Move]:
    """Drop short moves that noise makes at the ends of a stretch, and springing back.

    A short move is seen only by the levels around it; a small one right after a larger one the
    other way is backlash, or the noise at the turning point.
    """
    kept: list[Move] = []
    for k, move in enumerate(moves):
        before = move.start_s - (moves[k - 1].end_s if k else begin_s)
        after = (moves[k + 1].start_s if k + 1 < len(moves) else end_s) - move.end_s
        small = abs(move.rise_deg)
        blocks = np.maximum(np.array([before, after]) / BLOCK_S, 1.0)
        u_rise = sigma * float(np.sqrt(np.sum(1.0 / blocks)))
        if move.end_s - move.start_s <= 2.0 * BLOCK_S and small < SURE_SIGMAS * u_rise:
            continue
        sides = [moves[k - 1] if k and before < 1.0 else None]
        sides.append(moves[k + 1] if k + 1 < len(moves) and after < 1.0 else None)
        if small < SPRING_DEG and any(
            side is not None and side.sign != move.sign and abs(side.rise_deg) > 2.0 * small
            for side in sides
        ):
            continue
        kept.append(move)
    return kept


def _polyline(t_s: FloatArray, clean: FloatArray) -> tuple[list[Move], float]:
    """The series as joined straight edges (segments, and jumps between), and its noise."""
    block = ((t_s - t_s[0]) / BLOCK_S).astype(np.intp)
    good = np.isfinite(clean)
    size = int(block[-1]) + 1
    count = np.bincount(block[good], minlength=size).astype(np.float64)
    safe = np.maximum(count, 1.0)
    mean = np.bincount(block[good], weights=clean[good], minlength=size) / safe
    centre = np.bincount(block[good], weights=t_s[good], minlength=size) / safe
    keep = count > 0
    mean, centre, count = mean[keep], centre[keep], count[keep]
    # A short stretch has too few blocks to tell their noise, but enough cycles.
    by_cycle = bend_sigma(clean[good]) / float(np.sqrt(np.median(count)))
    sigma = max(bend_sigma(mean) if len(mean) > 30 else 1.3 * by_cycle, SIGMA_FLOOR_DEG)
    weight = count / float(np.median(count)) / sigma**2
    # A level costs its value and its place, a line a slope more (Bayesian information
    # criterion); half as much again, since the angle's noise is not quite white.
    log_n = 1.5 * float(np.log(max(len(mean), 60)))
    segments = split(centre, mean, weight, level_price=2.0 * log_n, line_price=3.0 * log_n)
    edges: list[Move] = []
    for before, after in zip([None, *segments[:-1]], segments, strict=True):
        if before is not None:
            edges.append(
                Move(
                    start_s=float(centre[before.last - 1]),
                    end_s=float(centre[after.first]),
                    rise_deg=after.begin - before.end,
                )
            )
        edges.append(
            Move(
                start_s=float(centre[after.first]),
                end_s=float(centre[after.last - 1]),
                rise_deg=after.end - after.begin,
            )
        )
    return edges, sigma


def _join(edges: Sequence[Move], rise_min_deg: float) -> list[Move]:
    """Join neighbours that go the same way with at most a hesitation between; drop the small."""
    joined: list[Move] = []
    for edge in edges:
        length = edge.end_s - edge.start_s
        rise = abs(edge.rise_deg)
        creeps = rise < CREEP_DEG and rise < CREEP_DEG_S * length
        if length <= 0.0 or creeps or rise < RATE_MIN_DEG_S * length:
            continue
        last = joined[-1] if joined else None
        if last and last.sign == edge.sign and edge.start_s - last.end_s < HESITATE_S:
            joined[-1] = replace(last, end_s=edge.end_s, rise_deg=last.rise_deg + edge.rise_deg)
        else:
            joined.append(edge)
    return [move for move in joined if abs(move.rise_deg) >= rise_min_deg]


def _refine(t_s: FloatArray, clean: FloatArray, moves: list[Move]) -> list[Move]:
    """Put the edges of each move where the cycles say, not where the blocks end."""
    done: list[Move] = []
    for k, move in enumerate(moves):
        floor = done[-1].end_s if done else float(t_s[0])
        after = moves[k + 1] if k + 1 < len(moves) else None
        ceiling = after.start_s if after else float(t_s[-1])
        turned = k > 0 and move.start_s - moves[k - 1].end_s < TURN_S
        turns = after is not None and after.start_s - move.end_s < TURN_S
        wide = min(move.start_s - floor, ceiling - move.end_s) >= 1.0
        if move.end_s - move.start_s <= STEP_S and wide and not (turned or turns):
            start, end = _refine_step(t_s, clean, move, floor, ceiling)
        else:
            start = move.start_s if turned else _start(t_s, clean, move, floor)
            end = move.end_s
            if turns and after is not None:
                end, resumes = _turn_round(t_s, clean, move, after)
                moves[k + 1] = replace(after, start_s=resumes)
            else:
                end = _end(t_s, clean, move, ceiling)
        done.append(replace(move, start_s=start, end_s=max(end, start + 0.1)))
    return done


def _turn_round(t_s: FloatArray, clean: FloatArray, move: Move, after: Move) -> tuple[float, float]:
    """Where the hand stops at its turning point, and where it goes on the other way."""
    first = max(move.start_s, move.end_s - 10.0)
    last = min(after.end_s, after.start_s + 10.0)
    rows = (t_s >= first) & (t_s <= last)
    stops = np.arange(max(first + 0.5, move.end_s - 2.5), min(last, after.start_s + 2.5), 0.2)
    if rows.sum() < 8 or len(stops) == 0:
        middle = 0.5 * (move.end_s + after.start_s)
        return middle, middle
    start, end = plateau(t_s[rows], clean[rows], stops, longest_s=4.0)
    if end - start < REST_S:
        return 0.5 * (start + end), 0.5 * (start + end)
    return start, end


def _refine_step(
    t_s: FloatArray, clean: FloatArray, move: Move, floor: float, ceiling: float
) -> tuple[float, float]:
    """Both edges of a nudge between two levels."""
    reach = 6.0
    rows = (t_s >= max(floor, move.start_s - reach)) & (t_s <= min(ceiling, move.end_s + reach))
    starts = np.arange(max(floor, move.start_s - 1.0), move.end_s, 0.15)
    ends = np.arange(move.start_s + 0.15, min(ceiling, move.end_s + 1.0), 0.15)
    if rows.sum() < 6 or len(ends) == 0:
        return move.start_s, move.end_s
    return ramp_between_levels(t_s[rows], clean[rows], starts, ends)


def _start(t_s: FloatArray, clean: FloatArray, move: Move, floor: float) -> float:
    """Where a long move begins."""
    if move.start_s - floor < 1.0:  # it began before this stretch did
        return floor
    span = min(move.end_s - move.start_s, 12.0)
    rows = (t_s >= max(floor, move.start_s - 12.0)) & (t_s < move.start_s + span)
    grid = np.arange(max(floor, move.start_s - 4.0), move.start_s + min(4.0, span / 2), 0.1)
    at = corner(t_s[rows], clean[rows], grid, level_before=True, level_after=False)
    return _not_before_leaving(t_s, clean, move, at)


def _end(t_s: FloatArray, clean: FloatArray, move: Move, ceiling: float) -> float:
    """Where a long move ends at a level."""
    if ceiling - move.end_s < 1.0:  # it goes on when this stretch ends
        return ceiling
    span = min(move.end_s - move.start_s, 12.0)
    rows = (t_s > move.end_s - span) & (t_s <= min(ceiling, move.end_s + 12.0))
    grid = np.arange(move.end_s - min(4.0, span / 2), min(ceiling, move.end_s + 4.0), 0.1)
    at = corner(t_s[rows], clean[rows], grid, level_before=False, level_after=True)
    flipped = replace(move, start_s=-move.end_s, end_s=-move.start_s, rise_deg=-move.rise_deg)
    return -_not_before_leaving(-t_s[::-1], clean[::-1], flipped, -at)


def _not_before_leaving(t_s: FloatArray, clean: FloatArray, move: Move, at: float) -> float:
    """The corner, unless the angle verifiably stayed at its level for longer.

    A jerky hand starts with a jump: the line through its jumps meets the level before them.
    Only where the noise is small against what the hand does in a second can that be seen.
    """
    still = (t_s >= at - 6.0) & (t_s < at - 0.3) & np.isfinite(clean)
    ahead = (t_s >= at - 0.3) & (t_s < min(move.end_s, at + 6.0)) & np.isfinite(clean)
    if still.sum() < 8 or ahead.sum() < 6:
        return at
    level = float(np.median(clean[still]))
    limit = max(0.4, 2.5 * robust_sigma(clean[still] - level))
    rate = abs(move.rise_deg) / max(move.end_s - move.start_s, 0.1)
    if limit / rate > 1.0:
        return at
    middle = running_median(clean[ahead], 1)
    inside = np.flatnonzero(move.sign * (middle - level) < limit)
    if len(inside) == 0:
        return at
    left_s = float(t_s[ahead][inside[-1]])
    return min(max(at, left_s - limit / rate), float(t_s[ahead][-1]))


def find_sweeps(phases: Sequence[Phase]) -> list[Sweep]:
    """Passes of the hand from the phases ``advancing`` and ``retarding``.

    Neighbouring short steps in one direction, with nothing but holds of at most 20 s between,
    are one pass; so are longer moves with a pause of at most 5 s (10 s beside a step).
    """
    sweeps: list[Sweep] = []
    last: Phase | None = None
    waited = 0
    for phase in phases:
        if phase.kind == "hold":
            waited = phase.end_us - phase.start_us
            continue
        if phase.kind not in ("advancing", "retarding"):
            last, waited = None, 0
            continue
        direction = "advancing" if phase.kind == "advancing" else "retarding"
        if last is not None and last.kind == phase.kind and _same_pass(last, phase, waited / 1e6):
            sweeps[-1] = replace(sweeps[-1], end_us=phase.end_us)
        else:
            sweeps.append(
                Sweep(
                    start_us=phase.start_us,
                    end_us=phase.end_us,
                    direction="advancing" if direction == "advancing" else "retarding",
                )
            )
        last, waited = phase, 0
    return sweeps


def _same_pass(before: Phase, after: Phase, waited_s: float) -> bool:
    """Whether two moves one way are one pass: nudges, or a pause in a jerky turn."""
    short = [_length_s(phase) <= STEP_S for phase in (before, after)]
    longest = WAIT_S if all(short) else PAUSE_STEP_S if any(short) else PAUSE_S
    return waited_s <= longest


def _length_s(phase: Phase) -> float:
    return (phase.end_us - phase.start_us) / 1e6
