"""Drops now and then: single strokes that put gas into the manifold.

Enters: the evidence. Leaves: a sign or None.

A valve that stays open for once fills the manifold within one stroke, and the other cylinders
need several to draw that off. A lost spark does not: it only slows the engine, and pressure
follows over a second. So the sudden step tells one from the other.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from vaclog.analysis.phases.segments import robust_sigma
from vaclog.analysis.signs.chance import FALSE_ALARM
from vaclog.analysis.signs.evidence import Evidence
from vaclog.analysis.signs.say import common, cylinder_of, data, name_of, told_place
from vaclog.result import Candidate, Sign
from vaclog.signals.tables import FloatArray, IntArray

# The least occasional drop of the trade is 3 inHg of a needle that smooths (common practice);
# a stroke that is seen singly shows more of it: a tenth of that, for four cylinders.
LEAST_KPA: Final = 1.0
SIGMAS: Final = 7.0  # of the ordinary scatter of strokes, which is nearly normal
LASTS: Final = 0.35  # of the step must be left one stroke later: a spike of the wire is not
LEAST_EVENTS: Final = 3
LEAST_CYCLES: Final = 120
SAME: Final = 0.75  # of the events at one place
BEFORE: Final = 3  # strokes before the largest at which an event may have begun
STARTED: Final = 0.1  # of its height
SURE: Final = 4.0  # standard errors
SWEPT_DEG: Final = 5.0  # of advance, before more or less of it can have a part


def find_drops(evidence: Evidence) -> Sign | None:
    """Sudden single drops, if there are enough of them to be no accident."""
    if not judged(evidence):
        return None
    rows, places, heights, _ = events(evidence)
    if len(rows) < LEAST_EVENTS:
        return None
    cycles = int(evidence.idling.sum())
    rate = 1e3 * len(rows) / cycles
    slot = _same_place(evidence, rows, places)
    return Sign(
        key="occasional-drops",
        text=_fact(evidence, rows, slot),
        number=rate,
        u=1e3 * float(np.sqrt(len(rows))) / cycles,
        unit="per 1000",
        threshold=1e3 * LEAST_EVENTS / cycles,
        false_alarm=FALSE_ALARM,
        candidates=_candidates(evidence, rows, slot),
        next_look=_next(slot),
        at_s=float(evidence.time_s[rows[int(np.argmax(heights))]]),
        slot=told_place(evidence, slot),
        cylinder=cylinder_of(evidence, told_place(evidence, slot)),
    )


def judged(evidence: Evidence) -> bool:
    """Whether there is enough idle to see something occasional."""
    return evidence.swing_kpa.shape[1] > 1 and int(evidence.idling.sum()) >= LEAST_CYCLES


def events(evidence: Evidence) -> tuple[IntArray, IntArray, FloatArray, float]:
    """Cycles, places (0 is the stroke of No. 1) and heights of sudden rises of pressure.

    Returns
    -------
    rows, places : int64 [k]
    heights_kpa : float64 [k]
    threshold_kpa : float
    """
    parts = evidence.swing_kpa.shape[1]
    rest = evidence.swing_kpa - evidence.beat_kpa
    rest[~evidence.idling] = np.nan
    flat = rest.ravel()
    step = np.diff(flat, prepend=np.nan)
    scale = robust_sigma(step)
    threshold = max(LEAST_KPA * evidence.size, SIGMAS * scale)
    level = np.concatenate([flat[1:], [np.nan]])  # one stroke later
    before = np.concatenate([[np.nan], flat[:-1]])
    rise = flat - before
    with np.errstate(invalid="ignore"):
        # Gas that comes in the second half of a stroke is mostly seen in the next.
        rise2 = level - before
        best = np.fmax(rise, rise2)
        after = np.concatenate([flat[2:], [np.nan, np.nan]])
        lasting = np.where(rise2 > rise, after, level) - before > LASTS * best
        over = (best > threshold) & lasting
    at: list[int] = []
    for k in np.flatnonzero(over).tolist():
        if at and k - at[-1] < parts:
            if best[k] > best[at[-1]]:
                at[-1] = k
        else:
            at.append(k)
    where = np.array(at, dtype=np.int64)
    return where // parts, where % parts, best[where], threshold


def _same_place(evidence: Evidence, rows: IntArray, places: IntArray) -> int | None:
    """The firing place that most events share, by where the mean of them starts; else None.

    A gas that comes over a third of a turn is largest a stroke or two after its start, which with
    many cylinders is another place. So the events are laid over each other, and the start is where
    their mean first leaves the level.
    """
    parts = int(evidence.swing_kpa.shape[1])
    count = np.bincount(places, minlength=parts)
    near = count + np.roll(count, -1)  # place k and k + 1
    best = int(np.argmax(near + 1e-3 * count))
    if near[best] < max(SAME * len(places), LEAST_EVENTS):
        return None
    same = (places - best) % parts <= 1
    # The pressure itself: the swing sinks before an event, whose mean looks ahead.
    flat = (evidence.case.cycles.slot_kpa - evidence.beat_kpa).ravel()
    # All windows begin at the same place of the cycle, BEFORE strokes before the best one.
    first = rows[same] * parts + places[same] - (places[same] - best) % parts - BEFORE
    first = first[(first >= 0) & (first + parts < len(flat))]
    if not len(first):
        return best + 1
    mean = np.nanmedian(flat[first[:, None] + np.arange(BEFORE + 2)[None, :]], axis=0)
    above = np.flatnonzero(mean - mean[0] > STARTED * (mean.max() - mean[0]))
    return (best + (int(above[0]) if len(above) else BEFORE) - BEFORE) % parts + 1


def dip(evidence: Evidence, rows: IntArray) -> tuple[float, float]:
    """Change of speed over the events, relative, and how many standard errors that is.

    The two cycles after an event against the two before it, averaged over the events, against the
    same difference where nothing happened: far surer than to ask of each event whether it misfired.
    """
    rpm = evidence.case.cycles.rpm
    step = np.full(len(rpm), np.nan)
    step[2:-2] = np.log((rpm[3:-1] + rpm[4:]) / (rpm[1:-3] + rpm[:-4]))
    step[~evidence.idling] = np.nan
    here = step[rows]
    here = here[np.isfinite(here)]
    calm = np.delete(step, rows)
    scale = robust_sigma(calm)
    if len(here) < LEAST_EVENTS or not scale > 0:
        return float("nan"), 0.0
    change = float(here.mean() - np.nanmedian(calm))
    return change, change / scale * float(np.sqrt(len(here)))


def more_advance(evidence: Evidence, rows: IntArray) -> float:
    """Probability by chance that the events lie at so much more advance than the idle; else 1."""
    from scipy.stats import mannwhitneyu

    advance = evidence.case.cycles.advance_deg
    others = evidence.idling.copy()
    others[rows] = False
    here, there = advance[rows], advance[others]
    here, there = here[np.isfinite(here)], there[np.isfinite(there)]
    if len(here) < LEAST_EVENTS or len(there) < LEAST_CYCLES or np.ptp(there) < SWEPT_DEG:
        return 1.0
    return float(mannwhitneyu(here, there, alternative="greater").pvalue)


def _fact(evidence: Evidence, rows: IntArray, slot: int | None) -> str:
    where = "at any place of the cycle"
    if slot is not None:
        where = f"always while {name_of(evidence, slot)} compresses and burns"
    _, sure = dip(evidence, rows)
    beside = ", and speed dips with it" if sure < -SURE else ""
    return f"Now and then the vacuum drops within a single stroke, {where}{beside}"


def _candidates(evidence: Evidence, rows: IntArray, slot: int | None) -> tuple[Candidate, ...]:
    found = []
    if slot is not None:
        who = name_of(evidence, slot)
        found += [
            data(f"an inlet valve of {who} that sticks open now and then"),
            common(f"a weak or broken valve spring of {who}"),
        ]
    else:
        found += [
            data("no single valve, for it comes at any cylinder: a weak mixture that spits back"),
            common("valves that stick for want of oil or use"),
        ]
    if dip(evidence, rows)[1] < -SURE:
        found.append(data("less likely the spark: a lost stroke alone makes no sudden drop"))
    if more_advance(evidence, rows) < FALSE_ALARM:
        found.insert(1, data("too much advance has a part in it: it comes more often there"))
    return tuple(found)


def _next(slot: int | None) -> str:
    if slot is None:
        return "Look at the mixture first; then a little oil through the carburettor."
    return "A little penetrating oil on that valve's stem with the cover off, and listen again."
