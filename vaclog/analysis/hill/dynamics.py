"""Rows of the engine's dynamics: what the speed of a cycle owes to the cycles before it.

Enters: a cycle table and a mask of usable cycles. Leaves: :class:`Rows`, the response, its
lags and the advance of each row, and :class:`Projection`, which takes the nuisances out of
anything once and for all.

The work of a cycle changes the engine's kinetic energy, so the response is half the square of
speed (as a percentage of its mean), not speed: the inertia then enters as one constant
however far the speed moves in a sweep. Lags of the same quantity stand for friction and for
speed being a mean over a cycle. The advance of a row is the one at the spark that starts the
cycle. Nothing later than that spark enters a row, so a hand that follows the needle and weights
that follow the speed do no harm.

The lags must foretell two things at once: how far speed settles over a whole sweep, and what the
chance of single combustions does within a second. Over a sweep pressure and speed keep to the
throttle's law, which is bent (:func:`settled_percent`); within a second they do not. So what is
lagged beside the energy is not the pressure but how far it stands above that law, which is
nothing once all has settled; and the torque that the settled pressure gives, bent as the law is,
is counted in (:func:`bend`). With plain pressures in the lags, chance decided how much of the
law's bend was taken for the hill's: the advanced side then looked too flat, and the top a quarter
of a degree too far retarded.

The spark's own jitter is told from what the hand does (:func:`stray`): it is that of No. 1 alone,
so the engine feels a part of it only, and it moves the cycle's own edge, so that a cycle begun
early is a long one. Neither is a slope of the hill; in long holds nothing else moves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vaclog.signals.tables import CycleFlag, CycleTable, FloatArray, IntArray

# Speed is a mean over a cycle, so the torque's white scatter reaches it as a moving average with
# coefficient 0.27 (a random walk averaged over its steps; H. Working, Econometrica 28, 1960).
# Three lags render that to 2 %; two more follow cylinders that remember their last cycle and a
# mixture that wanders. On simulated engines 5 held the truth more often than 3 or 7 when the
# sweep went one way only, and as often otherwise.
ORDER = 5
# Cycles before, whose line foretells where a hand that stands or turns steadily has the spark; more
# would follow a hand less well, fewer leave more of the jitter in the foretelling.
FORETELLING = 10
# Further off, or while it turns faster (2 degrees a second), the hand itself moved: no jitter.
_LARGEST_STRAY_DEG = 1.0
_STEADY_DEG_PER_CYCLE = 0.3
_ROUNDING_DEG = 1e-6
# Air through a throttle all but choked does not depend on pressure, so what a cylinder draws in a
# cycle goes as one over speed; a fifth of the pressure is that of residual gas, which stays.
# 0.79 to 0.88 on a dozen simulated engines without chance.
THROTTLE_SHARE = 0.8
# Of the torque that brings speed back after a disturbance: what the settled pressure gives, over
# all of it. Indicated work goes as the charge, so 1.7 bar of an idle over 0.8, and pumping adds
# 0.4: 2.6 bar of mean effective pressure for a pressure by its own size. Of that 0.8 come
# back with speed, and friction brings 0.2: 2.6 / (0.8 * 2.6 + 0.2) (J. B. Heywood, Internal
# Combustion Engine Fundamentals, ch. 13, friction from memory). With 0.9 or 1.3
# the tops of simulated sweeps move by 0.03 degrees in the mean.
PRESSURE_SHARE = 1.1
_SPOILT = int(CycleFlag.SPLIT | CycleFlag.GAP | CycleFlag.RAIL | CycleFlag.CRANKING)

# Innovations: most are normal, a few (misfire, a foot on the throttle, a bad pulse) are not.
_OUTLIER_SHARE = 0.02
_OUTLIER_WIDTH = 5.0
_MAD_TO_SIGMA = 1.4826  # of the normal distribution


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rows:
    """One row per usable cycle that has all its lags.

    Attributes
    ----------
    index
        int64 [n], row in the cycle table.
    energy
        float64 [n], kinetic energy of the cycle, 100 * rpm**2 / (2 * mean rpm**2), less its mean
        and less the bend of the cycle before (:func:`bend`).
    lags
        float64 [n, 1 + 2 * order], a constant, lags of energy less the same bend, lags of how far
        pressure stands above what the throttle would settle, in per cent of its mean.
    above
        float64 [n], the latter for the cycle itself.
    minutes
        float64 [n], time from the middle of the rows.
    advance_deg
        float64 [n], at the spark that starts the cycle.
    stray_deg
        float64 [n], the part of it that is jitter of the spark.
    charge
        float64 [n], pressure of the cycle before over its mean: work scales with it.
    kpa_per_percent
        Mean pressure over 100.
    follows
        bool [n], True where the row before is the cycle before.
    """

    index: IntArray
    energy: FloatArray
    lags: FloatArray
    above: FloatArray
    minutes: FloatArray
    advance_deg: FloatArray
    stray_deg: FloatArray
    charge: FloatArray
    kpa_per_percent: float
    follows: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.index)


def lagged_rows(cycles: CycleTable, use: NDArray[np.bool_], order: int = ORDER) -> Rows:
    """Build the rows.

    Parameters
    ----------
    cycles
        The table.
    use
        bool [n], cycles that may be a response. Lags may lie outside it.
    order
        Number of lags of either channel.
    """
    sound = (cycles.flags & _SPOILT) == 0
    sound &= np.isfinite(cycles.rpm) & np.isfinite(cycles.pressure_kpa) & (cycles.rpm > 0)
    # Cycles in an unbroken run of sound ones, this one included.
    broken = (cycles.flags & int(CycleFlag.AFTER_BREAK)) > 0
    run = np.zeros(len(cycles), dtype=np.int64)
    length = 0
    for k, (good, cut) in enumerate(zip(sound.tolist(), broken.tolist(), strict=True)):
        length = (1 if cut else length + 1) if good else 0
        run[k] = length
    index = np.flatnonzero(use & (run > order) & np.isfinite(cycles.advance_deg))
    if len(index) == 0:
        return _no_rows(order)
    rpm, kpa = cycles.rpm, cycles.pressure_kpa
    mean_rpm, mean_kpa = float(rpm[index].mean()), float(kpa[index].mean())
    energy = 50.0 * (rpm / mean_rpm) ** 2
    energy = energy - energy[index].mean()
    above = 100.0 * (kpa / mean_kpa - 1.0) - settled_percent(rpm, mean_rpm)
    bent = bend(rpm[index - 1], mean_rpm)
    back = range(1, order + 1)
    columns = [np.ones(len(index))]
    columns += [energy[index - i] - bent for i in back] + [above[index - i] for i in back]
    minutes = cycles.start_us[index] / 60e6
    return Rows(
        index=index.astype(np.int64),
        energy=energy[index] - bent,
        lags=np.stack(columns, axis=1),
        above=above[index],
        minutes=minutes - minutes.mean(),
        advance_deg=cycles.advance_deg[index],
        stray_deg=stray(cycles.advance_deg)[index],
        charge=kpa[index - 1] / mean_kpa,
        kpa_per_percent=mean_kpa / 100.0,
        follows=np.diff(index, prepend=-1) == 1,
    )


def settled_percent(rpm: FloatArray, mean_rpm: float) -> FloatArray:
    """Where the throttle settles pressure at a speed, per cent off its mean; float64 [n]."""
    return np.asarray(100.0 * THROTTLE_SHARE * (mean_rpm / rpm - 1.0))


def bend(rpm: FloatArray, mean_rpm: float) -> FloatArray:
    """By how much energy the settled pressure's torque leaves its tangent; float64 [n].

    Counted in energy whose loss would give the same torque.
    """
    ratio = rpm / mean_rpm
    tangent = -50.0 * THROTTLE_SHARE * (ratio**2 - 1.0)
    return PRESSURE_SHARE * (settled_percent(rpm, mean_rpm) - tangent)


def stray(advance_deg: FloatArray) -> FloatArray:
    """Each advance less what the line through those before it foretells; float64 [n].

    Zero where the hand moved, or too little is known before.
    """
    out = np.zeros(len(advance_deg))
    if len(advance_deg) <= FORETELLING:
        return out
    back = np.stack([np.ones(FORETELLING), np.arange(-FORETELLING, 0.0)], axis=1)
    level, slope = np.linalg.pinv(back)
    before = np.lib.stride_tricks.sliding_window_view(advance_deg[:-1], FORETELLING)
    away = advance_deg[FORETELLING:] - before @ level
    # What only rounding makes is none: a column of it would be a column of chance.
    jitter = (np.abs(away) > _ROUNDING_DEG) & (np.abs(away) < _LARGEST_STRAY_DEG)
    jitter &= np.abs(before @ slope) < _STEADY_DEG_PER_CYCLE
    out[FORETELLING:] = np.where(jitter, away, 0.0)
    return out


def _no_rows(order: int) -> Rows:
    none = np.zeros(0)
    return Rows(
        index=np.zeros(0, dtype=np.int64),
        energy=none,
        lags=np.zeros((0, 1 + 2 * order)),
        above=none,
        minutes=none,
        advance_deg=none,
        stray_deg=none,
        charge=none,
        kpa_per_percent=1.0,
        follows=np.zeros(0, dtype=bool),
    )


class Projection:
    """Weighted least squares on the nuisance columns, done once by QR.

    Parameters
    ----------
    columns
        float64 [n, m].
    weights
        float64 [n], inverse relative variances of the rows.
    """

    def __init__(self, columns: FloatArray, weights: FloatArray) -> None:
        self.root = np.sqrt(weights)
        scale = np.maximum(np.abs(columns).max(axis=0), 1e-300)
        q, r = np.linalg.qr(columns / scale * self.root[:, None])
        size = np.abs(np.diag(r))
        # A channel that does not move (a simulated constant, say) adds no direction.
        self.basis = q[:, size > 1e-10 * size.max()]

    def residual(self, values: FloatArray) -> FloatArray:
        """What the nuisances cannot explain: weighted ``values`` [..., n] less their part."""
        scaled = values * self.root
        return np.asarray(scaled - (scaled @ self.basis) @ self.basis.T)


def least_squares(columns: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Ordinary least squares by QR of scaled columns.

    Returns
    -------
    coefficients : ndarray [m]
    covariance : ndarray [m, m]
    sigma : float
        Residual standard deviation.
    """
    scale = np.sqrt((columns**2).sum(axis=0))
    q, r = np.linalg.qr(columns / scale)
    beta = np.linalg.solve(r, q.T @ y)
    # One step of refinement buys the digits that an ill-conditioned design costs.
    beta = beta + np.linalg.solve(r, q.T @ (y - columns / scale @ beta))
    rest = y - columns / scale @ beta
    freedom = len(y) - columns.shape[1]
    variance = float(rest @ rest) / freedom if freedom > 0 else float("nan")
    inverse = np.linalg.inv(r)
    covariance = variance * (inverse @ inverse.T) / np.outer(scale, scale)
    return beta / scale, covariance, float(np.sqrt(variance))


