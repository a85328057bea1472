"""Which stretch of the capture belongs to which reading.

Enters: the cycles, which of them idled, and the readings in order, with or without times. Leaves:
:class:`PairedHold` records.

Nothing measures the hand, but the engine answers it: the torque of a cycle changes at once, speed
and pressure follow. What a cycle's energy owes to the cycles before it is taken off by a
regression on its lags; what remains is white noise about one level per hold. The levels follow a
hill over the readings, each allowed to lie off it (a reading is never exact, a hill no parabola).
Levels and borders are found in turn (an EM algorithm, A. P. Dempster, N. M. Laird, D. B. Rubin,
J. R. Stat. Soc. B 39, 1977) from several first guesses of the top; the likeliest stays.

Near the top neighbouring holds answer alike and their border cannot be seen: it is then only
known to lie between others, and the cycles about it belong to no hold.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vaclog.analysis.hill.dynamics import Rows, lagged_rows
from vaclog.analysis.holds.readings import Reading
from vaclog.analysis.holds.staircase import Blocks, Borders, find_borders, make_blocks
from vaclog.signals.tables import CycleTable, FloatArray

# A turn of the hand takes a second or two, half of it before the border and half after.
MOVE_S: Final = 1.6
# A border lies between these quantiles for all but one hold in fifty.
UNSURE: Final = 0.01
# Whoever reads stands still for a second before the number is said.
STOOD_S: Final = 1.0
LEAST_ROWS: Final = 60
LAGS: Final = 3
ROUNDS: Final = 5
COARSE_BLOCK_S: Final = 1.5
TOPS_DEG: Final = (0.0, 12.0, 20.0, 28.0, 36.0, 50.0)
# A level may lie off the hill by this share of the spread of levels, beside what an error of the
# reading does on its slope: lopsided hills, an engine that drifts.
OFF_HILL: Final = 0.12
FREE: Final = 1.5  # the level of a hold that was not read may lie anywhere among the others
_STRAY_SHARE, _STRAY_WIDTH = 0.02, 5.0  # as in the hill fit: misfires, a foot on the throttle


@dataclass(frozen=True, slots=True, kw_only=True)
class PairedHold:
    """A stretch in which the hand stood at a reading.

    Attributes
    ----------
    start_us, end_us
        Likeliest borders, the moves between holds left out; half-open.
    sure_start_us, sure_end_us
        Within them the hand stood there for all but one chance in fifty; empty where none is.
    reading
        What was read.
    """

    start_us: int
    end_us: int
    sure_start_us: int
    sure_end_us: int
    reading: Reading


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Guess:
    """A state of the EM algorithm: what is thought of levels and borders."""

    borders: Borders
    fit: FloatArray
    torque: FloatArray
    level: FloatArray
    sigma: float
    typical_s: float
    penalty: float

    @property
    def evidence(self) -> float:
        """Log-likelihood less what the levels' freedom is worth."""
        return self.borders.log_like - self.penalty


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pairing:
    """Holds with their readings.

    Attributes
    ----------
    holds
        One for each reading, in order; empty where nothing could be paired.
    evidence
        Log-likelihood less what freedom it took; to compare with another order or number of
        readings on the same ground.
    ways
        Other ways to divide the capture, each as likely as the others: (start_us, end_us) of
        each hold.
    why_not
        Why nothing was paired, else "".
    """

    holds: tuple[PairedHold, ...] = ()
    evidence: float = -math.inf
    ways: tuple[tuple[tuple[int, int], ...], ...] = ()
    why_not: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ground:
    """What does not depend on the readings: rows, blocks, first guess of the dynamics."""

    rows: Rows
    time_us: NDArray[np.int64]
    end_us: NDArray[np.int64]
    blocks: Blocks
    time_s: FloatArray
    torque: FloatArray
    sigma: float

    def coarse(self) -> Ground:
        """The same in blocks of a second and a half: a ninth of the work, to compare orders."""
        return replace(self, blocks=make_blocks(self.time_s, COARSE_BLOCK_S))


