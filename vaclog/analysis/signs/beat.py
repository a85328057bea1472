"""A drop at every cycle's same place: one cylinder that treats the manifold unlike the others.

Enters: the evidence. Leaves: a sign or None.

The pattern that repeats each cycle is compared with what one source of gas, at one place of the
cycle, would do to the manifold: it rises while the source flows and falls back as all cylinders
draw. Gas comes either from the cylinder that compresses and burns there (its inlet does not
seal), or is what the cylinder half a cycle away, which should draw there, leaves.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from vaclog.analysis.misfire.features import features
from vaclog.analysis.signs.chance import FALSE_ALARM, block_error
from vaclog.analysis.signs.evidence import Evidence
from vaclog.analysis.signs.say import common, cylinder_of, data, name_of, told_place
from vaclog.result import Candidate, Sign
from vaclog.signals.tables import FloatArray

# The least regular drop that the trade speaks of is 1 inHg of a needle (common practice); a fifth
# of that, for four cylinders. Sound engines whose cylinders draw within 2 % of each other made at
# most 0.15 (simulated); runners of unequal length and a tee near one of them add to that (guess).
LEAST_KPA: Final = 0.7
BLOCK: Final = 10  # cycles; pressure remembers for about seven
LEAST_CYCLES: Final = 60
ONE_SOURCE: Final = 0.85  # of the pattern's power: then one cylinder explains it
# What is left of a puff after one stroke, by the manifold's size against a cylinder's draw.
KEEPS: Final = (0.6, 0.7, 0.8, 0.9)
# How long the gas comes: a stroke of intake, or compression and burning behind a leaking valve.
LONG_DEG: Final = (150.0, 190.0, 230.0)
TURN_SHARE: Final = 0.001  # of a turn's time: 3 % of unequal work makes a third of it
LATE: Final = 0.85  # of a part: a hose or sensor with a lag would put the source one part later
TURN_CLEAR: Final = 0.1  # of the most, 0.25: a stroke in the middle tells nothing
TORQUE_DEG: Final = 50.0  # after its top, where a stroke's torque acts on the mean
WHOLE: Final = 16  # parts of a stroke in which the source is followed


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Where in the cycle the gas comes.

    Attributes
    ----------
    place
        Part of the cycle, 0 is the one that No. 1's spark starts.
    into
        How far into that part it starts, 0 … 1.
    share
        Of the pattern's power that it explains.
    """

    place: int
    into: float
    share: float


def find_beat(evidence: Evidence) -> Sign | None:
    """The regular drop, if there is one."""
    parts = evidence.swing_kpa.shape[1]
    if not judged(evidence):
        return None
    mean, error, count = pattern(evidence)
    worst = int(np.argmax(mean))
    number, u = float(mean[worst]), float(error[worst])
    threshold = max(LEAST_KPA * evidence.size, critical(count, parts) * u)
    if number <= threshold:
        return None
    source = locate(mean)
    told = parts > 2 and source.share >= ONE_SOURCE  # two cylinders give one number, and no place
    slot = source.place + 1 if told else None
    return Sign(
        key="regular-drop",
        text=_fact(evidence, slot, source),
        number=number,
        u=u,
        unit="kPa",
        threshold=threshold,
        false_alarm=FALSE_ALARM,
        candidates=_candidates(evidence, slot),
        next_look=_next(evidence, slot),
        slot=told_place(evidence, slot),
        cylinder=cylinder_of(evidence, told_place(evidence, slot)),
    )


def pattern(evidence: Evidence) -> tuple[FloatArray, FloatArray, int]:
    """Mean of what repeats each idle cycle, its standard error, and the blocks they rest on."""
    rows = evidence.idling & np.isfinite(evidence.swing_kpa).all(axis=1)
    mean, error = block_error(evidence.swing_kpa[rows], BLOCK)
    return mean, error, int(rows.sum()) // BLOCK


def judged(evidence: Evidence) -> bool:
    """Whether there is enough idle, and more than one cylinder to compare."""
    rows = evidence.idling & np.isfinite(evidence.swing_kpa).all(axis=1)
    return evidence.swing_kpa.shape[1] > 1 and int(rows.sum()) >= LEAST_CYCLES


def critical(count: int, places: int) -> float:
    """Student's t that the largest of several places passes with the promised probability."""
    from scipy.special import stdtrit

    return float(stdtrit(max(count - 1, 2), 1.0 - FALSE_ALARM / places))


def response(parts: int, keep: float, long_deg: float) -> FloatArray:
    """What gas that comes evenly over some degrees, each cycle, does to each part's mean.

    Parameters
    ----------
    keep
        Share of an excess that is left after one stroke.
    long_deg
        How long it comes.

    Returns
    -------
    float64 [parts * WHOLE, parts]
        One row for each start of the source, in steps of a ``WHOLE``-th of a part from the
        cycle's start on; each of sum 0 and length 1.
    """
    fine = parts * WHOLE
    flow = (np.arange(fine) < round(long_deg / 720.0 * fine)).astype(np.float64)
    decay = keep ** (1.0 / WHOLE)
    # What repeats each cycle: the sum over all earlier cycles is a geometric series.
    fading = decay ** np.arange(fine) / (1.0 - decay**fine)
    level = np.fft.irfft(np.fft.rfft(flow) * np.fft.rfft(fading), fine)
    running = np.convolve(np.concatenate([level, level[: WHOLE - 1]]), np.ones(WHOLE), "valid")
    at = (np.arange(parts)[None, :] * WHOLE - np.arange(fine)[:, None]) % fine
    shapes = running[at]
    shapes -= shapes.mean(axis=1, keepdims=True)
    return np.asarray(shapes / np.linalg.norm(shapes, axis=1, keepdims=True))


