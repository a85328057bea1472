"""Whether something moved: two stretches of a correlated series are compared.

Enters: the advance (or the pressure) of the cycles before and after the clamp was tightened.
Leaves: a :class:`LockVerdict` with the difference, its interval, and what may be said.

Cycles of an idling engine are no independent readings: speed and pressure wander like a spring
in the wind, and the advance with them where weights follow the speed. The standard error of a
mean is therefore taken from a first-order autoregression fitted to both stretches about their
own means: s**2 (1 + phi) / (1 - phi) / n, the variance of a mean of an AR(1) series for long n
(G. E. P. Box, G. M. Jenkins, Time Series Analysis, 1970, ch. 2). phi is corrected for the bias
of short series, (1 + 3 phi) / n (M. G. Kendall, Biometrika 41, 1954), and Student's t takes as
many degrees of freedom as there are independent readings.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

import numpy as np

from vaclog.signals.tables import FloatArray

# A hand sets to about a degree of the crank (0.3 mm at the rim); half of it matters.
TOLERANCE_DEG: Final = 0.5
# The hill's slope at the set point is 0.1 to 0.3 kPa a degree, so this is about two degrees.
TOLERANCE_KPA: Final = 0.35
_LEAST: Final = 12  # cycles on each side
_PHI_MOST: Final = 0.97

Held: TypeAlias = Literal["held", "moved", "unsure"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LockVerdict:
    """What the comparison says.

    Attributes
    ----------
    verdict
        "moved": the interval excludes no change and the change is large enough to matter;
        "held": the whole interval is within twice the tolerance; "unsure": neither yet.
    moved, u_moved
        Difference of means (after less before) and its standard uncertainty.
    low, high
        95 % interval.
    phi
        Correlation of a cycle with the one before that was allowed for.
    """

    verdict: Held
    moved: float
    u_moved: float
    low: float
    high: float
    phi: float


def compare(before: FloatArray, after: FloatArray, *, tolerance: float) -> LockVerdict:
    """Compare two stretches of the same series.

    Parameters
    ----------
    before, after
        float64, one value a cycle in order; NaN is left out.
    tolerance
        A change that matters, in the unit of the series.
    """
    before, after = before[np.isfinite(before)], after[np.isfinite(after)]
    if min(len(before), len(after)) < _LEAST:
        nan = math.nan
        return LockVerdict(verdict="unsure", moved=nan, u_moved=nan, low=nan, high=nan, phi=nan)
    from scipy.special import stdtrit

    moved = float(after.mean() - before.mean())
    phi, variance = _memory(before, after)
    per_reading = (1.0 + phi) / (1.0 - phi)
    u_moved = math.sqrt(variance * per_reading * (1.0 / len(before) + 1.0 / len(after)))
    freedom = max((len(before) + len(after)) / per_reading - 2.0, 2.0)
    half = float(stdtrit(freedom, 0.975)) * u_moved
    low, high = moved - half, moved + half
    verdict: Held = "unsure"
    if abs(moved) >= tolerance and (low > 0.0 or high < 0.0):
        verdict = "moved"
    elif max(abs(low), abs(high)) <= 2.0 * tolerance:
        verdict = "held"
    return LockVerdict(verdict=verdict, moved=moved, u_moved=u_moved, low=low, high=high, phi=phi)


def _memory(before: FloatArray, after: FloatArray) -> tuple[float, float]:
    """Correlation from cycle to cycle and variance, each about its own mean."""
    off = [part - part.mean() for part in (before, after)]
    squares = sum(float(part @ part) for part in off)
    products = sum(float(part[1:] @ part[:-1]) for part in off)
    n = sum(len(part) for part in off)
    if squares <= 0.0:
        return 0.0, 0.0
    # Each part lost one product and one degree of freedom.
    raw = products / squares * n / (n - len(off))
    phi = min(max(raw + (1.0 + 3.0 * raw) / (n / len(off)), 0.0), _PHI_MOST)
    # The mean of a correlated stretch follows it: the squares about it are too small by the
    # share that the mean itself varies.
    lost = len(off) * (1.0 + phi) / (1.0 - phi) / n
    return phi, squares / n / max(1.0 - lost, 0.1)
