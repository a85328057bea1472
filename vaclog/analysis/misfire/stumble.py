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

from vaclog.analysis.phases.segments import MAD_TO_SIGMA, robust_sigma, running_median
from vaclog.signals.tables import CycleFlag, CycleTable, FloatArray

BEFORE, AFTER = 2, 5  # cycles of the window before and from the cycle on
TAIL = 16  # cycles over which a found event is taken out again; the recovery lasts that long
TREND = 12  # cycles to either side of the median that stands for sweep, drift and warm-up
# Centre and half width of the torque that combustion adds to a motored stroke, after top dead
# centre: 52-61° and 50° (a rectangle of 29° standard deviation), whatever the advance from 5°
# to 40° and the burn from 45° to 80° (ideal gas, Wiebe burn, no heat loss; own computation).
TORQUE_DEG, SPREAD_DEG = 55.0, 50.0
USUAL_ADVANCE_DEG = 15.0  # where none is known; 10° of it are a seventy-second part of a cycle
USUAL_DECAY_S, USUAL_FILL_S = 1.0, 0.35  # flywheel and manifold of an idling engine
FINE = 48  # points per turn on which shapes are averaged
# The pressure's shape is known less well than the speed's (the manifold's constants come from
# the capture): a part of its variance is added as mistrust, or its mismatch costs more than
# its news brings. Best between 0.03 and 0.1 on made engines of 4 to 8 cylinders.
MISTRUST = 0.05
ROUNDS = 3  # of taking found events out and learning the covariance again
SPOILT = int(CycleFlag.SPLIT | CycleFlag.GAP | CycleFlag.RAIL | CycleFlag.CRANKING)
LOCAL = 40  # cycles to either side over which the score's own scatter is looked at
MIN_WINDOWS = 150  # a covariance of some twenty features wants several times as many


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Features:
    """What is looked at, one row per cycle, with trends removed.

    Attributes
    ----------
    values
        float64 [n, m]: relative speed of each turn (or of the cycle), then relative pressure.
    breaks
        bool [n]: the cycle does not follow the one before it.
    turns
        How many speeds per cycle: 2 with a crank mark, 1 without; m = turns + 1.
    offset_turns
        Where the first turn begins, in turns from the spark that starts the cycle.
    cycle_s
        Typical duration of a cycle.
    advance_deg
        Advance of the cycles that matter: those where the speed changes.
    """

    values: FloatArray
    breaks: NDArray[np.bool_]
    turns: int
    offset_turns: float
    cycle_s: float
    advance_deg: float


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


def features(cycles: CycleTable, use: NDArray[np.bool_]) -> Features:
    """Relative speeds and pressures of each cycle less their slow trend."""
    ok: NDArray[np.bool_] = ((cycles.flags & SPOILT) == 0) & np.isfinite(cycles.rpm)
    judged = ok & use
    with_turns: NDArray[np.bool_] = np.asarray(np.isfinite(cycles.turn_us).all(axis=1))
    turned = bool(judged.any()) and float(with_turns[judged].mean()) > 0.8
    lengths = (cycles.end_us - cycles.start_us)[judged]
    if turned:
        ok &= with_turns
        speeds = 60e6 / np.where(with_turns[:, None], cycles.turn_us, np.nan)
    else:
        speeds = cycles.rpm[:, None]
    raw = np.column_stack([speeds, cycles.pressure_kpa])
    raw[~ok] = np.nan
    return Features(
        values=np.column_stack([_relative(column) for column in raw.T]),
        breaks=(cycles.flags & int(CycleFlag.AFTER_BREAK)) > 0,
        turns=speeds.shape[1],
        offset_turns=_offset(cycles, judged & ok) if turned else 0.0,
        cycle_s=float(np.median(lengths)) / 1e6 if len(lengths) else 0.14,
        advance_deg=_restless_advance(cycles, judged),
    )


def _relative(column: FloatArray) -> FloatArray:
    """Deviation from the running median, as a share of it."""
    share: FloatArray = column / running_median(column, TREND) - 1.0
    return share


def _offset(cycles: CycleTable, ok: NDArray[np.bool_]) -> float:
    """Turns from the cycle's spark to the start of its first mark-to-mark turn.

    The table gives lengths, not places. But a cycle that starts a part f of a turn after the
    mark lasts D = T₁ + T₂ + f·(T₁ of the next cycle − T₁), so f is the slope of the difference.
    """
    turn = cycles.turn_us
    whole = (cycles.end_us - cycles.start_us).astype(np.float64)
    joined = ok[:-1] & ok[1:] & (cycles.start_us[1:] == cycles.end_us[:-1])
    x = (turn[1:, 0] - turn[:-1, 0])[joined]
    y = (whole[:-1] - turn[:-1].sum(axis=1))[joined]
    if len(x) < 30:
        return 0.0
    slope = 0.0
    for _ in range(3):  # least squares without what stands far off the line
        slope = float(np.sum(x * y) / max(float(np.sum(x * x)), 1e-9))
        off = np.abs(y - slope * x)
        keep = off <= 4.0 * max(MAD_TO_SIGMA * float(np.median(off)), 1.0)
        x, y = x[keep], y[keep]
    return -float(np.clip(slope, -1.0, 1.0))


