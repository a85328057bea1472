"""Misfires that crowd: how many cycles lost a stroke where neighbours mask one another.

Enters: cycles, and the shape of one lost stroke. Leaves: for each cycle the chance that it lost a
stroke, how far lost and ordinary cycles stand apart, and whether the data want such a model.

One event after another cannot be taken out where every third cycle lost a stroke: there is no
calm around any of them. But a lost stroke is the same each time, a whole stroke's work of this
cycle's charge, and what the engine does with it is linear. So half the square of speed is
explained by its own past and that of the pressure, by the strokes lost in this cycle and in the
one before (their work falls into both, by their place), and by ordinary scatter; everything over
the cycle's charge. How many strokes each cycle lost is hidden; see
:mod:`vaclog.analysis.misfire.hidden`.

Two sizes explain a restless engine about equally: a few large losses, many small ones. What
decides is physics: speed settles by about 0.8 % for each per cent of torque (as in the hill's
fit), so the size of one stroke follows from how speed settles here.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise, product

import numpy as np
from numpy.typing import NDArray

from vaclog.analysis.misfire.features import Features
from vaclog.analysis.misfire.hidden import (
    LAGS,
    MOST_A_GROUP,
    Data,
    begin,
    distance,
    innovations,
    least_squares,
    one_round,
)
from vaclog.analysis.phases.segments import robust_sigma
from vaclog.signals.tables import CycleTable, FloatArray, IntArray

SETTLES = 0.8  # per cent of speed for each per cent of torque, throttled idle
# True sizes were 1.3 times what settling says, within a factor of 1.4 at one advance. A sweep
# makes speed wander, which looks like slow settling, and the size too small by up to five.
USUAL, LEAST, MOST, MOST_SWEPT = 1.3, 0.5, 2.5, 6.0
CLEAR = 6.0  # standard deviations, a lost stroke at a scatter of a tenth
STEADY_DEG = 3.0  # of advance, 5 to 95 %: less is one advance
TRIED, SETTLED = 6, 25  # rounds for each start, and for the best
ROUNDS_CYCLES = 2000  # longer captures get fewer rounds
LEAST_ROWS = 200
# Log units, at least so many and so many a cycle: weak strokes that lie further out than strong
# ones look like losses, and the more so the longer one listens. Sound engines of 8 % scatter with
# a skewness of 0.3 gave up to 0.10 a cycle over a sweep, at a separation of 2.6 at most, and 0.05
# at one advance. A scatter that no sound engine has (see ``roughness``) needs less of both.
EVIDENCE, EVIDENCE_CYCLE, EVIDENCE_ROUGH = 60.0, 0.07, 15.0
APART = 2.8
ROUGH = 0.28
# Where lost strokes stand clear, a few in a hundred hide one another already; where not, few
# look like more than they are.
FAR, SHARE_FAR, SHARE_NEAR = 3.5, 0.03, 0.10
# Standard uncertainty of the odds' logarithm by separation, beyond counting: errors of simulated
# engines of 4 to 8 cylinders (tests/bench/crowd_bench.py).
U_AT, U_MODEL = (1.0, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0), (1.2, 0.7, 0.4, 0.2, 0.12, 0.06, 0.03)
# Skewness and excess kurtosis of what the past does not explain, above which the model is asked:
# 1000 normal numbers have 0.08 and 0.15.
SKEWED, PEAKED = 0.2, 0.4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Crowd:
    """What the model says.

    Attributes
    ----------
    rows
        int64 [n], cycles that were judged.
    lost
        float64 [n], chance that the cycle lost a stroke.
    separation
        Distance of one lost stroke from none, in standard deviations of what is left.
    evidence
        Log likelihood over the same model without lost strokes.
    roughness
        Scatter of one stroke's work that would make this capture by itself; NaN where the size
        of a stroke is not known from how speed settles. Sound engines have 0.05 to 0.2.
    """

    rows: IntArray
    lost: FloatArray
    separation: float
    evidence: float
    roughness: float

    @property
    def share(self) -> float:
        """Cycles that lost a stroke, of all judged."""
        return float(self.lost.mean())

    def believed(self) -> bool:
        """Whether strokes were lost, and so many that counting one by one would miss some."""
        rough = self.roughness > ROUGH
        needed = max(EVIDENCE, EVIDENCE_CYCLE * len(self.rows))
        sure = self.evidence > needed and self.separation > APART
        dense = SHARE_FAR if self.separation > FAR else SHARE_NEAR
        return (sure or (rough and self.evidence > EVIDENCE_ROUGH)) and self.share > dense

    def interval(self) -> tuple[float, float]:
        """95 % of the share: what is unsure of each cycle, and of the model."""
        n = len(self.rows)
        share = min(max(self.share, 0.5 / n), 1.0 - 0.5 / n)
        spread = share * (1.0 - share)
        chance = float(np.sqrt(np.sum(self.lost * (1.0 - self.lost)))) / n / spread
        count = 1.0 / float(np.sqrt(n * spread))
        model = float(np.interp(self.separation, U_AT, U_MODEL))
        reach = 1.96 * float(np.sqrt(chance**2 + count**2 + model**2))
        odds = float(np.log(share / (1.0 - share)))
        low, high = (1.0 / (1.0 + float(np.exp(-(odds + way * reach)))) for way in (-1.0, 1.0))
        return low, high


def decode(
    cycles: CycleTable, known: NDArray[np.bool_], feature: Features, tails: FloatArray
) -> Crowd | None:
    """Chances of lost strokes for all cycles together.

    Parameters
    ----------
    cycles
        The table.
    known
        bool [n], cycles that may be judged.
    feature, tails
        From :mod:`vaclog.analysis.misfire.features` and ``shapes``.

    Returns
    -------
    Crowd or None
        None where there are too few unbroken cycles, or speed does not settle.
    """
    rows = _unbroken(known, feature.breaks)
    if len(rows) < LEAST_ROWS:
        return None
    data, whole = _data(cycles, rows, feature, tails)
    first = least_squares(data.past, data.y)
    left = data.y - data.past @ first
    cov = np.cov(left.T).reshape(feature.turns, feature.turns)
    swept = _spread(cycles.advance_deg[rows]) > STEADY_DEG
    unit = _unit_size(whole, rows, data, feature.turns)
    if not unit > 0.0:
        if not swept:
            return None
        # The hill hides how speed settles; its calm parts tell what a clear loss is.
        calm = np.diag([robust_sigma(column) ** 2 for column in left.T])
        unit = CLEAR / (USUAL * distance(innovations(data, first), calm))
    span = (LEAST * unit, (MOST_SWEPT if swept else MOST) * unit)
    every = np.ones(len(data.strokes))
    starts = [(USUAL, 0.03 * every), (USUAL, 0.2 * every), (USUAL, 0.45 * every)]
    if swept:
        starts += [(2.5 * USUAL, 0.03 * every), (2.5 * USUAL, 0.25 * every)]
    # Always the same stroke, every other time: nothing near that is found from equal chances.
    for row in np.diag(1.0 / np.array(data.strokes)):
        starts += [(USUAL, 0.01 + 0.4 * row), (0.6 * USUAL, 0.01 + 0.4 * row)]
    short = min(1.0, ROUNDS_CYCLES / len(rows))
    tried = []
    for factor, rate in starts:
        model = begin(data, first, cov, factor * unit, rate)
        for _ in range(max(2, round(TRIED * short))):
            one_round(data, model, span)
        tried.append(model)
    best = max(tried, key=lambda each: each.log_like)
    before = -np.inf
    for _ in range(max(3, round(SETTLED * short))):
        before = best.log_like
        one_round(data, best, span)
        if abs(best.log_like - before) < 0.05:
            break
    none = int(np.flatnonzero(data.states.sum(axis=1) == 0)[0])
    plain = -0.5 * len(rows) * (_log_det(2.0 * np.pi * cov) + len(cov))
    expected = innovations(data, first) * USUAL * unit
    alone = distance(expected, cov) * float(np.sqrt(tails.shape[0] / len(cov)))
    return Crowd(
        rows=rows,
        lost=1.0 - best.chance[:, none],
        separation=distance(best.lost, best.cov),
        evidence=best.log_like - plain,
        roughness=float("nan") if swept or not alone > 0.0 else 1.0 / alone,
    )


def restless(feature: Features, known: NDArray[np.bool_]) -> bool:
    """Whether speed changes from cycle to cycle as ordinary scatter does not make it."""
    rows = _unbroken(known, feature.breaks)
    if len(rows) < LEAST_ROWS:
        return False
    values = feature.values
    past = np.column_stack([values[rows - lag] for lag in range(1, LAGS + 1)])
    speed = values[rows, : feature.turns]
    left = speed - past @ least_squares(past, speed)
    z = (left - left.mean(axis=0)) / np.maximum(left.std(axis=0), 1e-12)
    skew, peak = np.mean(z**3, axis=0), np.mean(z**4, axis=0) - 3.0
    return bool(np.abs(skew).max() > SKEWED or np.abs(peak).max() > PEAKED)


def _unbroken(known: NDArray[np.bool_], breaks: NDArray[np.bool_]) -> IntArray:
    """Cycles with ``LAGS`` known ones right before them."""
    run = np.cumsum(breaks)
    good = known.copy()
    good[:LAGS] = False
    for lag in range(1, LAGS + 1):
        good[lag:] &= known[:-lag] & (run[lag:] == run[:-lag])
    return np.flatnonzero(good).astype(np.int64)


def _data(
    cycles: CycleTable, rows: IntArray, feature: Features, tails: FloatArray
) -> tuple[Data, FloatArray]:
    """Rows for the model, and half squares of speed with pressures of the whole table."""
    turned = feature.turns == 2
    speeds = 60e6 / cycles.turn_us if turned else cycles.rpm[:, None]
    raw = np.column_stack([speeds, cycles.pressure_kpa])
    relative = raw / np.median(raw[rows], axis=0)
    whole = relative - 1.0
    whole[:, :-1] = 0.5 * (relative[:, :-1] ** 2 - 1.0)
    charge = relative[rows, -1:]
    past = np.column_stack([whole[rows - lag] for lag in range(1, LAGS + 1)] + [np.ones(len(rows))])
    places = len(tails)
    # Up to four places one by one, more in pairs that follow one another.
    strokes = (1,) * places if places <= 4 else (2,) * (places // 2) + (1,) * (places % 2)
    most = MOST_A_GROUP if len(strokes) <= 3 else 1
    edges = np.cumsum([0, *strokes])
    data = Data(
        y=whole[rows, :-1] / charge,
        past=past / charge,
        joined=np.concatenate([[False], np.diff(rows) == 1]),
        tails=np.array([tails[a:b].mean(axis=0) for a, b in pairwise(edges)]),
        strokes=strokes,
        states=np.array(list(product(*[range(min(k, most) + 1) for k in strokes])), np.float64),
    )
    return data, whole


def _unit_size(whole: FloatArray, rows: IntArray, data: Data, turns: int) -> float:
    """Size of one stroke's work, from where a lasting loss would let speed settle."""
    width = whole.shape[1]
    past = np.column_stack([whole[rows - lag] for lag in range(1, LAGS + 1)] + [np.ones(len(rows))])
    found = least_squares(past, whole[rows])
    lasting = np.eye(width) - sum(found[lag * width : (lag + 1) * width].T for lag in range(LAGS))
    pushed = np.zeros(width)
    groups = len(data.strokes)
    each = innovations(data, found, cycles=3).reshape(3, groups, turns).sum(axis=0)
    pushed[:turns] = np.average(each, axis=0, weights=np.array(data.strokes, np.float64))
    try:
        settled = float(np.linalg.solve(lasting, pushed)[:turns].mean())
    except np.linalg.LinAlgError:
        return float("nan")
    return -SETTLES / (sum(data.strokes) * settled) if settled < 0.0 else float("nan")


def _log_det(matrix: FloatArray) -> float:
    return float(np.linalg.slogdet(matrix)[1])


def _spread(advance_deg: FloatArray) -> float:
    """5 to 95 % of the known advances; 0 where none is known."""
    good = advance_deg[np.isfinite(advance_deg)]
    return float(np.ptp(np.quantile(good, [0.05, 0.95]))) if len(good) else 0.0