def prepare(cycles: CycleTable, idle: NDArray[np.bool_]) -> Ground | None:
    """Take the dynamics off the cycles that idled; None where there are too few.

    Parameters
    ----------
    idle
        bool [n], throttle untouched, as :func:`~vaclog.analysis.phases.usable.idle_cycles`.
    """
    blank = replace(cycles, advance_deg=np.zeros(len(cycles)))
    rows = lagged_rows(blank, idle, LAGS)
    if len(rows) < LEAST_ROWS or np.ptp(rows.energy) == 0:
        return None
    time_us = cycles.start_us[rows.index]
    # Idling that was broken by a blip goes on where it left off.
    step_us = np.diff(time_us, prepend=time_us[0])
    usual_us = float(np.median(step_us[1:]))
    time_s = np.cumsum(np.minimum(step_us, 3.0 * usual_us)) / 1e6
    blocks = make_blocks(time_s)
    # A free level every six seconds stands for the holds while the lags are first found.
    bins = (time_s / 6.0).astype(np.int64)
    free = np.zeros((len(rows), int(bins[-1]) + 1))
    free[np.arange(len(rows)), bins] = 1.0
    columns = np.hstack([rows.lags[:, 1:], free])
    beta = np.linalg.lstsq(columns, rows.energy, rcond=None)[0]
    rest = rows.energy - columns @ beta
    lags = 2 * LAGS
    torque = rows.energy - rows.lags[:, 1:] @ beta[:lags]
    return Ground(
        rows=rows,
        time_us=time_us,
        end_us=cycles.end_us[rows.index],
        blocks=blocks,
        time_s=time_s,
        torque=torque,
        sigma=max(float(1.4826 * np.median(np.abs(rest))), 1e-9),
    )


def pair(ground: Ground | None, readings: Sequence[Reading]) -> Pairing:
    """Pair readings with holds.

    Parameters
    ----------
    ground
        Of :func:`prepare`.
    readings
        In the order in which they were taken; NaN for a hold that was not read.
    """
    if ground is None:
        return Pairing(why_not="the engine idled for too short a time")
    if len(readings) < 2:
        return Pairing(why_not="one reading alone shows no hill")
    windows = _windows(ground, readings)
    # Times leave little to be guessed.
    timed = sum(window is not None for window in windows) > len(windows) / 2
    tops, rounds = (TOPS_DEG[1:-1:2], ROUNDS - 2) if timed else (TOPS_DEG, ROUNDS)
    guesses = [
        _improve(ground, _guess(ground, readings, top, windows), readings, windows, rounds)
        for top in tops
    ]
    best = max(guesses, key=lambda each: each.evidence)
    if not math.isfinite(best.borders.log_like):
        return Pairing(
            why_not=f"{len(readings)} readings do not fit into "
            f"{(ground.time_us[-1] - ground.time_us[0]) / 1e6:.0f} seconds of idling"
        )
    borders = find_borders(
        best.fit, ground.blocks, typical_s=best.typical_s, windows=windows, draw=True
    )
    return Pairing(
        holds=_holds(ground, borders, readings),
        evidence=best.evidence,
        ways=_ways(ground, borders),
    )


def _guess(
    ground: Ground,
    readings: Sequence[Reading],
    top_deg: float,
    windows: list[tuple[int, int] | None],
) -> Guess:
    """A first guess of levels and borders from a guess of the top."""
    deg = np.array([each.deg for each in readings])
    known = np.isfinite(deg)
    middle = float(deg[known].mean()) if known.any() else 0.0
    fall = (np.where(known, deg, middle) - top_deg) ** 2
    spread = max(float(np.std(fall[known])) if known.any() else 1.0, 1e-9)
    # The scale of a first guess: the levels spread as the torque does beyond its noise.
    blocked = _block_means(ground, ground.torque)
    beyond = float(np.var(blocked)) - ground.sigma**2 / 4.0
    wide = math.sqrt(max(beyond, 0.05 * ground.sigma**2))
    centre = float(fall[known].mean()) if known.any() else 0.0
    return _placed(
        ground,
        ground.torque,
        -(fall - centre) / spread * wide + float(np.mean(ground.torque)),
        ground.sigma,
        float(ground.blocks.time_s[-1] - ground.blocks.time_s[0]) / len(readings),
        windows,
    )