def _restless_advance(cycles: CycleTable, ok: NDArray[np.bool_]) -> float:
    """Advance, weighed with the squared change of speed: where events are, if there are any."""
    step = np.diff(cycles.rpm, prepend=cycles.rpm[:1])
    good = ok & np.isfinite(cycles.advance_deg) & np.isfinite(step)
    weight = np.where(good, step, 0.0) ** 2
    if not weight.sum() > 0.0:
        return USUAL_ADVANCE_DEG
    return float(np.average(np.where(good, cycles.advance_deg, 0.0), weights=weight))


def windows(values: FloatArray, breaks: NDArray[np.bool_]) -> FloatArray:
    """``BEFORE`` cycles before to ``AFTER`` from each cycle on, as rows; float64 [n, (B+A)·m].

    NaN throughout where a window leaves the table or crosses a break.
    """
    n, m = values.shape
    length = BEFORE + AFTER
    out = np.full((n, length * m), np.nan)
    if n < length:
        return out
    stacked = np.lib.stride_tricks.sliding_window_view(values, length, axis=0)
    stacked = stacked.transpose(0, 2, 1).reshape(n - length + 1, length * m)
    run = np.cumsum(breaks)
    whole = run[: n - length + 1] == run[length - 1 :]
    out[BEFORE : BEFORE + len(stacked)] = np.where(whole[:, None], stacked, np.nan)
    return out


def dynamics(feature: Features, use: NDArray[np.bool_]) -> FloatArray:
    """How speed and pressure recover, as a 2×2 rate matrix in 1/s, from the capture.

    Cycle means of a first-order process follow it with a moving-average noise of order one,
    so the transition is estimated from lags one and two (instrumental variables): Φ = Γ₂Γ₁⁻¹.
    Falls back to a usual engine where the estimate is not that of a stable one.
    """
    usual = np.array(
        [[-0.5 / USUAL_DECAY_S, 1.0 / USUAL_DECAY_S], [-1.0 / USUAL_FILL_S, -1.0 / USUAL_FILL_S]]
    )
    speed = feature.values[:, : feature.turns].mean(axis=1)
    state = np.column_stack([speed, feature.values[:, -1]])
    run = np.cumsum(feature.breaks)
    good = np.isfinite(state).all(axis=1) & use
    rows = good[2:] & good[1:-1] & good[:-2] & (run[2:] == run[:-2])
    if rows.sum() < 100:
        return usual
    x0, x1, x2 = state[:-2][rows], state[1:-1][rows], state[2:][rows]
    calm = np.abs(x1[:, 0]) < 4.0 * robust_sigma(x1[:, 0])
    try:
        phi = (x2[calm].T @ x0[calm]) @ np.linalg.inv(x1[calm].T @ x0[calm])
        values, vectors = np.linalg.eig(phi)
        if np.any(np.abs(values) >= 0.995) or np.any(np.abs(np.angle(values)) > 1.2):
            return usual
        rate = vectors @ np.diag(np.log(values)) @ np.linalg.inv(vectors) / feature.cycle_s
    except np.linalg.LinAlgError:
        return usual
    real = np.real(rate)
    sound = bool(np.isfinite(real).all()) and real[1, 0] < 0.0 and np.abs(real).max() < 30.0
    return real if sound else usual


def shapes(feature: Features, rate: FloatArray, cylinders: int) -> FloatArray:
    """What a unit loss of speed at each place does; float64 [N, TAIL, m].

    Row 0 of an event is BEFORE cycles before the cycle that it happens in.
    """
    points = 2 * FINE * TAIL
    times = np.arange(points) * feature.cycle_s / (2 * FINE)
    values, vectors = np.linalg.eig(rate)
    start = np.linalg.inv(vectors) @ np.array([-1.0, 0.0])
    response = np.real(np.einsum("ck,tk,k->tc", vectors, np.exp(np.outer(times, values)), start))
    smear = np.ones(round(2.0 * SPREAD_DEG / 360.0 * FINE))
    smear /= len(smear)
    out = np.zeros((cylinders, TAIL, feature.turns + 1))
    area = np.zeros((points + 1, 2))
    for channel in range(2):
        area[1:, channel] = np.cumsum(np.convolve(response[:, channel], smear)[:points])

    def mean(channel: int, begin: FloatArray, length: float) -> FloatArray:
        edges = [
            np.clip(np.round(x * FINE).astype(np.intp), 0, points) for x in (begin, begin + length)
        ]
        part: FloatArray = (area[edges[1], channel] - area[edges[0], channel]) / (length * FINE)
        return part

    late = (feature.advance_deg + TORQUE_DEG - SPREAD_DEG) / 360.0
    cycle: FloatArray = 2.0 * (np.arange(TAIL, dtype=np.float64) - BEFORE)
    length = 2.0 / feature.turns
    for slot in range(cylinders):
        at = 2.0 * slot / cylinders + late
        for k in range(feature.turns):
            begin = cycle + k * length + feature.offset_turns - at
            out[slot, :, k] = mean(0, begin, length)
        out[slot, :, -1] = mean(1, cycle - at, 2.0)
    return out


def matched(feature: Features, tails: FloatArray, calm: FloatArray) -> Filter:
    """Filters from shapes and from windows that hold no event.

    Parameters
    ----------
    feature, tails
        From :func:`features` and :func:`shapes`.
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
