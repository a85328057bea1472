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

from vaclog.analysis.hill.dynamics import least_squares
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
    curves, masses, noises = [], [], []
    falls = _lagged(
        np.stack([_shape(node, rows.advance_deg) for node in post.nodes], axis=1), ground.gain
    )
    for node, fall in zip(post.nodes, np.ascontiguousarray(falls.T), strict=True):
        curve, u_kpa, noise = _one(ground, node, fall, pressure_kpa, deg)
        # The band holds both what the nodes differ by and what each leaves open.
        curves += [curve - u_kpa, curve, curve + u_kpa]
        masses += [node.mass / 6, 2 * node.mass / 3, node.mass / 6]
        noises.append(noise)
    stack, weight = np.array(curves), np.array(masses)
    order = np.argsort(stack, axis=0)
    ranked = np.take_along_axis(stack, order, axis=0)
    below = np.cumsum(weight[order], axis=0) - weight[order] / 2
    bands = [_at(ranked, below, level) for level in (0.025, 0.5, 0.975)]
    return Curve(
        deg=deg,
        kpa=bands[1],
        low_kpa=bands[0],
        high_kpa=bands[2],
        noise_kpa=float(np.median(noises)),
    )


def _at(ranked: FloatArray, below: FloatArray, level: float) -> FloatArray:
    columns = range(ranked.shape[1])
    return np.array([np.interp(level, below[:, g], ranked[:, g]) for g in columns])


def _one(
    ground: Ground, node: Node, fall: FloatArray, pressure_kpa: FloatArray, deg: FloatArray
) -> tuple[FloatArray, FloatArray, float]:
    """The curve of one hill, its standard uncertainty, and the pressure's scatter about it."""
    rows = ground.rows
    columns = np.stack([np.ones(len(rows)), fall, rows.minutes], axis=1)
    root = np.sqrt(ground.weights)
    beta, covariance, sigma = least_squares(columns * root[:, None], pressure_kpa * root)
    shape = _shape(node, deg)
    # Deviations keep for about the gain's number of cycles, so that many fewer are independent.
    inflate = 2 * ground.gain
    at = np.stack([np.ones(len(deg)), shape, np.zeros(len(deg))], axis=1)
    variance = np.einsum("gi,ij,gj->g", at, covariance, at) * inflate
    scale = max(float(beta[1]), 0.0)
    # Where z = sqrt(3) and weights are 1/6, 2/3, 1/6, three points carry a normal's variance.
    return beta[0] + scale * shape, np.sqrt(3 * variance), sigma


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
