"""The posterior of the top on a grid: the arithmetic of the hill fit.

Enters: rows of the dynamics and a prior. Leaves: the posterior of the best advance, summed over
everything else. The model is described in :mod:`~vaclog.analysis.hill.fit`.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass

import numpy as np

from vaclog.analysis.hill.colour import colour
from vaclog.analysis.hill.dynamics import Projection, Rows, innovation_weights
from vaclog.analysis.hill.shape import Family, HillPrior
from vaclog.signals.tables import FloatArray

REACH_DEG = 30.0  # how far beyond the swept range the top is looked for
COARSE_DEG = 1.0
WEIGHT_ROUNDS = 4
FINE_POINTS = 161
R_POINTS = 29
R_REACH = 2.8  # standard deviations of the prior covered by the grid
FLAT_R = (-0.5, 1.2)
END_DEG = 3.0
NODES = 60
# What the model itself misses: on fifty simulated engines without chance, swept for five minutes,
# the tops found lie so far from the true ones (root mean square), with an interval of nothing.
MODEL_DEG = 0.15


class Ground:
    """Rows with weights, and everything that does not depend on the hill's shape.

    Parameters
    ----------
    rows
        The rows.
    prior
        What is held likely beforehand.
    settling
        Whether the row of :meth:`_settling` stands below the data.

    Attributes
    ----------
    weights
        float64 [n], from the innovations of a free cubic.
    rest
        float64 [n], those innovations.
    colour
        Their variance at the pace of the hand, over what it would be if they were white.
    sigma
        Their weighted standard deviation at that pace.
    gain
        Steady change of energy for a lasting change of torque by one unit.
    """

    def __init__(self, rows: Rows, prior: HillPrior, *, settling: bool = True) -> None:
        self.rows, self.prior, self.settling = rows, prior, settling
        x = rows.advance_deg - rows.advance_deg.mean()
        smooth = np.stack([x, x * x, x**3], axis=1) * rows.charge[:, None]
        free = np.hstack([rows.lags, rows.minutes[:, None], smooth, rows.stray_deg[:, None]])
        weights = np.ones(len(rows))
        # A free cubic serves for a hill while the weights are found: no shape is preferred.
        for _ in range(WEIGHT_ROUNDS):
            root = np.sqrt(weights)
            # By singular values: a channel that stands still must not stop the fit.
            beta = np.linalg.lstsq(free * root[:, None], rows.energy * root, rcond=None)[0]
            rest = rows.energy - free @ beta
            weights = innovation_weights(rest, rows.follows)
        self.weights, self.rest = weights, rest
        spent = max(weights.sum() - free.shape[1], 1.0)
        # Where noise lasts as long as the hand rests, so many rows tell as much as one.
        self.colour = colour(rest, rows.advance_deg, rows.minutes, weights)
        self.sigma = float(np.sqrt(self.colour * (weights * rest**2).sum() / spent))
        self.gain = _steady_gain(rows, beta)
        self.freedom = (weights.sum() - rows.lags.shape[1] - 2) / self.colour
        self._project()

    def without_settling(self) -> Ground:
        """The same rows and weights, the data alone."""
        other = copy(self)
        other.settling = False
        other._project()
        return other

    def _project(self) -> None:
        columns, weights = np.column_stack([self.rows.lags, self.rows.stray_deg]), self.weights
        if self.settling:
            row, weight = self._settling()
            columns, weights = np.vstack([columns, row]), np.append(weights, weight)
        self.projection = Projection(columns, weights)
        self.y = self.residual(self.rows.energy, below=1.0)
        self.d = self.residual(self.rows.minutes)
        self.yy, self.dd = float(self.y @ self.y), float(self.d @ self.d)
        self.dy = float(self.d @ self.y)
        self.drifts = self._drifts(self.prior)

    def _settling(self) -> tuple[FloatArray, float]:
        """One more row: how far an idle settles for a given hill is nearly known.

        With the throttle untouched pressure falls as speed rises, so a lasting loss of torque by
        1 % costs about 0.8 % of speed in any engine; and a degree squared costs about 3e-4 of
        torque. So the steady hill of speed has a known bend, and h / bend must be what the
        lags leave: 1 - sum a, for pressure then stands where the throttle settles it.
        """
        order = (self.rows.lags.shape[1] - 1) // 2
        row = np.concatenate([[0.0], np.ones(order), np.zeros(order + 1)])
        return row, (self.sigma / self.prior.u_settling) ** 2

    def residual(self, values: FloatArray, below: float = 0.0) -> FloatArray:
        """What lags and level leave of ``values`` [..., n], with ``below`` in the last row."""
        if self.settling:
            last = np.full((*values.shape[:-1], 1), below)
            values = np.concatenate([values, last], axis=-1)
        return self.projection.residual(values)

    def _drifts(self, prior: HillPrior) -> list[tuple[float, float]]:
        """For each drift prior: log of share and determinant, precision after the data."""
        drifts = []
        for share, percent in prior.drift_percent_per_min:
            # Energy in per cent moves twice what speed does, and its mean is 50.
            precision = (self.sigma * self.gain / percent) ** 2
            size = 0.5 * np.log(precision / (self.dd + precision))
            drifts.append((float(np.log(share) + size), self.dd + precision))
        return drifts


def _steady_gain(rows: Rows, beta: FloatArray) -> float:
    """What the lags of energy leave of a disturbance adds up; nothing else lasts."""
    order = (rows.lags.shape[1] - 1) // 2
    # A flywheel and manifold of about a second at five to nine cycles a second.
    return 1.0 / min(max(1.0 - float(beta[1 : 1 + order].sum()), 0.03), 0.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Node:
    """One hill of the grid: its top, lopsidedness, family, height and probability."""

    top_deg: float
    r: float
    family: Family
    h: float
    mass: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Posterior:
    """Posterior of the top.

    Attributes
    ----------
    top_deg, mass
        float64 [g], grid and probability of each point.
    flat_deg
        Median under a flat prior of r.
    evidence
        Log-likelihood of the best hill over no hill.
    nodes
        The most probable hills.
    open_end
        Share of probability near the ends of the grid of tops.
    """

    top_deg: FloatArray
    mass: FloatArray
    flat_deg: float
    evidence: float
    nodes: tuple[Node, ...]
    open_end: float

    def quantiles(self, *levels: float) -> list[float]:
        """Quantiles of the top."""
        return _quantiles(self.top_deg, self.mass, levels)

    def spread(self) -> float:
        """Standard deviation of the top."""
        mean = float(self.mass @ self.top_deg)
        return float(np.sqrt(self.mass @ (self.top_deg - mean) ** 2))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Surface:
    """Log posterior [g, f, r] without the prior of r, fitted h, and gain over no hill."""

    log_mass: FloatArray
    h: FloatArray
    gain: FloatArray


def posterior(ground: Ground, prior: HillPrior) -> Posterior:
    """Sum the likelihood over everything but the top, first coarsely, then where it matters."""
    low, high = float(ground.rows.advance_deg.min()), float(ground.rows.advance_deg.max())
    coarse = np.arange(
        max(low - REACH_DEG, prior.lowest_deg),
        min(high + REACH_DEG, prior.highest_deg) + COARSE_DEG / 2,
        COARSE_DEG,
    )
    z = np.linspace(-R_REACH, R_REACH, R_POINTS)
    r = prior.ratios(z)
    flat_r = np.linspace(*FLAT_R, R_POINTS)
    weight = np.repeat(-0.5 * z * z, len(prior.families)).reshape(R_POINTS, -1).T
    mass = _over_top(_surface(ground, coarse, r, prior).log_mass + weight)
    ends = (coarse < coarse[0] + END_DEG) | (coarse > coarse[-1] - END_DEG)
    flat = _over_top(_surface(ground, coarse, flat_r, prior).log_mass)
    fine = _zoom(coarse, mass)
    surface = _surface(ground, fine, r, prior)
    full = surface.log_mass + weight
    wide = _zoom(coarse, flat)
    flat = _over_top(_surface(ground, wide, flat_r, prior).log_mass)
    return Posterior(
        top_deg=fine,
        mass=_blurred(fine, _over_top(full)),
        flat_deg=_quantiles(wide, flat, (0.5,))[0],
        evidence=_evidence(ground, prior, r),
        nodes=_nodes(full, surface, fine, r, prior),
        open_end=float(mass[ends].sum()),
    )


def _evidence(ground: Ground, prior: HillPrior, r: FloatArray) -> float:
    """Log-likelihood of the best hill with a top in reach over no hill, from the data alone."""
    advance = ground.rows.advance_deg
    tops = np.arange(advance.min() - REACH_DEG, advance.max() + REACH_DEG, 2 * COARSE_DEG)
    return float(_surface(ground.without_settling(), tops, r[::4], prior).gain.max())


def _over_top(log_mass: FloatArray) -> FloatArray:
    """Probability of each top: the sum over families and r."""
    mass = np.exp(log_mass - log_mass.max()).sum(axis=(1, 2))
    return np.asarray(mass / mass.sum())


def _zoom(coarse: FloatArray, mass: FloatArray) -> FloatArray:
    """A grid over the part of the coarse one that carries the probability."""
    reached = np.flatnonzero(mass > 1e-5 * mass.max())
    low = max(coarse[reached[0]] - COARSE_DEG, coarse[0])
    high = min(coarse[reached[-1]] + COARSE_DEG, coarse[-1])
    return np.linspace(low, high, FINE_POINTS)


def _blurred(top_deg: FloatArray, mass: FloatArray) -> FloatArray:
    """The same with what the model misses: each top may be another within that."""
    z = (top_deg[:, None] - top_deg[None, :]) / MODEL_DEG
    kernel = np.exp(-0.5 * z * z)
    return np.asarray((kernel / kernel.sum(axis=0)) @ mass)


def _quantiles(top: FloatArray, mass: FloatArray, levels: tuple[float, ...]) -> list[float]:
    below = np.cumsum(mass) - mass / 2
    return [float(v) for v in np.interp(levels, below, top)]


def _nodes(
    full: FloatArray, surface: _Surface, top: FloatArray, r: FloatArray, prior: HillPrior
) -> tuple[Node, ...]:
    """Hills at equal steps of probability, so that few stand for the whole posterior."""
    steps = np.cumsum(np.exp(full - full.max()).ravel())
    wanted = (np.arange(NODES) + 0.5) / NODES * steps[-1]
    picks, counts = np.unique(np.searchsorted(steps, wanted), return_counts=True)
    nodes = []
    for pick, count in zip(picks, counts, strict=True):
        g, f, k = np.unravel_index(pick, full.shape)
        nodes.append(
            Node(
                top_deg=float(top[g]),
                r=float(r[k]),
                family=prior.families[f],
                h=float(surface.h[g, f, k]),
                mass=float(count) / NODES,
            )
        )
    return tuple(nodes)


def _surface(ground: Ground, top_deg: FloatArray, r: FloatArray, prior: HillPrior) -> _Surface:
    """Evaluate all hills with tops [g] and lopsidedness [r].

    A shape is an even part and ``a`` times an odd one, so a few inner products per top and
    family serve for every r.
    """
    rows, y, d = ground.rows, ground.y, ground.d
    x = rows.advance_deg[None, :] - top_deg[:, None]
    # The hill enters the rows as -h * shape, and the settling row as h / bend.
    even = ground.residual(rows.charge * x * x, below=-1.0 / prior.bend_percent_per_deg2)
    ee, ey, ed = (even**2).sum(axis=1), even @ y, even @ d
    shape = (len(top_deg), len(prior.families), len(r))
    log_mass, h, gain = np.empty(shape), np.empty(shape), np.empty(shape)
    none = _no_hill(ground)
    for f, family in enumerate(prior.families):
        odd = ground.residual(rows.charge * family.part(x))
        oo, oy, od = (odd**2).sum(axis=1), odd @ y, odd @ d
        eo = (even * odd).sum(axis=1)
        a = family.factor(r)[None, :]
        ss = ee[:, None] + 2 * a * eo[:, None] + a * a * oo[:, None]
        sy = ey[:, None] + a * oy[:, None]
        sd = ed[:, None] + a * od[:, None]
        log_mass[:, f], h[:, f], gain[:, f] = _over_drift(ground, ss, sy, sd)
    return _Surface(log_mass=log_mass, h=h, gain=gain - none)


def _no_hill(ground: Ground) -> float:
    """Log-likelihood without a hill."""
    left = [
        size - 0.5 * ground.freedom * np.log(ground.yy - ground.dy**2 / dd)
        for size, dd in ground.drifts
    ]
    return float(np.logaddexp.reduce(left))


def _over_drift(
    ground: Ground, ss: FloatArray, sy: FloatArray, sd: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Integrate out drift, height and noise.

    Parameters
    ----------
    ss, sy, sd
        float64 [g, r], inner products of the shape with itself, response and drift.

    Returns
    -------
    log_mass, h, like : ndarray [g, r]
        Log posterior density, height of the hill, log-likelihood at that height.
    """
    half = 0.5 * ground.freedom
    parts, heights, likes = [], [], []
    for size, dd in ground.drifts:
        # An exactly fitted response (noise-free input) must not give a logarithm of zero.
        left = max(ground.yy - ground.dy**2 / dd, 1e-300)
        den = np.maximum(ss - sd**2 / dd, 1e-12 * ss + 1e-300)
        num = sy - sd * ground.dy / dd
        rest = np.maximum(left - num**2 / den, 1e-12 * left)
        u = np.sqrt(rest / ground.freedom / den)
        h = -num / den
        like = size - half * np.log(rest)
        # Density proportional to h for h > 0: the mean of the positive part of a normal.
        parts.append(like - 0.5 * np.log(den) + np.log(u) + log_mean_positive(h / u))
        heights.append(np.maximum(h, 0.0))
        likes.append(np.where(h > 0, like, size - half * np.log(left)))
    stack = np.stack(parts)
    log_mass = np.logaddexp.reduce(stack, axis=0)
    weight = np.exp(stack - log_mass)
    h = (weight * np.stack(heights)).sum(axis=0)
    return log_mass, h, np.logaddexp.reduce(np.stack(likes), axis=0)


def log_mean_positive(z: FloatArray) -> FloatArray:
    """log E[max(z + N(0, 1), 0)] = log(phi(z) + z Phi(z)), without underflow."""
    from scipy.special import erfcx, ndtr

    # Below zero, phi(z) (1 + z Phi(z) / phi(z)) with the ratio from erfcx, which stays finite;
    # beyond -30 only the normal's tail still matters.
    low = np.clip(z, -30.0, 0.0)
    ratio = np.sqrt(np.pi / 2) * erfcx(-low / np.sqrt(2))
    below = np.log(np.maximum(1 + low * ratio, 1e-12)) - 0.5 * np.log(2 * np.pi)
    below = below - 0.5 * np.minimum(z, 0.0) ** 2
    high = np.maximum(z, 0.0)
    above = np.log(np.exp(-0.5 * high**2) / np.sqrt(2 * np.pi) + high * ndtr(high))
    return np.asarray(np.where(z < 0, below, above))
