"""Change points of a noisy line: where a series is level, where it moves, and the corners.

Enters: a series with times and weights. Leaves: segments, each level or sloping, and corners
refined on the full series. The cost of a segment (score) and the price of one more segment
(threshold) are separate arguments.

Optimal partitioning after B. Jackson et al., "An algorithm for optimal partitioning of data on
an interval", IEEE Signal Process. Lett. 12 (2005), with segment costs from running sums.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vaclog.signals.tables import FloatArray

MAD_TO_SIGMA = 1.4826  # normal distribution: sigma over median absolute deviation


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """A half-open range of rows over which the series is level or a straight line.

    Attributes
    ----------
    first, last
        Rows [first, last).
    slope
        Units of the series per second, 0.0 for a level segment.
    begin, end
        Fitted values at the first and the last row.
    """

    first: int
    last: int
    slope: float
    begin: float
    end: float


def robust_sigma(values: FloatArray) -> float:
    """Scale of a normal bulk from the median absolute deviation; NaN when empty."""
    good = values[np.isfinite(values)]
    if len(good) == 0:
        return float("nan")
    return float(MAD_TO_SIGMA * np.median(np.abs(good - np.median(good))))


def bend_sigma(values: FloatArray) -> float:
    """Noise of a series from its second differences, which no straight line enters.

    For white noise of scale s the second difference has scale s·√6.
    """
    if len(values) < 5:
        return float("nan")
    bends = values[2:] - 2.0 * values[1:-1] + values[:-2]
    return robust_sigma(bends) / float(np.sqrt(6.0))


def without_outliers(values: FloatArray, *, reach: int = 4, sigmas: float = 5.0) -> FloatArray:
    """The series with NaN where a value stands off the running median of its neighbours.

    Parameters
    ----------
    values
        float64 [n], NaN allowed.
    reach
        Neighbours to either side that vote.
    sigmas
        How many robust standard deviations are too many.
    """
    n = len(values)
    if n < 2 * reach + 1:
        return values.copy()
    middle = running_median(values, reach)
    off = values - middle
    limit = sigmas * max(robust_sigma(off), 0.1)
    return np.where(np.abs(off) > limit, np.nan, values)


def running_median(values: FloatArray, reach: int) -> FloatArray:
    """Median over ``reach`` rows to either side, NaN left out; float64 [n]."""
    padded = np.concatenate([np.full(reach, np.nan), values, np.full(reach, np.nan)])
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    counts = np.isfinite(windows).sum(axis=1)
    ordered = np.sort(windows, axis=1)  # NaN goes last
    low = np.maximum((counts - 1) // 2, 0)
    high = np.maximum(counts // 2, 0)
    rows = np.arange(len(values))
    middle: FloatArray = 0.5 * (ordered[rows, low] + ordered[rows, high])
    return middle


class _Sums:
    """Running sums that give the residual of a level and of a line over any range."""

    def __init__(self, t: FloatArray, y: FloatArray, w: FloatArray) -> None:
        def run(x: FloatArray) -> FloatArray:
            return np.concatenate([[0.0], np.cumsum(x)])

        self.w, self.t, self.y = run(w), run(w * t), run(w * y)
        self.tt, self.ty, self.yy = run(w * t * t), run(w * t * y), run(w * y * y)

    def costs(self, i: NDArray[np.intp], j: int) -> tuple[FloatArray, FloatArray]:
        """Weighted residual squares over rows [i, j) of a level and of a line."""
        w = np.maximum(self.w[j] - self.w[i], 1e-12)
        t, y = self.t[j] - self.t[i], self.y[j] - self.y[i]
        tt = self.tt[j] - self.tt[i] - t * t / w
        ty = self.ty[j] - self.ty[i] - t * y / w
        level = np.maximum(self.yy[j] - self.yy[i] - y * y / w, 0.0)
        line = np.maximum(level - ty * ty / np.maximum(tt, 1e-9), 0.0)
        return level, line


def split(
    t_s: FloatArray,
    y: FloatArray,
    w: FloatArray,
    *,
    level_price: float,
    line_price: float,
    longest: int = 360,
) -> list[Segment]:
    """Best division into level and sloping segments.

    Parameters
    ----------
    t_s, y, w
        float64 [n]: seconds, values, weights (1/variance; 0 leaves a row out).
    level_price, line_price
        What one more segment of either kind costs, in units of weighted residual squares.
    longest
        A segment covers at most so many rows (keeps the work linear in n).

    Returns
    -------
    list of Segment
        They partition the rows.
    """
    n = len(y)
    if n == 0:
        return []
    t = t_s - float(t_s.mean())
    sums = _Sums(t, np.where(w > 0, y, 0.0), w)
    best = np.zeros(n + 1)
    back = np.zeros(n + 1, dtype=np.intp)
    sloping = np.zeros(n + 1, dtype=bool)
    for j in range(1, n + 1):
        i = np.arange(max(0, j - longest), j)
        level, line = sums.costs(i, j)
        level += best[i] + level_price
        line += best[i] + line_price
        a, b = int(level.argmin()), int(line.argmin())
        sloping[j] = line[b] < level[a]
        back[j] = i[b] if sloping[j] else i[a]
        best[j] = min(level[a], line[b])
    segments = []
    j = n
    while j > 0:
        i0 = int(back[j])
        segments.append(_segment(t, y, w, slice(i0, j), sloping=bool(sloping[j])))
        j = i0
    return segments[::-1]


def _segment(t: FloatArray, y: FloatArray, w: FloatArray, rows: slice, *, sloping: bool) -> Segment:
    """Fit one level or line."""
    i, j = rows.start, rows.stop
    weight = np.maximum(w[i:j], 1e-12)
    centre = float(np.average(t[i:j], weights=weight))
    level = float(np.average(np.where(w[i:j] > 0, y[i:j], 0.0), weights=weight))
    slope = 0.0
    if sloping and j - i > 1:
        dt = t[i:j] - centre
        values = np.where(w[i:j] > 0, y[i:j], level)
        slope = float(np.sum(weight * dt * (values - level)) / np.sum(weight * dt * dt))
    return Segment(
        first=i,
        last=j,
        slope=slope,
        begin=level + slope * float(t[i] - centre),
        end=level + slope * float(t[j - 1] - centre),
    )


def corner(
    t_s: FloatArray, y: FloatArray, grid_s: FloatArray, *, level_before: bool, level_after: bool
) -> float:
    """Time of the corner between two straight pieces that join, by least squares on a grid.

    Parameters
    ----------
    t_s, y
        float64 [n], both pieces and nothing else; NaN rows are left out.
    grid_s
        Candidate times.
    level_before, level_after
        A piece that is known to be level has no slope to fit.

    Returns
    -------
    float
        The candidate with the smallest sum of absolute-limited squares.
    """
    good = np.isfinite(y)
    t, v = t_s[good], y[good]
    if not len(grid_s):
        return float("nan")
    away = t - grid_s[:, None]
    slopes = [] if level_before else [np.minimum(away, 0.0)]
    slopes += [] if level_after else [np.maximum(away, 0.0)]
    return float(grid_s[_costs([np.ones_like(away), *slopes], v).argmin()])


def ramp_between_levels(
    t_s: FloatArray, y: FloatArray, starts_s: FloatArray, ends_s: FloatArray
) -> tuple[float, float]:
    """Start and end of a short move between two levels.

    The mean over a grid, weighed by the likelihood: with noise, quite different pairs fit a
    short move equally well, and the best of them is often an extreme one.

    Parameters
    ----------
    t_s, y
        float64 [n]; NaN rows are left out.
    starts_s, ends_s
        Candidate times; pairs in the wrong order are skipped.
    """
    good = np.isfinite(y)
    t, v = t_s[good], y[good]
    first, last = np.nonzero(ends_s[None, :] > starts_s[:, None] + 0.05)
    if not len(first):
        return float(starts_s[0]), float(ends_s[-1])
    pairs = np.stack([starts_s[first], ends_s[last]], axis=1)
    costs = _ramp_costs(t, v, pairs)
    least = float(costs.min())
    variance = max(least / max(len(v) - 4, 1), 1e-4)
    weight = np.exp(-0.5 * (costs - least) / variance)
    start, end = (float(x) for x in weight @ pairs / weight.sum())
    return start, end


def _ramp_costs(t: FloatArray, v: FloatArray, pairs: FloatArray) -> FloatArray:
    """Residual squares of two levels joined by a ramp, float64 [p], for p starts and ends.

    The two levels have normal equations that are solved at a stroke for all pairs: a live look
    at the sweep asks for tens of thousands.
    """
    start, end = pairs[:, :1], pairs[:, 1:]
    late = np.clip((t - start) / (end - start), 0.0, 1.0)
    early = 1.0 - late
    ee, el, ll = (early**2).sum(1) + 1e-9, (early * late).sum(1), (late**2).sum(1) + 1e-9
    ev, lv = early @ v, late @ v
    det = ee * ll - el**2
    before, after = (ll * ev - el * lv) / det, (ee * lv - el * ev) / det
    rest = v - before[:, None] * early - after[:, None] * late
    return np.asarray((rest**2).sum(1))


def plateau(
    t_s: FloatArray, y: FloatArray, grid_s: FloatArray, *, longest_s: float
) -> tuple[float, float]:
    """Start and end of the level between two slopes that join it, by least squares on a grid.

    Parameters
    ----------
    t_s, y
        float64 [n]; NaN rows are left out.
    grid_s
        Candidate times for both.
    longest_s
        Longest level that is tried; a level of no length is a corner.
    """
    good = np.isfinite(y)
    t, v = t_s[good], y[good]
    length_s = grid_s - grid_s[:, None]
    first, last = np.nonzero((length_s >= 0.0) & (grid_s <= grid_s[:, None] + longest_s))
    starts, ends = grid_s[first], grid_s[last]
    before = np.minimum(t - starts[:, None], 0.0)
    after = np.maximum(t - ends[:, None], 0.0)
    best = int(_costs([np.ones_like(before), before, after], v).argmin())
    return float(starts[best]), float(ends[best])


def _costs(columns: Sequence[FloatArray], v: FloatArray) -> FloatArray:
    """Residual squares after least squares, float64 [g], for g designs at a stroke.

    Parameters
    ----------
    columns
        Each float64 [g, n]: one column of every design.
    v
        float64 [n].
    """
    design = np.stack(columns, axis=1)
    gram = design @ design.transpose(0, 2, 1) + 1e-9 * np.eye(len(columns))
    solution = np.linalg.solve(gram, (design @ v)[:, :, None])[:, :, 0]
    rest = v - np.einsum("gk,gkn->gn", solution, design)
    return np.asarray((rest**2).sum(axis=1))
