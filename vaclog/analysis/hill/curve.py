"""The steady hill for the picture: manifold pressure over advance, with a band.

Enters: the fit and the pressures seen. Leaves: the pressure that the engine would settle at for
each advance, as the fit sees it, and the scatter of the pressures about it.

The torque hill of each probable node is passed through a first-order lag (flywheel and manifold
at the fit's own gain) and laid over the pressures that were seen. That gives the scale from
torque to pressure and the level: the curve is tied to the readings where they are, and to the
shape of the hill where they are not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vaclog.analysis.hill.grid import Ground, Node, Posterior
from vaclog.signals.tables import FloatArray

STEP_DEG = 0.5
# The set point lies 8 to 24 degrees short of the top in closed-cycle models of idle.
BELOW_DEG = 20.0
ABOVE_DEG = 6.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curve:
    """Steady pressure over advance with a 95 % band; all float64 [g].

    ``noise_kpa`` is the scatter of a cycle's mean pressure about the fitted hill.
    """

    deg: FloatArray
    kpa: FloatArray
    low_kpa: FloatArray
    high_kpa: FloatArray
    noise_kpa: float


def steady_curve(ground: Ground, post: Posterior, pressure_kpa: FloatArray) -> Curve:
    """Lay the probable hills over the pressures.

    Parameters
    ----------
    ground, post
        The fit.
    pressure_kpa
        float64 [n], mean pressure of the cycles of the rows.
    """
    rows = ground.rows
    low, high = float(rows.advance_deg.min()), float(rows.advance_deg.max())
    deg = np.arange(np.floor(low - BELOW_DEG), np.ceil(high + ABOVE_DEG) + STEP_DEG / 2, STEP_DEG)
    falls = _lagged(
        np.stack([_shape(node, rows.advance_deg) for node in post.nodes], axis=1), ground.gain
    )
    laid = _lay(ground, falls.T, pressure_kpa)
    curves, u_kpa = _along(laid, np.stack([_shape(node, deg) for node in post.nodes]), ground.gain)
    # The band holds both what the nodes differ by and what each leaves open. Where z = sqrt(3)
    # and weights are 1/6, 2/3, 1/6, three points carry a normal's variance.
    away = np.sqrt(3.0) * u_kpa
    stack = np.stack([curves - away, curves, curves + away], axis=1).reshape(-1, len(deg))
    mass = np.array([node.mass for node in post.nodes])
    weight = np.outer(mass, (1 / 6, 2 / 3, 1 / 6)).ravel()
    order = np.argsort(stack, axis=0)
    ranked = np.take_along_axis(stack, order, axis=0)
    below = np.cumsum(weight[order], axis=0) - weight[order] / 2
    bands = [_at(ranked, below, level) for level in (0.025, 0.5, 0.975)]
    return Curve(
        deg=deg,
        kpa=bands[1],
        low_kpa=bands[0],
        high_kpa=bands[2],
        noise_kpa=float(np.median(laid.sigma_kpa)),
    )


def _at(ranked: FloatArray, below: FloatArray, level: float) -> FloatArray:
    columns = range(ranked.shape[1])
    return np.array([np.interp(level, below[:, g], ranked[:, g]) for g in columns])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Laid:
    """Each hill laid over the pressures: pressure = level + scale * fall + drift * minutes.

    Attributes
    ----------
    beta
        float64 [k, 3], level, scale, drift.
    covariance
        float64 [k, 3, 3], as if the pressures' deviations were independent.
    sigma_kpa
        float64 [k], their standard deviation.
    """

    beta: FloatArray
    covariance: FloatArray
    sigma_kpa: FloatArray


def _lay(ground: Ground, falls: FloatArray, pressure_kpa: FloatArray) -> _Laid:
    """Weighted least squares for all hills, float64 [k, n], at a stroke.

    By QR of scaled columns, as :func:`~vaclog.analysis.hill.dynamics.least_squares`: a live look
    at the hill has sixty of them.
    """
    root = np.sqrt(ground.weights)
    ones = np.ones_like(falls)
    columns = np.stack([ones, falls, ones * ground.rows.minutes], axis=2) * root[:, None]
    y = (pressure_kpa * root)[:, None]
    scale = np.sqrt((columns**2).sum(axis=1))
    scaled = columns / scale[:, None, :]
    q, r = np.linalg.qr(scaled)
    back = q.transpose(0, 2, 1)
    beta = np.linalg.solve(r, back @ y)
    # One step of refinement buys the digits that an ill-conditioned design costs.
    beta = beta + np.linalg.solve(r, back @ (y - scaled @ beta))
    rest = (y - scaled @ beta)[:, :, 0]
    freedom = columns.shape[1] - columns.shape[2]
    variance = (rest**2).sum(axis=1) / freedom
    inverse = np.linalg.inv(r)
    each = variance[:, None, None] * (inverse @ inverse.transpose(0, 2, 1))
    return _Laid(
        beta=beta[:, :, 0] / scale,
        covariance=each / (scale[:, :, None] * scale[:, None, :]),
        sigma_kpa=np.sqrt(variance),
    )


def _along(laid: _Laid, shapes: FloatArray, gain: float) -> tuple[FloatArray, FloatArray]:
    """The curves of all hills at the shapes of a grid, float64 [k, g], and their uncertainty."""
    level, scale = laid.beta[:, :1], np.maximum(laid.beta[:, 1:2], 0.0)
    own, cross, other = (laid.covariance[:, i, j, None] for i, j in ((0, 0), (0, 1), (1, 1)))
    # Deviations keep for about the gain's number of cycles, so that many fewer are independent.
    variance = (own + 2 * cross * shapes + other * shapes**2) * (2 * gain)
    return level + scale * shapes, np.sqrt(np.maximum(variance, 0.0))


def _shape(node: Node, deg: FloatArray) -> FloatArray:
    x = deg - node.top_deg
    a = float(node.family.factor(np.array(node.r)))
    return np.asarray(x * x + a * node.family.part(x))


def _lagged(values: FloatArray, gain: float) -> FloatArray:
    """A first-order lag of ``gain`` cycles along the rows of float64 [n, nodes], begun settled."""
    # A filter of a library would take half a second and 40 MB to import, for one line.
    keep = 1.0 - 1.0 / gain
    lagged = (1.0 - keep) * values
    last = values[0]
    for row in range(len(lagged)):
        lagged[row] += keep * last
        last = lagged[row]
    return lagged
