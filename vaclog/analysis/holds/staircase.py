"""When the hand went from each hold to the next, from what the engine answered.

Enters: the torque that each cycle shows (white noise about a level), and the levels that the
holds are thought to have, in order. Leaves: for each cycle how probably it belongs to each hold,
and the log-likelihood of the whole.

The holds follow each other in a known order, each with a length that is not known: an explicit
duration model (J. D. Ferguson, 1980; S. E. Levinson, Computer Speech and Language 1, 1986).
Where two neighbours have the same level, as left and right of the top, their border can lie
anywhere between; the probabilities then say so, and nothing is decided.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vaclog.signals.tables import FloatArray

# Nobody turns, lets the engine settle and reads a strobe in less.
LEAST_HOLD_S: Final = 3.0
# Holds of one hand differ in length by about half (log-normal).
LENGTH_SPREAD: Final = 0.5
# More blocks cost time and tell no more.
MOST_BLOCKS: Final = 400
# So many ways to divide stand for all (multiple imputation, D. B. Rubin, 1987: a handful serves);
# a prime, so that each hold's borders are drawn in an order of their own.
PATHS: Final = 7
LEAST_BLOCK_S: Final = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Blocks:
    """Cycles put together to blocks of half a second and more.

    Attributes
    ----------
    first
        int64 [m + 1], row of the first cycle of each block, and the count of rows.
    time_s
        float64 [m + 1], time at which each block begins, and the end.
    """

    first: np.ndarray[tuple[int], np.dtype[np.int64]]
    time_s: FloatArray

    def __len__(self) -> int:
        return len(self.first) - 1


def make_blocks(time_s: FloatArray, least_s: float = LEAST_BLOCK_S) -> Blocks:
    """Divide rows at these times (float64 [n], rising)."""
    span = float(time_s[-1] - time_s[0])
    width = max(least_s, span / MOST_BLOCKS)
    number = ((time_s - time_s[0]) / width).astype(np.int64)
    first = np.flatnonzero(np.diff(number, prepend=-1) > 0).astype(np.int64)
    end_s = float(time_s[-1] + (time_s[-1] - time_s[0]) / max(len(time_s) - 1, 1))
    return Blocks(first=np.append(first, len(time_s)), time_s=np.append(time_s[first], end_s))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Borders:
    """Probable borders between holds.

    Attributes
    ----------
    share
        float64 [m, K], probability that a block belongs to a hold.
    before
        float64 [K + 1, m + 1], probability that the border after hold k (k = 0: the beginning)
        lies before a block.
    log_like
        Of the whole.
    length_s
        Expected lengths, float64 [K].
    paths
        int64 [PATHS, K + 1], borders drawn from all that are possible, each as likely as the
        others: block at which each hold begins, and the end.
    """

    share: FloatArray
    before: FloatArray
    log_like: float
    length_s: FloatArray
    paths: NDArray[np.int64]


def find_borders(
    fit: FloatArray,
    blocks: Blocks,
    *,
    typical_s: float,
    windows: list[tuple[int, int] | None],
    draw: bool = False,
) -> Borders:
    """Forward and backward over all ways to divide the blocks into the holds.

    Parameters
    ----------
    fit
        float64 [m, K], log-likelihood of each block under the level of each hold.
    blocks
        The blocks.
    typical_s
        Usual length of a hold between others.
    windows
        For each hold: blocks [first, last) that surely belong to it, or None.
    draw
        Whether paths are wanted.
    """
    m, holds = fit.shape
    total = np.vstack([np.zeros(holds), np.cumsum(fit, axis=0)])
    length_s = blocks.time_s[None, :] - blocks.time_s[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.log(length_s / typical_s) / LENGTH_SPREAD
        inner = np.where(length_s >= LEAST_HOLD_S, -0.5 * z * z, -np.inf)
    outer = np.where(length_s >= LEAST_HOLD_S, 0.0, -np.inf)  # people linger at either end
    steps = [outer if k in (0, holds - 1) else inner for k in range(holds)]
    steps = [_windowed(step, window) for step, window in zip(steps, windows, strict=True)]
    reach = _reach(windows, m)
    ahead = np.full((holds + 1, m + 1), -np.inf)
    back = np.full((holds + 1, m + 1), -np.inf)
    ahead[0, 0] = back[holds, m] = 0.0
    for k, step in enumerate(steps):
        i, j = reach[k], reach[k + 1]
        come = (ahead[k, i] - total[i, k])[:, None] + step[i, j]
        ahead[k + 1, j] = _log_sum(come, 0) + total[j, k]
    for k in range(holds - 1, -1, -1):
        i, j = reach[k], reach[k + 1]
        go = (back[k + 1, j] + total[j, k])[None, :] + steps[k][i, j]
        back[k, i] = _log_sum(go, 1) - total[i, k]
    log_like = float(ahead[holds, m])
    if not np.isfinite(log_like):
        nothing = np.full((m, holds), 1.0 / holds)
        return Borders(
            share=nothing,
            before=np.zeros((holds + 1, m + 1)),
            log_like=-np.inf,
            length_s=np.zeros(holds),
            paths=np.zeros((0, holds + 1), dtype=np.int64),
        )
    at = np.exp(ahead + back - log_like)  # probability of each border at each block
    before = np.cumsum(at, axis=1)
    share = np.clip(before[:-1, :-1] - before[1:, :-1], 0.0, 1.0).T
    return Borders(
        share=share,
        before=before,
        log_like=log_like,
        length_s=share.T @ np.diff(blocks.time_s),
        paths=_paths(ahead, total, steps) if draw else np.zeros((0, holds + 1), dtype=np.int64),
    )


def _paths(ahead: FloatArray, total: FloatArray, steps: list[FloatArray]) -> NDArray[np.int64]:
    """Draw borders from the last to the first, at evenly spread levels of probability."""
    holds, end = len(steps), ahead.shape[1] - 1
    paths = np.zeros((PATHS, holds + 1), dtype=np.int64)
    for number in range(PATHS):
        at = end
        paths[number, holds] = at
        for k in range(holds - 1, 0, -1):
            log_chance = ahead[k] - total[:, k] + steps[k][:, at]
            below = np.cumsum(np.exp(log_chance - log_chance.max()))
            level = (number * (1 + (2 * k + 3) % (PATHS - 1)) % PATHS + 0.5) / PATHS
            at = int(np.searchsorted(below, level * below[-1]))
            paths[number, k] = at
    return paths


def _reach(windows: list[tuple[int, int] | None], m: int) -> list[slice]:
    """Blocks among which each border can lie: after the window before it, before the one after."""
    low, high = [0], [m]
    for window in windows:
        low.append(low[-1] if window is None else window[1])
    for window in reversed(windows):
        high.append(high[-1] if window is None else window[0])
    high.reverse()
    low[-1], high[0] = m, 0
    return [slice(min(a, m), max(min(b, m), min(a, m)) + 1) for a, b in zip(low, high, strict=True)]


def _windowed(step: FloatArray, window: tuple[int, int] | None) -> FloatArray:
    """Only lengths that hold the window: begin at or before its first, end at or after its last."""
    if window is None:
        return step
    first, last = window
    out = np.full_like(step, -np.inf)
    out[: first + 1, last:] = step[: first + 1, last:]
    return out


def _log_sum(values: FloatArray, axis: int) -> FloatArray:
    """Logarithm of a sum of exponentials; minus infinity where nothing is."""
    top = values.max(axis=axis)
    safe = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        out = np.log(np.exp(values - np.expand_dims(safe, axis)).sum(axis=axis)) + safe
    return np.asarray(out)
