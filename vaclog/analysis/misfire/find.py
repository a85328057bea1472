"""Misfires: which cycles, how often, from which advance on, always the same beat or any.

Enters: the cycles that idle, and the engine card. Leaves: a :class:`MisfireFinding`.

The score comes from :mod:`vaclog.analysis.misfire.stumble`. The threshold is set here, for at
most one false alarm in ten minutes; where the events themselves show how deep a lost stroke is,
half of that depth is asked for as well, so that weak strokes are not taken for lost ones. Where
lost strokes do not stand out of the scatter, single events are not reported: the rate is then
read from the shape of the distribution of scores.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vaclog.analysis.findings import MisfireFinding
from vaclog.analysis.misfire.bulk import RateLaw, ScoreLaw, fit_law, fit_rate
from vaclog.analysis.misfire.crowd import Crowd, decode, restless
from vaclog.analysis.misfire.onset import onset_deg
from vaclog.analysis.misfire.stumble import Scores, echoes, peel, score
from vaclog.cards import EngineCard
from vaclog.signals.tables import CycleTable, FloatArray, IntArray

FALSE_PER_10_MIN = 1.0  # what is promised ...
# ... and what the law is asked for: its tail, learnt from the bulk, is a little short, and where
# one in ten minutes was asked, two to three came (tests/bench/misfire_bench.py).
ASKED_PER_10_MIN = 0.25
# In standard deviations of ordinary scatter: once in some hours by chance. Engines with a long
# tail of weak strokes pass it more often, so that who stops for it asks for a change of rate.
PLAIN_THRESHOLD = 5.0
PEEL_DOWN_TO = 3.0  # sigmas; lower events do not disturb their neighbours enough to matter
DEPTH_SHARE = 0.5  # of a lost stroke's depth: half way between an ordinary stroke and none
DEPTH_MOST = 1.25  # of the threshold for false alarms
CLEAR = 1.0  # events whose mean is so far above the threshold do not drown
DROWNED_SHARE = 0.4  # of lost strokes below the threshold: from here on only the rate is told
EVENT_SPREAD = 1.2  # of an event's score: by the other strokes of its turn, and its own charge
# Log units; two more numbers, and tails that are never quite as modelled: captures without a
# misfire came up to 11, those with twenty in a thousand from 28 on.
RATE_EVIDENCE = 11.5
# Skewness of the single scores above which weak strokes cannot be told from drowned lost ones.
SKEWED = 0.10
# A bulk that leans the other way is not one of weak and strong strokes: a bump beside it only
# mends its shape, as on the steep side of a hill, and is no rate (real ones gave above -0.03).
LEANING = -0.05
# Single misfires from which on they may hide others, and the separation from which on a crowded
# cycle is named: below, every fifth named one would be its neighbour.
SOME_SHARE, SURE_SINGLES = 0.02, 3.0
DEEP = 6.0  # score of an event that stands clear of any bulk
# Cycles around deep events that are left aside, and the share of cycles that must remain.
NEIGHBOURS = ((30, 0.4), (12, 0.4), (6, 0.2))
# How far the shapes are trusted to tell one place from the next: the torque's place is known to
# some 15°, a small part of a turn but, with one speed per cycle, no small part of the effect.
TRUST_TURNS, TRUST_CYCLES = 0.5, 0.15
SURE = 3.0  # log units, odds of 20 to 1


def find_misfires(cycles: CycleTable, use: NDArray[np.bool_], engine: EngineCard) -> MisfireFinding:
    """Find the cycles that lost a power stroke.

    Parameters
    ----------
    cycles
        The table.
    use
        bool [n]: cycles that idle with the throttle untouched.
    engine
        Its number of cylinders.

    Returns
    -------
    MisfireFinding
        Place 1 is the stroke of No. 1 itself, whose spark starts the cycle.
    """
    scores = score(cycles, use, engine.cylinders) if len(cycles) else None
    if scores is None:
        return _nothing()
    known = np.isfinite(scores.z[:, 0])
    judged = int(known.sum())
    per_10_min = 600.0 / scores.features.cycle_s
    events, best = peel(scores, PEEL_DOWN_TO)
    learnt = _law_rows(known, events)
    law = fit_law(best[learnt])
    deep = np.isin(np.arange(len(known)), [row for row, _, z in events if z > DEEP])
    threshold = max(
        false_alarm_threshold(law, per_10_min),
        mirrored_threshold(scores.z[learnt & ~deep], per_10_min),
    )
    kept = [event for event in events if event[2] > threshold]
    crowd = find_crowd(cycles, known, scores, kept)
    if crowd is not None:
        return replace(
            _crowded(cycles, crowd, judged, known, kept),
            false_alarms_per_thousand=1e3 * FALSE_PER_10_MIN / per_10_min,
            slot=same_beat(scores, kept),
        )
    if not law.place > threshold + CLEAR:  # also where there is no bump, and no place of it
        rate = fit_rate(scores.z[known], echoes(scores.filter))
        if _drowned(rate, threshold):
            return _rate_only(rate, judged, per_10_min)
    return replace(
        _singles(cycles, known, kept),
        false_alarms_per_thousand=1e3 * FALSE_PER_10_MIN / per_10_min,
        slot=same_beat(scores, kept),
    )


def find_crowd(
    cycles: CycleTable,
    known: NDArray[np.bool_],
    scores: Scores,
    kept: list[tuple[int, int, float]],
) -> Crowd | None:
    """Misfires all at once, where they are too dense to be told one by one; None where not.

    Asked only where the engine is restless in a way that scatter alone does not make.
    """
    single = len({row for row, _, _ in kept}) / max(int(known.sum()), 1)
    if single < SOME_SHARE and not restless(scores.features, known):
        return None
    crowd = decode(cycles, known, scores.features, scores.filter.tails)
    return crowd if crowd is not None and crowd.believed() else None


def find_plain_misfires(
    cycles: CycleTable, use: NDArray[np.bool_], engine: EngineCard
) -> MisfireFinding:
    """Misfires by a fixed threshold on the score: a tenth of the time that learning one takes.

    For leading a hand, where a look every few seconds must not wait. Neither the beat nor the
    rate of false alarms is told.
    """
    scores = score(cycles, use, engine.cylinders) if len(cycles) else None
    known = np.zeros(0, dtype=bool) if scores is None else np.isfinite(scores.z[:, 0])
    if scores is None or not known.any():
        return _nothing()
    events, _ = peel(scores, PLAIN_THRESHOLD)
    return _singles(cycles, known, events)


def _singles(
    cycles: CycleTable, known: NDArray[np.bool_], events: list[tuple[int, int, float]]
) -> MisfireFinding:
    """Rate and onset from single events; what the threshold was set for is added elsewhere."""
    judged = int(known.sum())
    rows = np.unique(np.array([row for row, _, _ in events], dtype=np.int64))
    low, high = clopper_pearson(len(rows), judged)
    onset, u_onset = onset_deg(cycles.advance_deg[known], np.isin(np.flatnonzero(known), rows))
    return replace(
        _nothing(),
        cycles=rows,
        judged=judged,
        per_thousand=1e3 * len(rows) / judged,
        low_per_thousand=1e3 * low,
        high_per_thousand=1e3 * high,
        onset_deg=onset,
        u_onset_deg=u_onset,
    )


def _crowded(
    cycles: CycleTable,
    crowd: Crowd,
    judged: int,
    known: NDArray[np.bool_],
    kept: list[tuple[int, int, float]],
) -> MisfireFinding:
    """Rate of misfires that crowd; which cycles, where lost strokes stand clear."""
    low, high = crowd.interval()
    clear = crowd.separation >= SURE_SINGLES
    rows = crowd.rows[crowd.lost > 0.5] if clear else np.zeros(0, dtype=np.int64)
    hit = np.isin(np.flatnonzero(known), rows if clear else [row for row, _, _ in kept])
    onset, u_onset = onset_deg(cycles.advance_deg[known], hit)
    return replace(
        _nothing(),
        cycles=rows,
        judged=judged,
        per_thousand=1e3 * crowd.share,
        low_per_thousand=1e3 * low,
        high_per_thousand=1e3 * high,
        onset_deg=onset,
        u_onset_deg=u_onset,
        singles=clear,
    )


def _law_rows(known: NDArray[np.bool_], events: list[tuple[int, int, float]]) -> NDArray[np.bool_]:
    """Cycles that the law of the score is learnt from: the deep events and the calm parts.

    Where misfires crowd, what is left between them says more of the faults of the shape than
    of ordinary cycles; so the calm is sought as far from deep events as the data allow.
    """
    deep = np.zeros(len(known), dtype=bool)
    deep[[row for row, _, z in events if z > DEEP]] = True
    for reach, least in NEIGHBOURS:
        near = np.convolve(deep, np.ones(2 * reach + 1), mode="same") > 0
        calm = known & ~near
        if calm.sum() >= least * known.sum():
            return calm | (known & deep)
    return known


def false_alarm_threshold(law: ScoreLaw, cycles_per_10_min: float) -> float:
    """Score that ordinary cycles exceed less than ``FALSE_PER_10_MIN`` times in ten minutes.

    Where a bump shows how deep a lost stroke is, at least half way up to it, so that weak
    strokes are not taken for lost ones.
    """
    threshold = law.exceeded(ASKED_PER_10_MIN / cycles_per_10_min)
    if law.share > 0.0:
        # Where most bad cycles lost several strokes, half of theirs is too much to ask.
        half = law.middle + DEPTH_SHARE * (law.place - law.middle)
        threshold = max(threshold, min(half, DEPTH_MOST * threshold))
    return threshold


def mirrored_threshold(z: FloatArray, cycles_per_10_min: float) -> float:
    """Score that the *gains* of calm cycles exceed as often as false alarms are allowed.

    A lost stroke only ever takes speed off, so what looks like a gained one is the engine's
    ordinary scatter, and losses of that size are ordinary too. It guards against tails that are
    heavier than the law of the scores, as on the steep side of a hill.
    """
    gains = np.sort(-z.min(axis=1))[::-1]
    if len(gains) == 0:
        return 0.0
    allowed = int(FALSE_PER_10_MIN * len(gains) / cycles_per_10_min)
    return float(gains[min(allowed, len(gains) - 1)])


def clopper_pearson(events: int, trials: int, level: float = 0.95) -> tuple[float, float]:
    """Exact interval of a binomial share.

    C. J. Clopper, E. S. Pearson, "The use of confidence or fiducial limits illustrated in the
    case of the binomial", Biometrika 26 (1934).
    """
    from scipy.special import betainccinv, betaincinv

    if trials <= 0:
        return float("nan"), float("nan")
    half = (1.0 - level) / 2.0
    low = 0.0 if events == 0 else float(betaincinv(events, trials - events + 1, half))
    high = 1.0 if events == trials else float(betainccinv(events + 1, trials - events, half))
    return low, high


def same_beat(scores: Scores, events: list[tuple[int, int, float]]) -> int:
    """Firing place that the events share; 0 when they fall at random, -1 when unknown.

    Each event has a likelihood for each place, z·d - d²/2 with the depth d expected there.
    "Always place s" lets one event in ten be something else; against it stands "any place".
    """
    places = scores.z.shape[1]
    if len(events) < 2 or places < 2:
        return -1
    unit = scores.filter.unit
    depth = float(np.median([z / unit[place - 1] for _, place, z in events]))
    expected = depth * unit
    rows = np.unique([row for row, _, _ in events])
    trust = TRUST_TURNS if scores.features.turns == 2 else TRUST_CYCLES
    log_like = trust * (scores.z[rows] * expected - 0.5 * expected**2)
    log_like -= log_like.max(axis=1, keepdims=True)
    posterior = np.exp(log_like)
    posterior /= posterior.sum(axis=1, keepdims=True)
    gain = np.log(0.9 * posterior * places + 0.1).sum(axis=0) - np.log(places)
    best = int(gain.argmax())
    if gain[best] > SURE:
        # "One place, but which of two neighbours?" is not known, and not random either.
        return best + 1 if gain[best] - float(np.sort(gain)[-2]) > SURE else -1
    return 0 if gain[best] < -SURE else -1


def _drowned(rate: RateLaw, threshold: float) -> bool:
    """Whether there are misfires, but most of them below the threshold."""
    from scipy.special import ndtr

    missed = float(ndtr((threshold - rate.separation) / EVENT_SPREAD))
    return rate.evidence > RATE_EVIDENCE and LEANING < rate.skew < SKEWED and missed > DROWNED_SHARE


def _rate_only(rate: RateLaw, judged: int, per_10_min: float) -> MisfireFinding:
    """Single events drown: the rate from the shape of the distribution, nothing more."""
    return replace(
        _nothing(),
        judged=judged,
        per_thousand=1e3 * rate.share,
        low_per_thousand=1e3 * rate.low,
        high_per_thousand=1e3 * rate.high,
        false_alarms_per_thousand=1e3 * FALSE_PER_10_MIN / per_10_min,
        singles=False,
    )


def roc_area(events: FloatArray, ordinary: FloatArray) -> float:
    """Area under the receiver operating characteristic: chance that an event scores higher.

    The Mann-Whitney statistic over the number of pairs, ties counted half (J. A. Hanley,
    B. J. McNeil, Radiology 143, 1982).
    """
    from scipy.stats import rankdata

    ranks = rankdata(np.concatenate([events, ordinary]))
    n, m = len(events), len(ordinary)
    return float((ranks[:n].sum() - n * (n + 1) / 2.0) / (n * m))


def _nothing() -> MisfireFinding:
    """Nothing could be judged."""
    nan = float("nan")
    empty: IntArray = np.zeros(0, dtype=np.int64)
    return MisfireFinding(
        cycles=empty,
        judged=0,
        per_thousand=nan,
        low_per_thousand=nan,
        high_per_thousand=nan,
        false_alarms_per_thousand=nan,
        onset_deg=nan,
        u_onset_deg=nan,
        slot=-1,
        singles=True,
    )