def _placed(
    ground: Ground,
    torque: FloatArray,
    level: FloatArray,
    sigma: float,
    typical_s: float,
    windows: list[tuple[int, int] | None],
    penalty: float = 0.0,
) -> Guess:
    """Borders for given levels."""
    fit = _fit(ground, torque, level, sigma)
    return Guess(
        borders=find_borders(fit, ground.blocks, typical_s=typical_s, windows=windows),
        fit=fit,
        torque=torque,
        level=level,
        sigma=sigma,
        typical_s=typical_s,
        penalty=penalty,
    )


def _improve(
    ground: Ground,
    guess: Guess,
    readings: Sequence[Reading],
    windows: list[tuple[int, int] | None],
    rounds: int,
) -> Guess:
    """Levels and borders in turn."""
    for _ in range(rounds):
        if not math.isfinite(guess.borders.log_like):
            break
        torque, level, sigma, penalty = _update(
            ground, guess.borders, readings, guess.level, guess.sigma
        )
        length_s = guess.borders.length_s
        inner = length_s[1:-1] if len(readings) > 2 else length_s
        typical_s = max(float(np.exp(np.mean(np.log(np.maximum(inner, 1.0))))), 4.0)
        guess = _placed(ground, torque, level, sigma, typical_s, windows, penalty)
    return guess


def _fit(ground: Ground, torque: FloatArray, level: FloatArray, sigma: float) -> FloatArray:
    """Log-likelihood of each block under each level; wild cycles count little."""
    z = (torque[:, None] - level[None, :]) / sigma
    sound = (1.0 - _STRAY_SHARE) * np.exp(-0.5 * z * z)
    wild = _STRAY_SHARE / _STRAY_WIDTH * np.exp(-0.5 * (z / _STRAY_WIDTH) ** 2)
    each = np.log(sound + wild + 1e-12) - math.log(sigma)
    return np.asarray(np.add.reduceat(each, ground.blocks.first[:-1], axis=0))


def _update(
    ground: Ground,
    borders: Borders,
    readings: Sequence[Reading],
    level: FloatArray,
    sigma: float,
) -> tuple[FloatArray, FloatArray, float, float]:
    """New dynamics, levels, noise, penalty, given how probably a cycle belongs to a hold."""
    rows = ground.rows
    size = np.diff(ground.blocks.first)
    share = np.repeat(borders.share, size, axis=0)
    z2 = ((ground.torque - share @ level) / sigma) ** 2
    weight = 1.0 / (1.0 + _STRAY_SHARE * np.exp(np.minimum(0.48 * z2, 50.0)))
    columns = np.hstack([rows.lags[:, 1:], rows.minutes[:, None]])
    lags, holds = columns.shape[1], len(readings)
    basis, off = _hill_basis(readings, level, sigma)
    width = basis.shape[1]
    # Unknowns: lags and drift, the hill, what each level lies off it.
    normal = np.zeros((lags + width + holds, lags + width + holds))
    mixed = (columns * weight[:, None]).T @ share
    own = np.diag((share * weight[:, None]).sum(axis=0))
    normal[:lags, :lags] = (columns * weight[:, None]).T @ columns
    normal[:lags, lags : lags + width] = mixed @ basis
    normal[:lags, lags + width :] = mixed
    normal[lags : lags + width, lags : lags + width] = basis.T @ own @ basis
    normal[lags : lags + width, lags + width :] = basis.T @ own
    normal[lags + width :, lags + width :] = own + np.diag((sigma / off) ** 2)
    upper = np.triu(normal)
    normal = upper + upper.T - np.diag(np.diag(normal))
    right = np.concatenate(
        [
            (columns * weight[:, None]).T @ rows.energy,
            basis.T @ (share.T @ (weight * rows.energy)),
            share.T @ (weight * rows.energy),
        ]
    )
    scale = np.sqrt(np.maximum(np.diag(normal), 1e-12))
    answer = np.linalg.lstsq(normal / np.outer(scale, scale), right / scale, rcond=1e-10)[0] / scale
    new_level = basis @ answer[lags : lags + width] + answer[lags + width :]
    torque = rows.energy - columns @ answer[:lags]
    rest2 = (share * (torque[:, None] - new_level[None, :]) ** 2).sum(axis=1)
    new_sigma = float(np.sqrt((weight * rest2).sum() / max(weight.sum() - lags - width, 1.0)))
    own_level = answer[lags + width :]
    # A level that may lie off the hill by much must pay for it (Laplace's approximation).
    penalty = 0.5 * float(
        ((own_level / off) ** 2).sum() + np.log1p(np.diag(own) * (off / sigma) ** 2).sum()
    )
    return torque, new_level, max(new_sigma, 1e-9), penalty


