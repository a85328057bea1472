"""The plain parabola: a check on the hill fit, not the answer.

Enters: x and y of independent points. Leaves: the vertex with its standard error and Fieller's
interval. On cycles of an engine the points are not independent, and the interval comes out
three times too narrow: there the hill fit of :mod:`~vaclog.analysis.hill.fit` serves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vaclog.analysis.hill.dynamics import least_squares
from vaclog.signals.tables import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Vertex:
    """Vertex of a fitted parabola.

    Attributes
    ----------
    x, u_x
        Place, and its standard error by the delta method.
    low, high
        Fieller's interval; minus and plus infinity where the curvature is not significant.
    curvature
        Coefficient of the square.
    sigma
        Residual standard deviation.
    """

    x: float
    u_x: float
    low: float
    high: float
    curvature: float
    sigma: float


def fit_vertex(x: FloatArray, y: FloatArray, level: float = 0.95) -> Vertex:
    """Fit y = b0 + b1 x + b2 x**2 and find its vertex.

    Parameters
    ----------
    x, y
        float64 [n], n > 3.
    level
        Of the interval.

    Notes
    -----
    Vertex v = -b1 / 2 b2. Its variance by the delta method is (V11 - 2 (b1/b2) V12 + (b1/b2)**2
    V22) / 4 b2**2. Fieller's bounds are the roots v of (b1 + 2 b2 v)**2 = t**2 (V11 + 4 v V12
    + 4 v**2 V22); E. C. Fieller, J. R. Stat. Soc. B 16 (1954).
    """
    from scipy.stats import t as student

    center = float(x.mean())
    z = x - center
    beta, cov, sigma = least_squares(np.stack([np.ones(len(z)), z, z * z], axis=1), y)
    b1, b2 = float(beta[1]), float(beta[2])
    v11, v12, v22 = float(cov[1, 1]), float(cov[1, 2]), float(cov[2, 2])
    ratio = b1 / b2
    variance = (v11 - 2 * ratio * v12 + ratio**2 * v22) / (4 * b2**2)
    t2 = float(student.ppf(0.5 + level / 2, len(x) - 3)) ** 2
    # a v**2 + b v + c = 0
    a, b, c = 4 * (b2**2 - t2 * v22), 4 * (b1 * b2 - t2 * v12), b1**2 - t2 * v11
    low, high = -np.inf, np.inf
    if a > 0:
        root = np.sqrt(max(b * b - 4 * a * c, 0.0))
        low, high = (-b - root) / (2 * a), (-b + root) / (2 * a)
    return Vertex(
        x=center - ratio / 2,
        u_x=float(np.sqrt(variance)),
        low=center + float(low),
        high=center + float(high),
        curvature=b2,
        sigma=sigma,
    )
