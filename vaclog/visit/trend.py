"""How a figure goes over the visits of an engine, and whether that is more than chance.

Enters: readings, each a value with its standard uncertainty and its date. Leaves: the change
between two of them, a slope over all, and the likeliest single step, each with what chance alone
would do. Pure. Nothing here says why: that a drive is worth looking at is for the words, with
these numbers as their evidence.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

FALSE_ALARM: Final = 0.01
"""One in a hundred unchanged pairs, or rows of visits, is called changed."""

_NODES: Final = 201  # of the quadrature: no p is off by more than 2e-4
_REACH: Final = 8.0  # standard deviations


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """A figure at a visit.

    Attributes
    ----------
    at_years
        Date as a decimal year, or any other time in years.
    value, u
        Figure and standard uncertainty, the one that differs from visit to visit included.
    """

    at_years: float
    value: float
    u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """A change between two readings.

    Attributes
    ----------
    difference, u
        Second less first.
    p
        How often chance alone makes a difference as large, either way.
    changed
        ``p`` is below the false-alarm rate that was asked for.
    """

    difference: float
    u: float
    p: float
    changed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Slope:
    """A steady change, per year; ``p`` and ``changed`` as in :class:`Moved`."""

    per_year: float
    u: float
    p: float
    changed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """The likeliest single step.

    Attributes
    ----------
    before
        How many readings lie before it.
    size, u
        Level after it less level before, given that it is there.
    z
        Size over u.
    p
        How often the largest of all possible steps looks as large by chance alone: that the
        place was chosen is allowed for.
    changed
        ``p`` is below the false-alarm rate that was asked for.
    """

    before: int
    size: float
    u: float
    z: float
    p: float
    changed: bool


def moved(one: Reading, two: Reading, *, false_alarm: float = FALSE_ALARM) -> Moved:
    """Change between two readings with independent normal errors."""
    difference, u = two.value - one.value, math.hypot(one.u, two.u)
    p = two_sided(difference / u)
    return Moved(difference=difference, u=u, p=p, changed=p < false_alarm)


def slope(readings: Sequence[Reading], *, false_alarm: float = FALSE_ALARM) -> Slope | None:
    """Straight line through three or more readings, weighted by 1/u², errors as stated.

    The uncertainties are taken as known and not scaled by the scatter about the line (JCGM
    100:2008, H.3 does the other); None with fewer than three dates.
    """
    at, value, u = _columns(readings)
    if len(set(at.tolist())) < 3:
        return None
    weight = 1.0 / u**2
    middle = float(np.average(at, weights=weight))
    lever = weight * (at - middle)
    spread = float(lever @ (at - middle))
    per_year = float(lever @ value) / spread
    u_slope = math.sqrt(1.0 / spread)
    p = two_sided(per_year / u_slope)
    return Slope(per_year=per_year, u=u_slope, p=p, changed=p < false_alarm)


def step(readings: Sequence[Reading], *, false_alarm: float = FALSE_ALARM) -> Step | None:
    """The largest step between any two stretches of three or more readings in order of time.

    None with fewer than three readings. For each place the difference of the weighted means
    over its uncertainty is a standard normal under no change; the largest of them is judged by
    its own law (:func:`largest_p`).
    """
    _, value, u = _columns(sorted(readings, key=lambda each: each.at_years))
    n = len(value)
    if n < 3:
        return None
    weight = 1.0 / u**2
    done, total = np.cumsum(weight)[:-1], float(weight.sum())
    first = np.cumsum(weight * value)[:-1]
    size = (float(weight @ value) - first) / (total - done) - first / done
    u_size = np.sqrt(1.0 / done + 1.0 / (total - done))
    z = size / u_size
    best = int(np.argmax(np.abs(z)))
    p = largest_p(float(abs(z[best])), weight)
    return Step(
        before=best + 1,
        size=float(size[best]),
        u=float(u_size[best]),
        z=float(z[best]),
        p=p,
        changed=p < false_alarm,
    )


def largest_p(bound: float, weight: FloatArray) -> float:
    """Probability that the largest standardised step of unchanged readings passes a bound.

    Parameters
    ----------
    bound
        Of the absolute value.
    weight
        float64 [n], 1/u² of each reading.

    Returns
    -------
    float
        Exact but for the quadrature: the steps at successive places are a Gaussian Markov chain
        (a Brownian bridge looked at where the weights have summed up), so the chance of staying
        within the bound is carried from place to place (own derivation; the statistic is that of
        D. M. Hawkins, J. Am. Stat. Assoc. 72, 1977, from memory, who gives the same recursion
        for equal weights).
    """
    at = np.cumsum(weight)[:-1] / weight.sum()  # 0 … 1 along the bridge
    if bound <= 0.0:
        return 1.0
    grid = np.linspace(-1.0, 1.0, _NODES) * min(bound, _REACH)
    width = grid[1] - grid[0]
    trapezium = np.full(_NODES, width)
    trapezium[[0, -1]] = width / 2.0
    density = np.exp(-0.5 * grid**2) / math.sqrt(2.0 * math.pi)
    for one, two in pairwise(at.tolist()):
        # Correlation of neighbours: sqrt(s (1 - t) / (t (1 - s))) for s < t.
        rho = math.sqrt(one * (1.0 - two) / (two * (1.0 - one)))
        spread = math.sqrt(max(1.0 - rho * rho, 1e-12))
        if spread < 2.0 * width:
            continue  # nearly the same place: nothing new is risked there
        off = (grid[:, None] - rho * grid[None, :]) / spread
        kernel = np.exp(-0.5 * off**2) / (spread * math.sqrt(2.0 * math.pi))
        density = kernel @ (density * trapezium)
    return float(min(max(1.0 - density @ trapezium, 0.0), 1.0))


def two_sided(z: float) -> float:
    """How often a standard normal is as far from zero, either way."""
    return math.erfc(abs(z) / math.sqrt(2.0))


def _columns(readings: Sequence[Reading]) -> tuple[FloatArray, FloatArray, FloatArray]:
    rows = [(each.at_years, each.value, each.u) for each in readings]
    at, value, u = np.array(rows, np.float64).reshape(-1, 3).T
    if np.any(~(u > 0.0)):
        raise ValueError("a reading has no uncertainty above 0")
    return at, value, u
