"""Shapes a hill may have, and what is held likely of them beforehand.

Enters: distance from the top. Leaves: the fall from the top in square degrees, for a few
families of shapes.

All families are ``x**2 + a * g(x)``: a parabola and one lopsided part, linear in ``a``. The
parameter ``r`` says by how much the advanced side is steeper than the retard side, ten degrees
from the top: 0.2 is 20 %.

- *halves*: two half-parabolas, r the same at any distance;
- *cubic*: x**2 tanh(x / 25 deg), within twenty degrees nearly a cubic: what closed-cycle models of
  combustion give, and also what a best advance that moves with load looks like when swept.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from vaclog.signals.tables import FloatArray

AT_DEG = 10.0  # where r is counted


@dataclass(frozen=True, slots=True)
class Family:
    """One family: the lopsided part, and its factor for a given r."""

    name: str
    part: Callable[[FloatArray], FloatArray]
    factor: Callable[[FloatArray], FloatArray]


def _halves(x: FloatArray) -> FloatArray:
    return np.where(x > 0, x * x, 0.0)


def _bend(width_deg: float) -> Callable[[FloatArray], FloatArray]:
    def part(x: FloatArray) -> FloatArray:
        return np.asarray(x * x * np.tanh(x / width_deg))

    return part


def _bend_factor(width_deg: float) -> Callable[[FloatArray], FloatArray]:
    # (1 + a t) / (1 - a t) = 1 + r at AT_DEG
    at = float(np.tanh(AT_DEG / width_deg))

    def factor(r: FloatArray) -> FloatArray:
        return np.asarray(r / (2.0 + r) / at)

    return factor


HALVES = Family("halves", _halves, lambda r: r)
CUBIC = Family("cubic", _bend(25.0), _bend_factor(25.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class HillPrior:
    """What is held likely of a hill before the data speak.

    Attributes
    ----------
    families
        Shapes, equally likely.
    lopsided, u_lopsided
        Median of r, and standard deviation of the logarithm of 1 + r, which is normal: what is
        likely is a ratio of the two sides, and it cannot fall below nothing. Closed-cycle models
        give r of 0.05 to 0.4 at a fixed operating point, and 0.3 to 0.8 along a sweep in which
        the best advance moves with speed and pressure; measured hills are also found
        nearly symmetric. 95 % lie between -0.35 and 1.1.
    drift_percent_per_min
        (share, standard deviation) of the drift of idle speed with hands off. One normal
        with 2 % (17 rpm a minute at 850) serves: mixtures with a wide tail followed a drift that
        was not there when the sweep went one way only.
    bend_percent_per_deg2
        Bend of the steady hill of speed, per cent per square degree: 3.1e-4 of torque
        (2 to 5e-4, Heywood ch. 9 and closed-cycle models) times 0.82 of speed per torque
        (from the balance of a throttled idle: a loss of torque is made up by pressure, which
        grows as speed falls).
    u_settling
        Standard deviation of the settling row: a third of the usual 0.2, for a bend known
        to a third.
    lowest_deg, highest_deg
        The best advance of an idling engine lies between.
    """

    families: tuple[Family, ...] = (HALVES, CUBIC)
    lopsided: float = 0.17
    u_lopsided: float = 0.30
    drift_percent_per_min: tuple[tuple[float, float], ...] = ((1.0, 2.0),)
    u_settling: float = 0.07
    bend_percent_per_deg2: float = 0.0254
    lowest_deg: float = -15.0
    highest_deg: float = 80.0

    def ratios(self, z: FloatArray) -> FloatArray:
        """r at so many standard deviations from its median."""
        return np.asarray((1.0 + self.lopsided) * np.exp(self.u_lopsided * z) - 1.0)

    def log_density(self, r: FloatArray) -> FloatArray:
        """Logarithm of the density over r, up to a constant; r above -1."""
        log = np.log1p(r)
        z = (log - np.log1p(self.lopsided)) / self.u_lopsided
        return np.asarray(-0.5 * z * z - log)
