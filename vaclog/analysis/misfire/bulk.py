"""A skewed bulk with a bump beside it: the law of a score when some cycles are events.

Enters: scores. Leaves: the law of the ordinary cycles with the place of a bump, if there is
one, for the threshold of a wanted rate of false alarms; and the rate of events where they
drown in the bulk.

The bulk is Tukey's g-distribution, x = A + B·(exp(g·z) - 1)/g with z standard normal (J. W.
Tukey, Exploratory Data Analysis, 1977; D. C. Hoaglin in Exploring Data Tables, Trends, and
Shapes, 1985, from memory): one number for skewness, since weak strokes are often further out
than strong ones, and the best of several scores is skewed by itself. The bump is normal.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from vaclog.analysis.phases.segments import robust_sigma
from vaclog.signals.tables import FloatArray

# A bump must be better than no bump by this much log likelihood: its three numbers and the
# freedom of its place make 3 to 4 units by chance alone.
BUMP_EVIDENCE = 6.0
PLACES = (3.0, 4.5, 6.0, 8.0, 11.0, 15.0)  # starts of the search, in spreads above the middle
# Lost strokes scatter like the others around them, and by their own charge: usual spread.
BUMP_SPREAD, BUMP_SPREAD_SHARE = 1.1, 0.1
# How far the logarithm of the spread may be off: near the bulk hardly, or a wide bump would
# swallow its shoulder; further out much, since several strokes may be lost in one cycle.
NEAR, FAR, LOG_NEAR, LOG_FAR = 5.0, 8.0, 0.05, 0.5
BIN = 0.05  # of the score, a twentieth of its scatter
LEAST_PLACE = 2.0  # a bump nearer than this is a shoulder of the bulk
LOG_ROOT_TWO_PI = float(np.log(np.sqrt(2 * np.pi)))


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoreLaw:
    """Law of the score.

    Attributes
    ----------
    middle, spread, skew
        A, B and g of the bulk.
    share
        Of cycles in the bump; 0 without one.
    place
        Where the bump is; NaN without one.
    """

    middle: float
    spread: float
    skew: float
    share: float
    place: float

    def exceeded(self, rate: float) -> float:
        """Score that an ordinary cycle exceeds with this probability."""
        from scipy.special import ndtri

        z = -float(ndtri(rate))
        if abs(self.skew) < 1e-6:
            return self.middle + self.spread * z
        return self.middle + self.spread * float(np.expm1(self.skew * z)) / self.skew


def bulk_log_density(x: FloatArray, middle: float, spread: float, skew: float) -> FloatArray:
    """Logarithm of the density of Tukey's g-distribution; -745 outside its support."""
    u = (x - middle) / spread
    if abs(skew) < 1e-6:
        out: FloatArray = -0.5 * u * u - np.log(spread) - 0.5 * np.log(2.0 * np.pi)
        return out
    inside = 1.0 + skew * u
    safe = np.maximum(inside, 1e-12)
    z = np.log(safe) / skew
    log = -0.5 * z * z - np.log(spread * safe) - 0.5 * np.log(2.0 * np.pi)
    return np.where(inside > 1e-12, np.maximum(log, -745.0), -745.0)


