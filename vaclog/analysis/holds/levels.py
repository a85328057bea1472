"""What each hold answered: one level of torque a hold, with what is common to them.

Enters: a table that carries readings, and a mask of usable cycles. Leaves: :class:`Levels`.

The same rows as in the hill fit: the energy of a cycle on lags of itself and of pressure, time
with a prior on its drift, and one column a hold in place of the hill. As long as the hand stands
still within a hold, the levels and their covariance hold all that the cycles know of the hill.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vaclog.analysis.hill.dynamics import ORDER, innovation_weights, lagged_rows
from vaclog.analysis.hill.shape import HillPrior
from vaclog.analysis.holds.fill import hold_of
from vaclog.signals.tables import CycleTable, FloatArray

WEIGHT_ROUNDS = 3
# A hold with fewer rows says nothing and would only cost an unknown.
LEAST_ROWS = 6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Levels:
    """Levels of the holds.

    Attributes
    ----------
    deg
        float64 [K], what was read at each.
    level
        float64 [K + 1], torque at each hold less a constant common to all; last, what the lags
        leave of a lasting disturbance, 1 - sum a.
    covariance
        float64 [K + 1, K + 1], of the levels.
    sigma
        Innovations per cycle, same unit.
    hold
        int64 [K], numbers of :func:`~vaclog.analysis.holds.fill.hold_of`.
    rows
        Rows that went in.
    """

    deg: FloatArray
    level: FloatArray
    covariance: FloatArray
    sigma: float
    hold: NDArray[np.int64]
    rows: int

    def __len__(self) -> int:
        return len(self.deg)


def find_levels(cycles: CycleTable, use: NDArray[np.bool_], prior: HillPrior) -> Levels | None:
    """Estimate the levels; None where there are too few holds or rows."""
    rows = lagged_rows(cycles, use)
    if len(rows) == 0:
        return None
    numbers = hold_of(cycles)[rows.index]
    holds, counts = np.unique(numbers[numbers >= 0], return_counts=True)
    holds = holds[counts >= LEAST_ROWS]
    if len(holds) < 3 or len(rows) < 3 * (len(holds) + 2 * ORDER):
        return None
    kept = np.isin(numbers, holds)
    numbers, energy = numbers[kept], rows.energy[kept]
    own = (numbers[:, None] == holds[None, :]) * rows.charge[kept][:, None]
    lags = rows.lags[kept][:, 1:]
    # The middle of the rows, not of all cycles: drift and levels are then least entangled.
    minutes = rows.minutes[kept] - rows.minutes[kept].mean()
    columns = np.hstack([lags, minutes[:, None], own])
    weights = np.ones(len(energy))
    for _ in range(WEIGHT_ROUNDS):
        root = np.sqrt(weights)
        beta = np.linalg.lstsq(columns * root[:, None], energy * root, rcond=None)[0]
        rest = energy - columns @ beta
        weights = innovation_weights(rest, rows.follows[kept])
    spent = max(float(weights.sum()) - columns.shape[1], 1.0)
    sigma = max(float(np.sqrt((weights * rest**2).sum() / spent)), 1e-9)
    level, covariance = _with_priors(columns, energy, weights, sigma, prior)
    deg = np.array([float(cycles.advance_deg[rows.index[kept]][numbers == h][0]) for h in holds])
    return Levels(
        deg=deg,
        level=level,
        covariance=covariance,
        sigma=sigma,
        hold=holds.astype(np.int64),
        rows=len(energy),
    )


def _with_priors(
    columns: FloatArray, energy: FloatArray, weights: FloatArray, sigma: float, prior: HillPrior
) -> tuple[FloatArray, FloatArray]:
    """Weighted least squares with the row of settling and the prior of drift."""
    width = columns.shape[1]
    own = width - 2 * ORDER - 1
    normal = np.zeros((width + 1, width + 1))
    normal[:width, :width] = (columns * weights[:, None]).T @ columns
    right = np.append((columns * weights[:, None]).T @ energy, 0.0)
    beta = np.linalg.lstsq(normal[:width, :width], right[:width], rcond=1e-12)[0]
    gain = 1.0 / min(max(1.0 - float(beta[:ORDER].sum()), 0.03), 0.5)
    drift = max(percent for _, percent in prior.drift_percent_per_min)
    normal[2 * ORDER, 2 * ORDER] += (sigma * gain / drift) ** 2
    settling = np.zeros(width + 1)
    settling[:ORDER] = settling[-1] = 1.0
    weight = (sigma / prior.u_settling) ** 2
    normal += weight * np.outer(settling, settling)
    right += weight * settling
    scale = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    inverse = np.linalg.pinv(normal / np.outer(scale, scale), rcond=1e-13) / np.outer(scale, scale)
    answer = inverse @ right
    wanted = np.arange(width + 1 - own - 1, width + 1)
    return answer[wanted], sigma**2 * inverse[np.ix_(wanted, wanted)]
