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

from vaclog.analysis.signs.chance import FALSE_ALARM, block_error
from vaclog.analysis.signs.evidence import Evidence
from vaclog.analysis.signs.say import common, data, name_of
from vaclog.result import Candidate, Sign
from vaclog.signals.tables import FloatArray

# The least regular drop that the trade speaks of is 1 inHg of a needle (common practice); a third
# of that, for four cylinders. Runners of unequal length and a tee near one of them make up to
# about half of it on sound engines (our own estimate).
LEAST_KPA: Final = 1.0
BLOCK: Final = 10  # cycles; pressure remembers for about seven
LEAST_CYCLES: Final = 60
ONE_SOURCE: Final = 0.85  # of the pattern's power: then one cylinder explains it
# What is left of a puff after one stroke, by the manifold's size against a cylinder's draw.
KEEPS: Final = (0.6, 0.7, 0.8, 0.9)
LATE_STEP: Final = 0.1  # of a stroke: hose, sensor and the way of the gas make it later
LATE_MOST: Final = 0.6
TURN_SHARE: Final = 0.001  # of a turn's time: 3 % of unequal work makes a third of it
WHOLE: Final = 16  # parts of a stroke in which the source is followed


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Where in the cycle the gas comes: place 0 … N-1 after No. 1's spark; how well it fits."""

    place: int
    share: float


def find_beat(evidence: Evidence) -> Sign | None:
    """The regular drop, if there is one."""
    parts = evidence.swing_kpa.shape[1]
    rows = evidence.idling & np.isfinite(evidence.swing_kpa).all(axis=1)
    if not judged(evidence):
        return None
    mean, error = block_error(evidence.swing_kpa[rows], BLOCK)
    worst = int(np.argmax(mean))
    number, u = float(mean[worst]), float(error[worst])
    threshold = max(LEAST_KPA * evidence.size, critical(int(rows.sum()) // BLOCK, parts) * u)
    if number <= threshold:
        return None
    source = locate(mean)
    slot = source.place + 1 if source.share >= ONE_SOURCE else None
    return Sign(
        key="regular-drop",
        text=_fact(evidence, slot),
        number=number,
        u=u,
        unit="kPa",
        threshold=threshold,
        false_alarm=FALSE_ALARM,
        candidates=_candidates(evidence, slot),
        next_look=_next(evidence, slot),
        slot=slot,
        cylinder=_cylinder(evidence, slot),
    )


def judged(evidence: Evidence) -> bool:
    """Whether there is enough idle, and more than one cylinder to compare."""
    rows = evidence.idling & np.isfinite(evidence.swing_kpa).all(axis=1)
    return evidence.swing_kpa.shape[1] > 1 and int(rows.sum()) >= LEAST_CYCLES


def critical(count: int, places: int) -> float:
    """Student's t that the largest of several places passes with the promised probability."""
    from scipy.special import stdtrit

    return float(stdtrit(max(count - 1, 2), 1.0 - FALSE_ALARM / places))


def response(parts: int, keep: float, late: float) -> FloatArray:
    """What gas that comes evenly during one stroke, each cycle, does to each part's mean.

    Parameters
    ----------
    keep
        Share of an excess that is left after one stroke.
    late
        By how much of a stroke it is seen late.

    Returns
    -------
    float64 [parts]
        Place of the source first; sum 0.
    """
    fine = parts * WHOLE
    flow = np.zeros(fine)
    flow[:WHOLE] = 1.0 / WHOLE
    decay = keep ** (1.0 / WHOLE)
    # Steady state of x[k] = decay x[k-1] + flow[k] around the cycle.
    x, level = np.empty(fine), 0.0
    for _ in range(2):
        for k in range(fine):
            level = decay * level + flow[k]
            x[k] = level
        level /= 1.0 - decay**fine if _ == 0 else 1.0
    x = np.roll(x, round(late * WHOLE))
    means = x.reshape(parts, WHOLE).mean(axis=1)
    return np.asarray(means - means.mean())


def locate(pattern_kpa: FloatArray) -> Source:
    """The place whose single source explains a pattern best."""
    parts = len(pattern_kpa)
    pattern = pattern_kpa - pattern_kpa.mean()
    power = float(pattern @ pattern)
    best = Source(place=0, share=0.0)
    for keep in KEEPS:
        for late in np.arange(0.0, LATE_MOST + 1e-9, LATE_STEP).tolist():
            shape = response(parts, keep, late)
            norm = float(shape @ shape)
            for place in range(parts):
                along = float(pattern @ np.roll(shape, place))
                share = along * along / (norm * power) if along > 0 and power > 0 else 0.0
                if share > best.share + 1e-9:
                    best = Source(place=place, share=share)
    return best


def _cylinder(evidence: Evidence, slot: int | None) -> int | None:
    order = evidence.case.engine.firing_order
    return None if slot is None or order is None or slot > len(order) else order[slot - 1]


def _fact(evidence: Evidence, slot: int | None) -> str:
    if slot is None:
        return (
            "The vacuum falls and recovers in the same pattern each cycle, but no single cylinder "
            "explains that pattern"
        )
    return (
        "The vacuum drops once each cycle, always at the same place: while "
        f"{name_of(evidence, slot)} compresses and burns"
    )


def _candidates(evidence: Evidence, slot: int | None) -> tuple[Candidate, ...]:
    if slot is None:
        return (
            data("several cylinders that draw unequally: inlet leaks at a port, valve clearances"),
            common("a tee or hose nearer to one branch than to the others, which is harmless"),
        )
    blower = name_of(evidence, slot)
    drawer = name_of(evidence, _opposite(evidence, slot))
    found = [
        data(f"an inlet valve of {blower} that does not seal and blows back"),
        data(
            f"{drawer}, which should draw just then, draws less: burned exhaust valve, valve "
            "clearance, worn cam"
        ),
        common(f"a leak at the port gasket of {drawer}"),
        common(f"a head gasket that leaks at {blower}"),
    ]
    missing = evidence.case.misfire.slot
    if missing == _opposite(evidence, slot):
        found[0], found[1] = found[1], found[0]
    if missing > 0:
        found.append(data(f"the misfires are always those of {name_of(evidence, missing)}"))
    return tuple(found)


def _opposite(evidence: Evidence, slot: int) -> int:
    parts = int(evidence.swing_kpa.shape[1])
    return (slot - 1 + parts // 2) % parts + 1


def _next(evidence: Evidence, slot: int | None) -> str:
    if slot is None:
        return "Check the valve clearances, then compression, cylinder by cylinder."
    blower, drawer = name_of(evidence, slot), name_of(evidence, _opposite(evidence, slot))
    return (
        f"Check the valve clearances of {blower} and {drawer}, then their compression; a little "
        "oil in the bore tells rings from valves."
    )


def turn_difference(evidence: Evidence) -> float:
    """Relative difference of the two turns of a cycle at idle; NaN without a crank mark."""
    turns = evidence.case.cycles.turn_us[evidence.idling]
    turns = turns[np.isfinite(turns).all(axis=1)]
    if len(turns) < LEAST_CYCLES:
        return float("nan")
    return float(np.median((turns[:, 0] - turns[:, 1]) / turns.sum(axis=1)))