def fit_law(x: FloatArray) -> ScoreLaw:
    """Maximum likelihood of the bulk, with a bump where the data want one.

    Parameters
    ----------
    x
        float64 [n], finite.
    """
    start = _start(x)
    # Counts in narrow bins tell the same and cost a tenth.
    place_of = np.round(x / BIN).astype(np.int64)
    bins, count = np.unique(place_of, return_counts=True)
    centre, weight = bins.astype(np.float64) * BIN, count.astype(np.float64)
    first = np.array([start[0], np.log(start[1]), start[2]])
    steps = np.array([0.1, 0.1, 0.1, 0.5, 0.7, 0.3])
    plain, plain_cost = _search(lambda p: _cost(centre, weight, p), first, steps[:3])
    best, best_cost = plain, plain_cost
    for place in PLACES:
        at = start[0] + place * start[1]
        tail = float((x > at - 1.0).mean())
        if tail == 0.0:
            break
        share = float(np.clip(tail, 2.0 / len(x), 0.4))
        guess = np.array([*first, np.log(share / (1.0 - share)), at, np.log(_usual_spread(at))])
        found, cost = _search(lambda p: _cost(centre, weight, p), guess, steps)
        if cost < best_cost:
            best, best_cost = found, cost
    if len(best) == 3 or plain_cost - best_cost < BUMP_EVIDENCE:
        return ScoreLaw(
            middle=plain[0],
            spread=float(np.exp(plain[1])),
            skew=plain[2],
            share=0.0,
            place=float("nan"),
        )
    share = 1.0 / (1.0 + float(np.exp(-best[3])))
    return ScoreLaw(
        middle=best[0],
        spread=float(np.exp(best[1])),
        skew=best[2],
        share=share,
        place=best[4],
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class RateLaw:
    """Rate of events that drown, from all scores together.

    Attributes
    ----------
    share, low, high
        Events per cycle, with 95 % interval.
    separation
        Mean score of an event at its own cell.
    skew
        Of the ordinary scores.
    evidence
        Log likelihood gained over no events.
    """

    share: float
    low: float
    high: float
    separation: float
    skew: float
    evidence: float


def fit_rate(z: FloatArray, echoes: FloatArray) -> RateLaw:
    """Rate of events from the distribution of all scores, each event with all its echoes.

    Every event lifts many cells by known shares of its own score, so the law of a score is
    the bulk and copies of it moved by those shares. One number each for rate and size, fitted
    by maximum likelihood together with the bulk; cells are not independent, so the likelihood
    is divided by how many cells one event speaks through.

    Parameters
    ----------
    z
        float64 [n, N], finite.
    echoes
        float64 [N, c]: scores around an event as shares of its own, by place.
    """
    places = z.shape[1]
    edges = np.arange(-8.0, 16.01, 0.2)
    centre = 0.5 * (edges[1:] + edges[:-1])
    seen = np.histogram(np.clip(z, -7.9, 15.9), edges)[0].astype(np.float64)
    shares = echoes.ravel()[np.abs(echoes.ravel()) > 0.1]
    grouped, counts = np.unique(np.round(shares / 0.05) * 0.05, return_counts=True)
    per_cell = counts / places**2  # cells moved so per cell and event per cycle
    temper = float(np.sum(grouped**2 * counts)) / places

    def cost(p: FloatArray) -> float:
        if not (-1.0 < p[1] < 1.0 and -0.3 < p[2] < 0.5):
            return 1e12
        rate, size = (0.0, 0.0) if len(p) == 3 else (float(np.exp(p[3])), p[4])
        if rate > 0.3 or not 0.0 <= size < 15.0:
            return 1e12
        spread = float(np.exp(p[1]))
        base = np.exp(bulk_log_density(centre, p[0], spread, p[2]))
        law = base.copy()
        if rate > 0.0:
            off = centre[:, None] - size * grouped
            moved = np.exp(bulk_log_density(off.ravel(), p[0], spread, p[2])).reshape(off.shape)
            law += rate * ((moved - base[:, None]) @ per_cell)
        return float(-(seen @ np.log(np.maximum(law, 1e-12))) / temper)

    plain, plain_cost = _search(cost, np.array([0.0, 0.0, 0.0]), np.array([0.1, 0.1, 0.05]))
    best, best_cost = plain, plain_cost
    for size in (3.0, 4.0, 6.0):
        start = np.array([*plain, np.log(0.02), size])
        found, value = _search(cost, start, np.array([0.05, 0.05, 0.05, 0.7, 0.7]))
        if value < best_cost:
            best, best_cost = found, value
    if len(best) == 3:
        return RateLaw(share=0.0, low=0.0, high=0.0, separation=0.0, skew=plain[2], evidence=0.0)
    profile = []
    logs = best[3] + np.linspace(-1.8, 1.8, 13)
    for q in logs:
        others = np.array([*best[:3], best[4]])
        _, value = _search(
            lambda p, q=q: cost(np.array([*p[:3], q, p[3]])),  # type: ignore[misc]
            others,
            np.array([0.02, 0.02, 0.02, 0.3]),
        )
        profile.append(value)
    inside = logs[np.array(profile) - best_cost < 1.92]
    return RateLaw(
        share=float(np.exp(best[3])),
        low=float(np.exp(inside.min())) if len(inside) else 0.0,
        high=float(np.exp(inside.max())) if len(inside) else 1.0,
        separation=best[4],
        skew=best[2],
        evidence=plain_cost - best_cost,
    )


def _search(
    cost: Callable[[FloatArray], float], start: FloatArray, steps: FloatArray
) -> tuple[FloatArray, float]:
    """Nelder-Mead with a simplex of given steps."""
    from scipy.optimize import minimize

    options: dict[str, Any] = {
        "initial_simplex": np.vstack([start, start + np.diag(steps)]),
        "xatol": 1e-3,
        "fatol": 1e-2,
        "maxiter": 600,
    }
    search: Any = minimize  # its stubs do not know these options
    found = search(cost, start, method="Nelder-Mead", options=options)
    return np.asarray(found.x, np.float64), float(found.fun)


def _start(x: FloatArray) -> list[float]:
    """First guess of middle, spread and skewness from quantiles that a bump hardly touches."""
    q15, q50, q85 = np.quantile(x, [0.15, 0.5, 0.85])
    z = 1.0364  # standard normal at 85 %
    skew = float(np.log(max(q85 - q50, 1e-9) / max(q50 - q15, 1e-9))) / z
    return [float(q50), max(robust_sigma(x), 1e-6), float(np.clip(skew, -0.5, 0.8))]


def _usual_spread(place: float) -> float:
    return float(np.hypot(BUMP_SPREAD, BUMP_SPREAD_SHARE * place))


def _cost(x: FloatArray, weight: FloatArray, p: FloatArray) -> float:
    """Negative log likelihood of (A, log B, g[, logit share, place, log spread])."""
    from scipy.special import expit, log_expit

    if not (-0.6 < p[2] < 1.2 and -5.0 < p[1] < 5.0):
        return 1e12
    bulk = bulk_log_density(x, p[0], float(np.exp(p[1])), p[2])
    if len(p) == 3:
        return -float(weight @ bulk)
    if p[4] - p[0] < LEAST_PLACE * float(np.exp(p[1])) or expit(p[3]) > 0.6:
        return 1e12
    if not -0.5 < p[5] < 2.5:
        return 1e12
    spread = float(np.exp(p[5]))
    bump = -(((x - p[4]) / spread) ** 2) / 2.0 - LOG_ROOT_TWO_PI - np.log(spread)
    mixed = np.logaddexp(bulk + log_expit(-p[3]), bump + log_expit(p[3]))
    off = p[5] - float(np.log(_usual_spread(p[4])))
    off /= float(np.interp(p[4], [NEAR, FAR], [LOG_NEAR, LOG_FAR]))
    return float(0.5 * off * off - weight @ mixed)
