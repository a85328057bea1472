"""How much a cycle looks like one that lost a power stroke: the score behind the misfire finding.

Enters: cycles. Leaves: a score per cycle and firing place, in standard deviations of ordinary
combustion scatter. What to do with it (threshold, rate, onset) is decided elsewhere.

A lost stroke takes a step off the speed at its place in the cycle; the speed recovers within a
second or so, and the pressure swells meanwhile. Ordinary scatter goes through the same flywheel
and manifold, so a plain deviation from the neighbours is a poor measure. The score is the linear
filter with the best ratio of that shape to what the engine does anyway, w = C⁻¹s/√(s′C⁻¹s)
(matched filter in coloured noise: H. L. Van Trees, Detection, Estimation, and Modulation Theory,
part I, ch. 4, from memory), with the covariance C taken from the capture itself.

Places count from 1: place 1 is the stroke of No. 1 itself, whose spark starts the cycle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vaclog.analysis.misfire.features import AFTER, BEFORE, Features, features, windows
from vaclog.analysis.misfire.shapes import TAIL, dynamics, shapes
from vaclog.analysis.phases.segments import robust_sigma
from vaclog.signals.tables import CycleTable, FloatArray

# The pressure's shape is known less well than the speed's (the manifold's constants come from
# the capture): a part of its variance is added as mistrust, or its mismatch costs more than
# its news brings. Best between 0.03 and 0.1 on made engines of 4 to 8 cylinders.
MISTRUST = 0.05
ROUNDS = 3  # of taking found events out and learning the covariance again
LOCAL = 40  # cycles to either side over which the score's own scatter is looked at
MIN_WINDOWS = 150  # a covariance of some twenty features wants several times as many


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Filter:
    """A matched filter per place.

    Attributes
    ----------
    weights
        float64 [N, d]: score = weights · window.
    unit
        float64 [N]: score of an event of unit size.
    tails
        float64 [N, TAIL, m]: what an event of unit size does, from BEFORE cycles before on.
    """

    weights: FloatArray
    unit: FloatArray
    tails: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scores:
    """Scores of all cycles.

    Attributes
    ----------
    z
        float64 [n, N]: score of a stroke lost at place 1…N; NaN where it cannot be told.
    filter
        What made them.
    features
        What they were made of.
    """

    z: FloatArray
    filter: Filter
    features: Features


def matched(feature: Features, tails: FloatArray, calm: FloatArray) -> Filter:
    """Filters from shapes and from windows that hold no event.

    Parameters
    ----------
    feature, tails
        From :mod:`vaclog.analysis.misfire.features` and ``shapes``.
    calm
        float64 [k, d], finite windows.
    """
    cylinders = len(tails)
    shape = tails[:, : BEFORE + AFTER].reshape(cylinders, -1)
    covariance = np.cov(calm.T)
    width = feature.turns + 1
    kpa = np.arange(shape.shape[1]) % width == width - 1
    own = np.diag(covariance).copy()
    covariance[np.diag_indices_from(covariance)] += np.where(kpa, MISTRUST, 1e-4) * own + 1e-14
    solved = np.linalg.solve(covariance, shape.T).T
    unit = np.sqrt(np.sum(solved * shape, axis=1))
    return Filter(weights=solved / unit[:, None], unit=unit, tails=tails)


def score(cycles: CycleTable, use: NDArray[np.bool_], cylinders: int) -> Scores | None:
    """Score all cycles that ``use`` allows.

    Parameters
    ----------
    cycles
        The table.
    use
        bool [n]: idle cycles that may be judged.
    cylinders
        Number of firing places.

    Returns
    -------
    Scores or None
        None when there are too few unbroken cycles.
    """
    feature = features(cycles, use)
    tails = shapes(feature, dynamics(feature, use), cylinders)
    rows = windows(feature.values, feature.breaks)
    known = use & np.isfinite(rows).all(axis=1)
    if known.sum() < MIN_WINDOWS:
        return None
    calm = known & (np.abs(_slow_turns(feature)) < 4.0)
    if calm.sum() < MIN_WINDOWS:
        calm = known
    found = matched(feature, tails, rows[calm])
    for _ in range(ROUNDS):
        z = rows @ found.weights.T
        worst = np.where(known, z.max(axis=1), -np.inf)
        sigma = _sigma(worst[known])
        near = np.convolve(worst > 4.5 * sigma, np.ones(2 * AFTER + 1), mode="same") > 0
        calm = known & ~near
        if calm.sum() < max(MIN_WINDOWS, 0.2 * known.sum()):
            # Misfire is everywhere: take the calmest part as ordinary.
            calm = known & (worst <= np.quantile(worst[known], 0.4))
        found = matched(feature, tails, rows[calm])
    z = rows @ found.weights.T
    z[~known] = np.nan
    # What the calm windows' own scatter makes of the score, so that its unit is one sigma.
    sigma_z = np.array([robust_sigma(column[calm]) for column in z.T])
    found = Filter(weights=found.weights / sigma_z[:, None], unit=found.unit / sigma_z, tails=tails)
    z /= sigma_z
    return Scores(z=z / _local_scale(z, calm)[:, None], filter=found, features=feature)


def _local_scale(z: FloatArray, calm: NDArray[np.bool_]) -> FloatArray:
    """How much wider than over the whole capture the score scatters around each cycle; float64 [n].

    An engine far down its hill regulates itself less than one near the top, so its scatter is
    wider there by itself. Never below 1: a calm stretch does not make small dips events.
    """
    centres = np.arange(LOCAL // 2, max(len(z), LOCAL), LOCAL // 2)
    scale = np.ones(len(centres))
    for k, centre in enumerate(centres):
        part = slice(max(0, centre - LOCAL), centre + LOCAL)
        near = z[part][calm[part]]
        if len(near) >= LOCAL // 2:
            scale[k] = max(1.0, robust_sigma(near.ravel()))
    out: FloatArray = np.interp(np.arange(len(z)), centres, scale)
    return out


def _sigma(worst: FloatArray) -> float:
    """Scale of the best-of-N score from its lower half, which events hardly reach.

    The median of the largest of four to eight normal scores is about 1.1 to 1.4.
    """
    return max(float(np.median(worst)) / 1.2, 1e-9)


def _slow_turns(feature: Features) -> FloatArray:
    """Change of speed from cycle to cycle in robust sigmas: a first guess at events."""
    speed = feature.values[:, : feature.turns].mean(axis=1)
    step = np.concatenate([[0.0], np.diff(speed)])
    # The least from one cycle before to two after.
    around = np.pad(np.nan_to_num(step), (1, 2), constant_values=np.inf)
    near = np.lib.stride_tricks.sliding_window_view(around, 4).min(axis=1)
    guess: FloatArray = -near / max(robust_sigma(step), 1e-12)
    return guess


def echoes(found: Filter) -> FloatArray:
    """Scores that one event makes in all cells around it, as shares of its own; [N, c].

    A cell is a cycle and a place. Row s is for an event at place s + 1.
    """
    reach = BEFORE + AFTER
    rows = []
    for slot, tail in enumerate(found.tails):
        padded = np.concatenate([np.zeros((reach - 1, tail.shape[1])), tail])
        stacked = np.lib.stride_tricks.sliding_window_view(padded, reach, axis=0)
        flat = stacked.transpose(0, 2, 1).reshape(len(stacked), -1)
        rows.append((flat @ found.weights.T).ravel() / found.unit[slot])
    return np.array(rows)


def peel(scores: Scores, threshold: float) -> tuple[list[tuple[int, int, float]], FloatArray]:
    """Take events out one by one, largest first, each with what it does to its neighbours.

    Parameters
    ----------
    scores
        From :func:`score`.
    threshold
        Stop when no score is larger.

    Returns
    -------
    events : list of (row, place, score)
        Place from 1; a cycle may occur more than once.
    best : ndarray
        float64 [n], the largest score of each cycle: that of its largest event, else what is
        left when its neighbours' events are out; NaN where unknown.
    """
    values = np.nan_to_num(scores.features.values.copy())
    z = np.where(np.isfinite(scores.z), scores.z, -np.inf)
    run = np.cumsum(scores.features.breaks)
    events: list[tuple[int, int, float]] = []
    reach = BEFORE + AFTER
    while len(events) < len(z):
        row, slot = (int(x) for x in np.unravel_index(int(z.argmax()), z.shape))
        largest = float(z[row, slot])
        if not largest > threshold:
            break
        events.append((row, slot + 1, largest))
        first = row - BEFORE
        last = min(first + TAIL, len(values))
        same = run[first:last] == run[row]
        tail = scores.filter.tails[slot, : last - first] * (largest / scores.filter.unit[slot])
        values[first:last] -= tail * same[:, None]
        a, b = max(BEFORE, row - reach - TAIL), min(len(z) - AFTER + 1, row + TAIL + reach)
        for k in range(a, b):
            if np.isfinite(z[k, 0]):
                window = values[k - BEFORE : k + AFTER].ravel()
                fresh = scores.filter.weights @ window
                # What was found at a place is not found there again.
                z[k] = np.where(np.isfinite(z[k]), fresh, -np.inf)
        z[row, slot] = -np.inf
    best = np.where(np.isfinite(scores.z[:, 0]), z.max(axis=1), np.nan)
    for row, _, value in reversed(events):
        best[row] = value
    return events, best
