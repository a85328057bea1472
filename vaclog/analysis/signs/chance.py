"""What chance alone would do: errors of means and slopes of series that remember.

Enters: series of cycles. Leaves: estimates with errors that hold for correlated noise, and
probabilities. Idle pressure and speed remember for about a second; errors taken from single
cycles would be several times too small.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from vaclog.signals.tables import FloatArray, IntArray

# Share of captures of sound engines that may pass the statistical part of each threshold.
FALSE_ALARM: Final = 0.001


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A slope with its error.

    Attributes
    ----------
    slope, u
        Estimate and standard uncertainty, per unit of the abscissa.
    p
        Two-sided probability of so large a slope by chance.
    points
        How many independent points it rests on.
    """

    slope: float
    u: float
    p: float
    points: int


def block_error(values: FloatArray, length: int) -> tuple[FloatArray, FloatArray]:
    """Mean of rows and its standard error from the means of blocks.

    Blocks longer than the memory of the series are independent, whatever happens within them
    (batch means; e.g. A. M. Law, Simulation Modeling and Analysis, ch. 9, from memory).

    Parameters
    ----------
    values
        float64 [n, m], no NaN.
    length
        Rows in a block.

    Returns
    -------
    mean, error : float64 [m]
        NaN with fewer than three blocks.
    """
    count = len(values) // length
    if count < 3:
        none = np.full(values.shape[1], np.nan)
        return none, none
    blocks = values[: count * length].reshape(count, length, -1).mean(axis=1)
    return blocks.mean(axis=0), blocks.std(axis=0, ddof=1) / np.sqrt(count)


def slope(
    at: FloatArray, values: FloatArray, group: IntArray, *, bend: bool = False
) -> Line | None:
    """Common slope of groups that each have a level of their own.

    Least squares; the variance is inflated by (1 + r) / (1 - r) with r the correlation of
    neighbours that is left (first-order memory), and the degrees of freedom shrink alike.

    Parameters
    ----------
    at, values
        float64 [n], in order within a group; best means of blocks, so that r is small.
    group
        int64 [n].
    bend
        Take a bend out as well, so that what fills up and saturates is not called correlated
        noise; the slope is then that of the middle.

    Returns
    -------
    Line or None
        None with fewer than three points more than unknowns.
    """
    from scipy.special import stdtr

    _, row = np.unique(group, return_inverse=True)
    levels = int(row.max()) + 1 if len(row) else 0
    spare = len(at) - levels - 1 - bend
    if spare < 3:
        return None
    count = np.bincount(row)

    def level_off(column: FloatArray) -> FloatArray:
        return np.asarray(column - (np.bincount(row, column) / count)[row])

    x, y = level_off(at), level_off(values)
    if bend:
        square = level_off(x * x)
        power = float(square @ square)
        if power > 0.0:  # x is left alone where it is symmetrical, as even blocks are
            x, y = x - square * float(square @ x) / power, y - square * float(square @ y) / power
    spread = float(x @ x)
    if spread <= 0.0:
        return None
    b = float(x @ y) / spread
    rest = y - b * x
    memory = _memory(rest, row, 2 + bend)
    grow = (1.0 + memory) / (1.0 - memory)
    u = float(np.sqrt(rest @ rest / spare * grow / spread))
    free = max(spare / grow, 2.0)
    p = 2.0 * float(stdtr(free, -abs(b) / u)) if u > 0 else 0.0
    return Line(slope=b, u=u, p=p, points=len(at))


def _memory(rest: FloatArray, group: IntArray, terms: int) -> float:
    """Correlation of neighbours within groups, 0 to 0.8; what a fit takes out is put back."""
    same = group[1:] == group[:-1]
    pairs = int(same.sum())
    power = float(rest @ rest)
    if pairs < 4 or power <= 0.0:
        return 0.0
    r = float((rest[1:] * rest[:-1])[same].sum()) / power * len(rest) / pairs
    # Residuals lean to the negative: by (1 + 3 r) / n about a level, (2 + 4 r) / n about a line
    # (M. G. Kendall, Biometrika 41, 1954, for the level, from memory), and so on.
    r += (terms + (terms + 2) * max(r, 0.0)) * (int(group.max()) + 1) / len(rest)
    return float(np.clip(r, 0.0, 0.8))


def blocks(time_s: FloatArray, values: FloatArray, length_s: float) -> tuple[FloatArray, ...]:
    """Means over whole blocks of time.

    Parameters
    ----------
    time_s
        float64 [n], rising.
    values
        float64 [n, m].

    Returns
    -------
    at_s : float64 [b]
    means : float64 [b, m]
    """
    if len(time_s) == 0:
        return np.empty(0), np.empty((0, values.shape[1]))
    number = np.floor((time_s - time_s[0]) / length_s).astype(np.int64)
    whole = time_s[-1] - time_s[0] >= (number + 1) * length_s - 0.5  # the last one may fall short
    number, time_s, values = number[whole], time_s[whole], values[whole]
    if len(number) == 0:
        return np.empty(0), np.empty((0, values.shape[1]))
    kept, row = np.unique(number, return_inverse=True)
    count = np.bincount(row).astype(np.float64)
    means = np.stack(
        [np.bincount(row, column) / count for column in values.T] or [np.empty(len(kept))], axis=1
    )
    return np.bincount(row, time_s) / count, means
