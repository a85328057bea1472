"""Readings that cannot be right: a slip, a wrong order, one that is missing.

Enters: the ground of the pairing, the readings, tables that carry them. Leaves: readings that are
believed, a reading that is not standing as a hold that was not read; and a sentence for each.

Nothing is dropped in silence. A reading is disbelieved when the level of its hold lies more than
:data:`SLIP_SIGMAS` off what the hill of all others gives, its own error included; a number that
also leaves the order of its neighbours needs less. Two neighbours are taken as swapped, and a
reading as missing, when the engine's answer is clearly likelier that way. Where neighbouring
positions answer alike a wrong list cannot be told from a right one, and hardly moves the answer.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np

from vaclog.analysis.hill.shape import HillPrior
from vaclog.analysis.holds.fit import hill_moments
from vaclog.analysis.holds.levels import Levels
from vaclog.analysis.holds.pair import Ground, Pairing, pair
from vaclog.analysis.holds.readings import Reading
from vaclog.signals.tables import FloatArray

SLIP_SIGMAS: Final = 3.5
# Log units of evidence. Right lists reached 2.0 and 4.2 in two dozen runs, wrong ones more in
# half of them: the rest answers alike either way, and the answer then hardly suffers.
LIKELIER_SWAPPED: Final = 3.0
LIKELIER_MISSING: Final = 5.0
LEAST_SWAP_DEG: Final = 3.0
# More than a quarter of a list wrong is no list with slips.
MOST_SLIPS: Final = 0.25
# Below four holds the others do not tell a hill.
LEAST_OTHERS: Final = 4
# A reading that leaves the order of its neighbours by this, either side, may be a slip.
SPIKE_DEG: Final = 4.0
SAME_DEG: Final = 1.5
MOST_TURNS: Final = 4
ODD_SIGMAS: Final = 1.8
_STEP_DEG: Final = 2.0
_R: Final = (-0.2, 0.18, 0.6)
_H: Final = (0.25, 0.5, 0.8, 1.2, 1.8, 2.7)

LevelsOf = Callable[[Pairing], Levels | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Believed:
    """Readings after the check.

    Attributes
    ----------
    readings
        Those that are believed; NaN where one is not, or where one is missing.
    pairing
        Of these.
    warnings
        What was found, as plain sentences.
    """

    readings: tuple[Reading, ...]
    pairing: Pairing
    warnings: tuple[str, ...]


def believe(
    ground: Ground, readings: Sequence[Reading], levels_of: LevelsOf, prior: HillPrior
) -> Believed:
    """Pair the readings and look for what cannot be right.

    Parameters
    ----------
    levels_of
        Makes the levels of a pairing.
    """
    now, found = tuple(readings), pair(ground, readings)
    warnings: list[str] = []
    if not found.holds:
        return Believed(readings=now, pairing=found, warnings=())
    now, found, said = _order(ground, now, found)
    warnings += said
    most = int(MOST_SLIPS * len(readings))
    for _ in range(most):
        slip = _worst(levels_of(found), prior, found)
        if slip is None:
            break
        place, sigmas, fits = slip
        said_deg = now[place].deg
        unread = replace(now[place], deg=float("nan"))
        now = (*now[:place], unread, *now[place + 1 :])
        found = pair(ground, now)
        warnings.append(_slip(place, said_deg, sigmas, fits, found))
    if most and _worst(levels_of(found), prior, found) is not None:
        warnings.append(
            "More readings than these do not fit one hill. The strobe may have been read against "
            "different marks, or the throttle was touched between holds: read again."
        )
    warnings += _spikes(now)
    return Believed(readings=now, pairing=found, warnings=tuple(warnings))


def _order(
    ground: Ground, readings: tuple[Reading, ...], found: Pairing
) -> tuple[tuple[Reading, ...], Pairing, list[str]]:
    """Another order or number of readings, where the engine's answer is clearly likelier so."""
    if any(each.at_us is not None for each in readings):
        return readings, found, []  # the time tells which is which
    ground_now, ground = ground, ground.coarse()
    base = pair(ground, readings)
    swaps = {
        k: pair(ground, _swapped(readings, k)).evidence - base.evidence
        for k in range(len(readings) - 1)
        if abs(readings[k].deg - readings[k + 1].deg) > LEAST_SWAP_DEG
    }
    more = {
        k: pair(ground, _inserted(readings, k)).evidence - base.evidence
        for k in range(len(readings) + 1)
    }
    swap = max(swaps, key=lambda k: swaps[k], default=-1)
    place = max(more, key=lambda k: more[k])
    swap_gain = swaps.get(swap, 0.0)
    if swap_gain >= LIKELIER_SWAPPED and swap_gain >= more[place] - 2.0:
        place, kind = swap, "swapped"
    elif more[place] >= LIKELIER_MISSING:
        kind = "missing"
    else:
        return readings, found, []
    if kind == "swapped":
        first, second = readings[place].deg, readings[place + 1].deg
        said = (
            f"Readings {place + 1} and {place + 2} ({first:g}° and {second:g}°) fit the engine's "
            "answer much better the other way round: they were taken so. Check the order; type "
            "the list again to be sure."
        )
        now = _swapped(readings, place)
        return now, pair(ground_now, now), [said]
    now = _inserted(readings, place)
    whole = pair(ground_now, now)
    start_s, end_s = (t / 1e6 for t in (whole.holds[place].start_us, whole.holds[place].end_us))
    where = (
        f"before the first reading ({readings[0].deg:g}°)"
        if place == 0
        else f"after the last reading ({readings[-1].deg:g}°)"
        if place == len(readings)
        else f"between reading {place} ({readings[place - 1].deg:g}°) and reading {place + 1} "
        f"({readings[place].deg:g}°)"
    )
    said = (
        f"A reading seems to be missing {where}: from second {start_s:.0f} to {end_s:.0f} the "
        "engine stood at a level of its own. That stretch was left out. Type the list again with "
        "the reading, or with ? in its place."
    )
    return now, whole, [said]


