"""What the spark pickup is really clamped on: the card is checked against the engine.

Enters: sparks of the first cycles, marks and pressure around them. Leaves: how many sparks a
cycle has, and what speaks for it.

Two things tell it apart from the card: an engine of N cylinders draws N times in 720 degrees,
so the manifold pressure ripples N times a cycle; and a crank mark passes twice a cycle.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

import numpy as np

from vaclog.signals.tables import FloatArray, IntArray
from vaclog.signals.tails import PressureTail, PulseTail
from vaclog.units import rpm_from_cycle_us

LEAST_CYCLES = 8
WANTED_CYCLES = 24
"""As many (declared) cycles are looked at: some three seconds of idle."""

LONGEST_LOOK_US = 8_000_000

# The right ripple is several times as strong as any other order; half of that is asked for.
_CLEAR_RIPPLE = 3.0
_MARK_TOLERANCE = 1.2
_IDLE_TOLERANCE = 1.35  # between the card's idle and what an owner calls idle


class Verdict(Enum):
    """How the card's pickup stands up to the data."""

    AGREES = "agrees"
    UNCHECKED = "unchecked"  # nothing to check it with
    CORRECTED = "corrected"  # two independent signs say otherwise
    DOUBTFUL = "doubtful"  # one sign says otherwise
    MARK_ODD = "mark odd"  # the ripple agrees with the card, the marks do not


@dataclass(frozen=True, slots=True, kw_only=True)
class PickupFinding:
    """The answer.

    Attributes
    ----------
    sparks_per_cycle
        What the cycles are built on.
    declared
        What the card says.
    suspected
        What the doubtful sign says; equal to ``sparks_per_cycle`` unless DOUBTFUL.
    verdict
        How the two compare.
    """

    sparks_per_cycle: int
    declared: int
    suspected: int
    verdict: Verdict


def judge_pickup(
    sparks: IntArray,
    *,
    declared: int,
    cylinders: int,
    idle_rpm: float | None,
    pressure: PressureTail,
    marks: PulseTail,
) -> PickupFinding:
    """Compare the card with the ripple, the marks and the idle speed.

    Parameters
    ----------
    sparks
        int64 [n], consecutive sparks without a break.
    declared
        Sparks per cycle as the card has it.
    cylinders, idle_rpm
        From the engine card.
    pressure, marks
        What was seen around the sparks.
    """
    candidates = sorted({1, 2, cylinders, declared})
    ripple = _by_ripple(sparks, candidates, declared, cylinders, pressure)
    by_marks, any_marks = _by_marks(sparks, candidates, marks)
    interval = float(np.median(np.diff(sparks))) if len(sparks) > 1 else math.nan
    idle = _by_idle(interval, candidates, idle_rpm)

    verdict, other = _weigh(declared, ripple, by_marks, idle, any_marks=any_marks)
    return PickupFinding(
        sparks_per_cycle=other if verdict is Verdict.CORRECTED else declared,
        declared=declared,
        suspected=other,
        verdict=verdict,
    )


def _weigh(
    declared: int, ripple: int | None, by_marks: int | None, idle: int | None, *, any_marks: bool
) -> tuple[Verdict, int]:
    """Verdict, and the sparks per cycle that the signs speak for.

    The marks may be wrong themselves (two teeth, or a mark on the camshaft), and idle may
    not be what is running: two signs must agree to overrule the card.
    """
    signs = [s for s in (ripple, by_marks) if s is not None]
    others = [s for s in signs if s != declared]
    if by_marks == declared or (signs and not others and not any_marks):
        return Verdict.AGREES, declared
    if any_marks and (ripple == declared or (ripple is None and idle == declared)):
        return Verdict.MARK_ODD, declared
    if not others:
        return (Verdict.DOUBTFUL if any_marks else Verdict.UNCHECKED), declared
    for sign in others:
        if [*signs, idle].count(sign) >= 2:
            return Verdict.CORRECTED, sign
    return Verdict.DOUBTFUL, others[0]


def _by_marks(sparks: IntArray, candidates: list[int], marks: PulseTail) -> tuple[int | None, bool]:
    """Sparks per cycle if marks pass twice a cycle, and whether there are marks at all."""
    inside = marks.us[(marks.us >= sparks[0]) & (marks.us < sparks[-1])]
    if len(inside) < 4 or len(sparks) < 4:
        return None, False
    # Spacings rather than counts: a lost mark or spark does not move a median.
    per_cycle = 2.0 * float(np.median(np.diff(inside))) / float(np.median(np.diff(sparks)))
    for candidate in candidates:
        if 1 / _MARK_TOLERANCE < per_cycle / candidate < _MARK_TOLERANCE:
            return candidate, True
    return None, True


def _by_idle(interval_us: float, candidates: list[int], idle_rpm: float | None) -> int | None:
    """Sparks per cycle that make the speed the card's idle."""
    if idle_rpm is None:
        return None
    for candidate in candidates:
        ratio = rpm_from_cycle_us(interval_us * candidate) / idle_rpm
        if 1 / _IDLE_TOLERANCE < ratio < _IDLE_TOLERANCE:
            return candidate
    return None


def _by_ripple(
    sparks: IntArray,
    candidates: list[int],
    declared: int,
    cylinders: int,
    pressure: PressureTail,
) -> int | None:
    """Sparks per cycle that put the strongest ripple at one draw per cylinder; None: unclear."""
    if cylinders == 1 or not len(pressure.us):
        return None
    edges = sparks[::declared]
    orders = {c: cylinders * declared / c for c in candidates}
    whole = {c: round(o) for c, o in orders.items() if abs(o - round(o)) < 1e-9}
    parts = max(3 * max(whole.values()), 24)
    if len(edges) <= LEAST_CYCLES or len(pressure.us) < 2:
        return None
    # Orders beyond what the sampling can show say nothing.
    spacing = float(np.median(np.diff(pressure.us)))
    highest = float(np.median(np.diff(edges))) / spacing / 2.5
    power = ripple_power(pressure, edges, parts)
    seen = {c: float(power[o]) for c, o in whole.items() if o <= highest}
    ranked = sorted(seen, key=lambda c: seen[c], reverse=True)
    if len(ranked) < 2 or seen[ranked[0]] < _CLEAR_RIPPLE * seen[ranked[1]]:
        return None
    return ranked[0]


def ripple_power(pressure: PressureTail, edges: IntArray, parts: int) -> FloatArray:
    """Mean power of each order of the pressure over the cycles between edges.

    Parameters
    ----------
    pressure
        Samples around the edges.
    edges
        int64 [n].
    parts
        In how many equal parts a cycle is cut; orders up to half of that are given.

    Returns
    -------
    float64 [parts // 2 + 1]
    """
    start, duration = edges[:-1], np.diff(edges).astype(float)
    times = start[:, None] + duration[:, None] * (np.arange(parts + 1) / parts)
    counts = pressure.measure(times).counts
    # A steady slope over the cycle would look like a ripple of all orders.
    slope = (counts[:, -1:] - counts[:, :1]) * (np.arange(parts) / parts)
    return np.asarray((np.abs(np.fft.rfft(counts[:, :-1] - slope, axis=1)) ** 2).mean(axis=0))
