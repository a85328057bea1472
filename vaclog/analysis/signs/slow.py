"""Slow drift of an idle that nobody touches.

Enters: the evidence. Leaves: a sign or None.

Behind a choked throttle the product of pressure and speed is the air that comes in. If it stays
while pressure rises, the engine pulls worse; if it grows, more air comes in. Where the crank mark
shows the advance, a drift of that comes before either.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from vaclog.analysis.signs.chance import FALSE_ALARM, Line, blocks, slope
from vaclog.analysis.signs.evidence import Evidence
from vaclog.analysis.signs.say import common, data
from vaclog.result import Candidate, Sign
from vaclog.signals.tables import FloatArray, IntArray

BLOCK_S: Final = 4.0  # several times the second that idle remembers
SAME_DEG: Final = 1.0  # holds within so much are holds at one setting
LEAST_SPAN_S: Final = 30.0
# A third of an inch of mercury a minute. A warm engine with its small ordinary drift of friction
# and air stays below a third of that (simulated); no figure of the trade is known.
LEAST_KPA_MIN: Final = 1.0
LEAST_CHANGE_KPA: Final = 0.7  # over the whole span: what a needle can show
LEAST_DEG_MIN: Final = 0.5
HALF: Final = 0.5


def find_drift(evidence: Evidence) -> Sign | None:
    """Slow drift of pressure at settings that were not changed."""
    table = settings(evidence)
    line = slope(table[0], table[1][:, 0], table[2]) if table is not None else None
    if table is None or line is None:
        return None
    at_s, values, group = table
    span_s = _longest(at_s, group)
    number, u = 60.0 * line.slope, 60.0 * line.u
    threshold = max(LEAST_KPA_MIN, 60.0 * LEAST_CHANGE_KPA / span_s)
    if line.p >= FALSE_ALARM or abs(number) < threshold:
        return None
    return Sign(
        key="drift",
        text="At a setting that nobody touched the vacuum slowly "
        + ("falls" if number > 0 else "rises"),
        number=abs(number),
        u=u,
        unit="kPa/min",
        threshold=threshold,
        false_alarm=FALSE_ALARM,
        candidates=_candidates(at_s, values, group, line),
        next_look="Let it idle five minutes more and look whether it goes on; if so, look at the "
        "mixture, then at the points.",
    )


def judged(evidence: Evidence) -> bool:
    """Whether holds at one setting reach far enough in time."""
    return settings(evidence) is not None


def settings(evidence: Evidence) -> tuple[FloatArray, FloatArray, IntArray] | None:
    """What the holds show over time, by settings.

    Returns
    -------
    at_s : float64 [b]
    values : float64 [b, 4]
        Block means of pressure (kPa), logs of pressure and speed, advance (deg).
    setting : int64 [b]
        The same number for holds at the same advance. None altogether where no setting is seen
        over long enough a time.
    """
    cycles = evidence.case.cycles
    columns = np.stack(
        [
            cycles.pressure_kpa,
            np.log(cycles.pressure_kpa),
            np.log(cycles.rpm),
            cycles.advance_deg,
        ],
        axis=1,
    )
    known: list[float] = []
    parts = []
    for first, last in evidence.holds:
        rows = np.arange(first, last)
        rows = rows[np.isfinite(columns[rows, :3]).all(axis=1)]
        at_s, means = blocks(evidence.time_s[rows], columns[rows], BLOCK_S)
        if len(at_s):
            here = float(np.nanmedian(columns[rows, 3])) if _any(columns[rows, 3]) else np.nan
            parts.append((at_s, means, _setting(known, here)))
    if not parts:
        return None
    at = np.concatenate([part[0] for part in parts])
    values = np.concatenate([part[1] for part in parts])
    group = np.concatenate([np.full(len(part[0]), part[2]) for part in parts])
    if _longest(at, group) < LEAST_SPAN_S or len(at) < len(set(group.tolist())) + 4:
        return None
    order = np.lexsort((at, group))
    return at[order], values[order], group[order]


def _any(values: FloatArray) -> bool:
    return bool(np.isfinite(values).any())


def _setting(known: list[float], here_deg: float) -> int:
    """Number of the setting that this one equals; a new one where none does or none is known."""
    for number, there_deg in enumerate(known):
        if abs(there_deg - here_deg) < SAME_DEG:
            return number
    known.append(here_deg)
    return len(known) - 1


def _longest(at_s: FloatArray, group: IntArray) -> float:
    return max(float(np.ptp(at_s[group == each])) for each in set(group.tolist()))


def _candidates(
    at_s: FloatArray, values: FloatArray, group: IntArray, line: Line
) -> tuple[Candidate, ...]:
    per_kpa = slope(at_s, values[:, 1], group)
    per_rpm = slope(at_s, values[:, 2], group)
    found: list[Candidate] = []
    if np.isfinite(values[:, 3]).all():
        timing = slope(at_s, values[:, 3], group)
        if timing and timing.p < FALSE_ALARM and abs(60.0 * timing.slope) > LEAST_DEG_MIN:
            way = "retards" if timing.slope < 0 else "advances"
            found.append(
                data(
                    f"the timing itself moves: it {way} meanwhile; clamp, points, their cam's wear"
                )
            )
    if per_kpa is None or per_rpm is None:
        return tuple(found)
    air, u_air = per_kpa.slope + per_rpm.slope, float(np.hypot(per_kpa.u, per_rpm.u))
    more_air = abs(air) > HALF * abs(per_kpa.slope) and abs(air) > 2.0 * u_air
    worse = line.slope > 0
    if more_air and air > 0 and worse:
        found += [
            data(
                "more air comes in: speed rises as well; an idle screw, choke or cable that moves"
            ),
            common("an air leak that opens with warmth"),
        ]
    elif more_air and not worse:
        found += [
            data("less air comes in: speed falls as well; a throttle or choke that still closes"),
            common("ice or a flap in the intake"),
        ]
    elif worse:
        found += [
            data("the engine pulls worse for the same air: speed falls as the vacuum does"),
            common("mixture that runs rich or weak, a float or choke"),
            common("plugs that foul, too small a gap"),
            common("points: heat, or a gap that closes"),
        ]
    else:
        found += [
            data("the engine pulls better for the same air: it was not warm yet"),
            common("mixture that clears"),
        ]
    return tuple(found)