def locate(pattern_kpa: FloatArray) -> Source:
    """The single source that explains a pattern best."""
    parts = len(pattern_kpa)
    pattern = pattern_kpa - pattern_kpa.mean()
    power = float(pattern @ pattern)
    best = Source(place=0, into=0.0, share=0.0)
    if not power > 0.0:
        return best
    for keep in KEEPS:
        for long_deg in LONG_DEG:
            along = np.maximum(response(parts, keep, long_deg) @ pattern, 0.0)
            start = int(np.argmax(along))
            share = float(along[start] ** 2 / power)
            if share > best.share:
                into = (start % WHOLE) / WHOLE
                best = Source(place=start // WHOLE, into=into, share=share)
    return best


def _fact(evidence: Evidence, slot: int | None, source: Source) -> str:
    if evidence.swing_kpa.shape[1] == 2:
        return "The vacuum falls once each cycle; of two cylinders it cannot be told which"
    if slot is None:
        return (
            "The vacuum falls and recovers in the same pattern each cycle, but no single cylinder "
            "explains that pattern"
        )
    late = ""
    if source.into > LATE:
        late = " (behind a long hose: the one that fires before it)"
    return (
        "The vacuum drops once each cycle, always at the same place: while "
        f"{name_of(evidence, slot)} compresses and burns{late}"
    )


def _candidates(evidence: Evidence, slot: int | None) -> tuple[Candidate, ...]:
    if slot is None:
        return (
            data("several cylinders that draw unequally: inlet leaks at a port, valve clearances"),
            common("a tee or hose nearer to one branch than to the others, which is harmless"),
        )
    if evidence.case.rig.spark.pickup != "no1":
        who = name_of(evidence, slot)
        return (
            data(f"an inlet valve of {who} that does not seal, or one of them that draws less"),
            common("a leak at a port gasket there, or a head gasket"),
        )
    other = _opposite(evidence, slot)
    blower, drawer = name_of(evidence, slot), name_of(evidence, other)
    blows = f"an inlet valve of {blower} that does not seal and blows back"
    lacks = (
        f"{drawer}, which should draw just then, draws less: burned exhaust valve, valve "
        "clearance, worn cam"
    )
    weak = weaker(evidence, slot, other)
    gasket = common(f"a leak at the port gasket of {drawer}")
    head = common(f"a head gasket that leaks at {blower}")
    if weak is None:
        either = " (its place says this or the next, not which of the two)"
        return (data(blows + either), data(lacks), gasket, head)
    why = f"; {name_of(evidence, weak)} is also the one that pulls less, by the speed of its turn"
    if weak == slot:
        return (data(blows + why), head, data(lacks), gasket)
    return (data(lacks + why), gasket, data(blows), head)


def _opposite(evidence: Evidence, slot: int) -> int:
    parts = int(evidence.swing_kpa.shape[1])
    return (slot - 1 + (parts + 1) // 2) % parts + 1


def _next(evidence: Evidence, slot: int | None) -> str:
    if slot is None or evidence.case.rig.spark.pickup != "no1":
        return "Check the valve clearances, then compression, cylinder by cylinder."
    blower, drawer = name_of(evidence, slot), name_of(evidence, _opposite(evidence, slot))
    return (
        f"Check the valve clearances of {blower} and {drawer}, then their compression; a little "
        "oil in the bore tells rings from valves."
    )


def weaker(evidence: Evidence, one: int, other: int) -> int | None:
    """Which of two places a turn apart pulls less, by the two turns of the cycle; None: unknown.

    A stroke that lacks work lowers the speed at once, and the others raise it again over the rest
    of the cycle. So the turn that follows its top is the slower one. Where a misfire was always
    that of one place, that decides.
    """
    if evidence.swing_kpa.shape[1] % 2:
        return None  # the two are no turn apart
    if evidence.case.misfire.slot in (one, other):
        return evidence.case.misfire.slot
    difference = turn_difference(evidence)
    share = sawtooth(evidence, one)
    if not abs(difference) > TURN_SHARE or abs(share) < TURN_CLEAR:
        return None
    return one if difference * share > 0 else other


def turn_difference(evidence: Evidence) -> float:
    """First turn less second, as a share of both, at idle; NaN without a crank mark."""
    turns = evidence.case.cycles.turn_us[evidence.idling]
    turns = turns[np.isfinite(turns).all(axis=1)]
    if len(turns) < LEAST_CYCLES:
        return float("nan")
    return float(np.median((turns[:, 0] - turns[:, 1]) / turns.sum(axis=1)))


def sawtooth(evidence: Evidence, slot: int) -> float:
    """Length of the first turn less the second for a drop of speed by 1 at a place's stroke."""
    cycles = evidence.case.cycles
    seen = features(cycles, evidence.idling)
    parts = evidence.swing_kpa.shape[1]
    stroke_deg = (slot - 1) * 720.0 / parts + seen.advance_deg + TORQUE_DEG
    at_deg = seen.offset_turns * 360.0 + np.arange(0.5, 720.0)
    speed = ((at_deg - stroke_deg) / 720.0) % 1.0 - 0.5
    return float(speed[360:].mean() - speed[:360].mean())