def innovation_weights(rest: FloatArray, follows: NDArray[np.bool_]) -> FloatArray:
    """Weights of rows from their innovations: a mixture of sound ones and a few wild ones.

    The weight is the expected inverse variance given the innovation (a step of the EM
    algorithm for a contaminated normal distribution). A combustion that fails late in a cycle
    shows partly in the next one, so the neighbours of a clear outlier count no more than it.

    Parameters
    ----------
    rest
        float64 [n], innovations.
    follows
        bool [n], True where the row before is the cycle before.
    """
    share = _sound_share(rest)
    pair = np.where(follows[1:], _sound_share(rest[1:] + rest[:-1], _OUTLIER_SHARE / 4), 1.0)
    share[1:] = np.minimum(share[1:], pair)
    share[:-1] = np.minimum(share[:-1], pair)
    clear = np.where(share < 0.5, share, 1.0)
    before = np.where(follows, np.concatenate([[1.0], clear[:-1]]), 1.0)
    after = np.concatenate([np.where(follows[1:], clear[1:], 1.0), [1.0]])
    return np.asarray(np.minimum(share, np.minimum(before, after)))


def _sound_share(values: FloatArray, wild_share: float = _OUTLIER_SHARE) -> FloatArray:
    """Probability of each value to be one of the many normal ones, not one of the few wild."""
    sigma = _MAD_TO_SIGMA * float(np.median(np.abs(values - np.median(values))))
    if sigma <= 0:
        return np.ones(len(values))
    z2 = (values / sigma) ** 2
    sound = (1 - wild_share) * np.exp(-0.5 * z2)
    wild = wild_share / _OUTLIER_WIDTH * np.exp(-0.5 * z2 / _OUTLIER_WIDTH**2)
    return np.asarray(sound / (sound + wild))


def ljung_box_p(rest: FloatArray, lags: int, fitted: int = 0) -> float:
    """P-value of the Ljung-Box test on innovations.

    G. M. Ljung and G. E. P. Box, Biometrika 65 (1978): Q = n (n + 2) sum r_i**2 / (n - i) is
    chi-squared with ``lags - fitted`` degrees of freedom when the innovations are white.
    """
    from scipy.special import chdtrc

    n = len(rest)
    if n <= lags + 1:
        return float("nan")
    e = rest - rest.mean()
    total = float(e @ e)
    if total <= 0:
        return float("nan")
    r = np.array([float(e[i:] @ e[:-i]) / total for i in range(1, lags + 1)])
    q = n * (n + 2) * float((r**2 / (n - np.arange(1, lags + 1))).sum())
    return float(chdtrc(max(lags - fitted, 1), q))