def _swapped(readings: tuple[Reading, ...], k: int) -> tuple[Reading, ...]:
    return (*readings[:k], readings[k + 1], readings[k], *readings[k + 2 :])


def _inserted(readings: tuple[Reading, ...], k: int) -> tuple[Reading, ...]:
    unread = Reading(deg=float("nan"), u_deg=readings[0].u_deg)
    return (*readings[:k], unread, *readings[k:])


def _worst(
    levels: Levels | None, prior: HillPrior, found: Pairing
) -> tuple[int, float, float] | None:
    """Place, deviation in sigmas and angle that would fit, of the reading that fits least."""
    if levels is None or len(levels) <= LEAST_OTHERS:
        return None
    known = [k for k, hold in enumerate(found.holds) if hold.reading.known]
    u_deg = float(np.mean([found.holds[k].reading.u_deg for k in known]))
    off = against_others(levels, u_deg, prior)
    odd = out_of_order([hold.reading.deg for hold in found.holds])
    strange = np.isin(levels.deg, [found.holds[k].reading.deg for k in odd])
    # A number that also leaves the order of its neighbours needs less against it.
    sigmas = np.abs(off.sigmas) + np.where(strange, SLIP_SIGMAS - ODD_SIGMAS, 0.0)
    worst = int(np.argmax(sigmas))
    if sigmas[worst] < SLIP_SIGMAS:
        return None
    # A hold may have become too short for a level: then levels are fewer than holds.
    alike = [k for k in known if found.holds[k].reading.deg == levels.deg[worst]]
    place = min(alike, key=lambda k: abs(known.index(k) - worst))
    around = [found.holds[k].reading.deg for k in known if abs(known.index(k) - worst) == 1]
    return place, float(off.sigmas[worst]), off.fitting(worst, float(np.mean(around)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Off:
    """How far each level lies off the hill of all others.

    Attributes
    ----------
    sigmas
        float64 [K], deviation over its standard uncertainty, the reading's error included.
    angle_deg, fall
        float64 [a], and [K, a]: angles, and what the likeliest hill of the others falls there
        beyond what hold k would need.
    """

    sigmas: FloatArray
    angle_deg: FloatArray
    fall: FloatArray

    def fitting(self, k: int, near_deg: float) -> float:
        """The angle that would fit hold k; of two, left and right of the top, the nearer one."""
        fall = self.fall[k]
        crossings = np.flatnonzero(np.sign(fall[1:]) != np.sign(fall[:-1]))
        if len(crossings) == 0:
            return float(self.angle_deg[np.argmin(np.abs(fall))])
        return float(min(self.angle_deg[crossings], key=lambda deg: abs(deg - near_deg)))


def against_others(levels: Levels, u_deg: float, prior: HillPrior) -> Off:
    """Compare each level with what the hill of all others gives.

    For each hill of a coarse grid the residuals of all levels follow from one matrix: with P
    the inverse covariance (what is common to all levels projected out), the prediction of level k
    from the others is off by (P z)_k / P_kk with variance 1 / P_kk (leave-one-out; O. Dubrule,
    Math. Geology 15, 1983). The hills are weighed by the likelihood of the others.
    """
    count, deg = len(levels), levels.deg
    tops = np.arange(deg.min() - 16.0, deg.max() + 16.0, _STEP_DEG)
    usual = prior.bend_percent_per_deg2 * min(max(float(levels.level[-1]), 0.03), 0.5)
    r = np.array(_R)
    prior_r = prior.log_density(r)
    logs, gaps, variances, hills = [], [], [], []
    for family in prior.families:
        mean, variance = hill_moments(deg, tops, family, r, u_deg)
        for height in usual * np.array(_H):
            rest = levels.level[:count] + height * mean
            blurred = levels.covariance[:count, :count] + height**2 * (
                variance[..., None] * np.eye(count)
            )
            log_all, gap, v = _leave_one_out(rest, blurred)
            alone = log_all[..., None] + 0.5 * gap**2 / v + 0.5 * np.log(v)
            logs.append(alone + prior_r[None, :, None] + 2.0 * np.log(height))
            gaps.append(gap)
            variances.append(v)
            hills.append((family, height))
    log_alone, gap, v = np.stack(logs), np.stack(gaps), np.stack(variances)
    flat = (-1, count)
    weight = np.exp(log_alone - log_alone.reshape(flat).max(axis=0))
    weight /= weight.reshape(flat).sum(axis=0)
    middle = (weight * gap).reshape(flat).sum(axis=0)
    spread = (weight * (v + (gap - middle) ** 2)).reshape(flat).sum(axis=0)
    angles = np.arange(deg.min() - 20.0, deg.max() + 20.0, 0.5)
    falls = []
    for k in range(count):
        i, g, j = np.unravel_index(int(log_alone[..., k].argmax()), log_alone.shape[:-1])
        family, height = hills[int(i)]
        x = np.concatenate([deg[k : k + 1], angles]) - tops[g]
        fall = x * x + family.factor(r[j]) * family.part(x)
        falls.append(fall[1:] - (fall[0] - gap[i, g, j, k] / height))
    return Off(sigmas=middle / np.sqrt(spread), angle_deg=angles, fall=np.stack(falls))


def _leave_one_out(
    rest: FloatArray, covariance: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log density of all, and gap and variance of each from the others; [..., K]."""
    inverse = np.linalg.inv(covariance)
    ones = inverse.sum(axis=-1)
    total = ones.sum(axis=-1)
    known = inverse - ones[..., :, None] * ones[..., None, :] / total[..., None, None]
    pull = (known @ rest[..., None])[..., 0]
    own = np.diagonal(known, axis1=-2, axis2=-1)
    _, size = np.linalg.slogdet(covariance)
    log_all = -0.5 * (rest * pull).sum(axis=-1) - 0.5 * size - 0.5 * np.log(total)
    return log_all, pull / own, 1.0 / own


def _slip(place: int, said_deg: float, sigmas: float, fits: float, found: Pairing) -> str:
    hold = found.holds[place] if found.holds else None
    when = (
        "" if hold is None else (f" (seconds {hold.start_us / 1e6:.0f} to {hold.end_us / 1e6:.0f})")
    )
    return (
        f"Reading {place + 1}, {said_deg:g}°, does not fit what the engine answered there{when}: "
        f"it is {abs(sigmas):.1f} standard deviations off the hill of the others, and about "
        f"{fits:.0f}° would fit. A slip, or the strobe was misread. It was left out; if it is "
        "right, read that place again."
    )


def out_of_order(degs: Sequence[float]) -> list[int]:
    """Places of readings that leave the staircase of their neighbours.

    A reading is odd when it steps out beyond both neighbours by far more than a usual step, or
    when without it the hand would turn round less often, in a list that hardly turns round.
    """
    step = float(np.median(np.abs(np.diff([deg for deg in degs if np.isfinite(deg)]))))
    turns = _turns(degs)
    odd = []
    for k in range(1, len(degs) - 1):
        before, here, after = degs[k - 1], degs[k], degs[k + 1]
        if not np.isfinite([before, here, after]).all():
            continue
        out = max(here - max(before, after), min(before, after) - here)
        fewer = turns - _turns([*degs[:k], *degs[k + 1 :]])
        spike = fewer >= 2 and turns <= MOST_TURNS and out > SPIKE_DEG
        if spike or out > step + max(step, SPIKE_DEG):
            odd.append(k)
    return odd


def _turns(degs: Sequence[float]) -> int:
    """How often the hand turned round; steps within the error of reading are none."""
    known = [deg for deg in degs if np.isfinite(deg)]
    ways = [np.sign(b - a) for a, b in pairwise(known) if abs(b - a) > SAME_DEG]
    return sum(a != b for a, b in pairwise(ways))


def _spikes(readings: Sequence[Reading]) -> list[str]:
    """Readings that leave the order of their neighbours, where nothing contradicts them."""
    degs = [each.deg for each in readings]
    return [
        f"Reading {k + 1}, {degs[k]:g}°, stands out of the order of its neighbours "
        f"({degs[k - 1]:g}° and {degs[k + 1]:g}°). The engine's answer does not contradict it; if "
        "it is a slip, type the list again."
        for k in out_of_order(degs)
    ]