def _hill_basis(
    readings: Sequence[Reading], level: FloatArray, sigma: float
) -> tuple[FloatArray, FloatArray]:
    """Columns of a parabola over the readings [K, 3], and how far each level may lie off it."""
    deg = np.array([each.deg for each in readings])
    u_deg = np.array([each.u_deg for each in readings])
    known = np.isfinite(deg)
    middle = float(deg[known].mean()) if known.any() else 0.0
    x = np.where(known, deg - middle, 0.0) / 10.0
    several = len(np.unique(np.round(deg[known])))
    basis = np.stack([np.ones(len(x)), x, x * x], axis=1)[:, : max(min(several, 3), 1)]
    spread = max(float(np.std(level)), 0.1 * sigma)
    if basis.shape[1] == 3 and known.sum() >= 3:
        _, slope, bend = np.linalg.lstsq(basis[known], level[known], rcond=None)[0]
        steep = np.abs(slope + 2.0 * bend * x) / 10.0
    else:
        steep = np.full(len(x), spread / 10.0)
    off = np.hypot(OFF_HILL * spread, steep * u_deg)
    return basis, np.where(known, off, FREE * spread + 0.1 * sigma)


def _block_means(ground: Ground, values: FloatArray) -> FloatArray:
    sums = np.add.reduceat(values, ground.blocks.first[:-1])
    return np.asarray(sums / np.diff(ground.blocks.first))


def _windows(ground: Ground, readings: Sequence[Reading]) -> list[tuple[int, int] | None]:
    """Blocks that surely belong to a reading with a time: the second before it."""
    begins_us = ground.time_us[ground.blocks.first[:-1]]
    last = len(ground.blocks)
    windows: list[tuple[int, int] | None] = []
    for each in readings:
        if each.at_us is None:
            windows.append(None)
            continue
        until = int(np.searchsorted(begins_us, each.at_us))
        since = int(np.searchsorted(begins_us, each.at_us - round(STOOD_S * 1e6)))
        until = min(max(until, 1), last)
        windows.append((min(since, until - 1), until))
    return windows


def _ways(ground: Ground, borders: Borders) -> tuple[tuple[tuple[int, int], ...], ...]:
    """Holds of each drawn way, the moves between left out."""
    edge_us = _edges_us(ground)
    half_us = round(0.5 * MOVE_S * 1e6)
    ways = []
    for path in borders.paths.tolist():
        last = len(path) - 2
        ways.append(
            tuple(
                (
                    int(edge_us[path[k]]) + (half_us if k else 0),
                    int(edge_us[path[k + 1]]) - (half_us if k < last else 0),
                )
                for k in range(last + 1)
            )
        )
    return tuple(ways)


def _edges_us(ground: Ground) -> NDArray[np.int64]:
    """Time at which each block begins, and the end of the last."""
    return np.append(ground.time_us[ground.blocks.first[:-1]], ground.end_us[-1])


def _holds(ground: Ground, borders: Borders, readings: Sequence[Reading]) -> tuple[PairedHold, ...]:
    """Holds with likely and sure borders."""
    edge_us = _edges_us(ground)
    half_us = round(0.5 * MOVE_S * 1e6)
    low, middle, high = (
        [
            int(edge_us[min(int(np.searchsorted(row, q)), len(edge_us) - 1)])
            for row in borders.before
        ]
        for q in (UNSURE, 0.5, 1.0 - UNSURE)
    )
    count = len(readings)
    holds = []
    for k, reading in enumerate(readings):
        gap = half_us if k else 0
        end_gap = half_us if k < count - 1 else 0
        start, end = middle[k] + gap, middle[k + 1] - end_gap
        end = max(end, start)
        sure_start = max(high[k] + (2 * half_us if k else 0), start)
        sure_end = min(low[k + 1] - end_gap, end)
        holds.append(
            PairedHold(
                start_us=start,
                end_us=end,
                sure_start_us=sure_start,
                sure_end_us=max(sure_end, sure_start),
                reading=reading,
            )
        )
    return tuple(holds)
