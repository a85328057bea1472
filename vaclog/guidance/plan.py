"""What more sweep would bring: the expected uncertainty of the top after another pass.

Enters: the cycles so far with their fit, and where the hand could go. Leaves: the standard
uncertainty that the fit would then have, and the pass that brings it down soonest.

The model is the hill fit's own: energy of a cycle from its lags, drift, and the hill at the
advance of its spark (see :mod:`vaclog.analysis.hill.fit`). The dynamics are fitted once to the
cycles so far; cycles to come are made with them along the planned way, with the innovations of
the past used again, so that they wander as this engine does. What such rows would tell of the
top is their Fisher information with lags, drift, height and lopsidedness unknown and the fit's
priors on drift and lopsidedness: u**2 is the top's entry of the inverse. It costs one small
least squares for each way that is looked at.

Only the ratio to the same figure without the pass is used, times the fit's own interval: what
the linear picture leaves out (other shapes, tails) cancels to a good part.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vaclog.analysis.hill.dynamics import ORDER, THROTTLE_SHARE, lagged_rows, least_squares
from vaclog.analysis.hill.fit import DEFAULT_PRIOR
from vaclog.analysis.hill.grid import Ground
from vaclog.signals.tables import CycleTable, FloatArray

# The middle of the fit's three priors of drift.
_DRIFT_PERCENT_PER_MIN: Final = 2.0
_LARGEST_ENERGY: Final = 25.0  # per cent of the mean: a wandering engine, not a diverging sum
_NUDGE_S: Final = 1.5  # reaction and the turn itself
_TURN_ROUND_S: Final = 25.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Pass:
    """A way that the hand could go.

    Attributes
    ----------
    target_deg
        Where it would end.
    seconds
        How long it would take by nudge and wait.
    shrink
        Standard uncertainty of the top after it over that of now; below 1.
    """

    target_deg: float
    seconds: float
    shrink: float

    @property
    def per_second(self) -> float:
        """Information gained a second, in units of what there is.

        Some seconds are added for turning round: many short passes tire hand and voice, and
        tell no more than a few long ones.
        """
        return (self.shrink**-2 - 1.0) / (self.seconds + _TURN_ROUND_S)


class Planner:
    """Looks ahead from what the cycles so far tell.

    Parameters
    ----------
    cycles, use
        The table, and which cycles the fit used.
    top_deg
        The top as known now, or the best guess.
    """

    def __init__(self, cycles: CycleTable, use: NDArray[np.bool_], top_deg: float) -> None:
        self.rows = lagged_rows(cycles, use)
        self.top_deg = top_deg
        self.usable = len(self.rows) > 4 * (2 * ORDER + 6)
        if not self.usable:
            return
        rows = self.rows
        self.ground = Ground(rows, DEFAULT_PRIOR)
        self.cycle_s = float(np.median(cycles.end_us[rows.index] - cycles.start_us[rows.index]))
        self.cycle_s /= 1e6
        root = np.sqrt(self.ground.weights)
        shape = rows.charge * _shape(rows.advance_deg - top_deg)
        self.design = np.column_stack([rows.lags, rows.minutes, shape])
        self.beta = least_squares(self.design * root[:, None], rows.energy * root)[0]
        self.height = max(-float(self.beta[-1]), 1e-6)
        self.rest = rows.energy - self.design @ self.beta
        breath = np.column_stack([rows.lags, rows.energy])
        self.breath = least_squares(breath * root[:, None], rows.above * root)[0]
        self.sigh = rows.above - breath @ self.breath
        self.have = self._information(rows.lags, rows.minutes, rows.advance_deg, rows.charge, root)

    def expected_u_deg(self, holds: Sequence[tuple[float, float]] = ()) -> float:
        """Standard uncertainty of the top after holding at angles for seconds; NaN if unknown.

        Parameters
        ----------
        holds
            (crank degrees, seconds), in order.
        """
        if not self.usable:
            return math.nan
        information = self.have.copy()
        if holds:
            information = information + self._ahead(holds)
        return _u(information, self._prior())

    def best(
        self,
        here_deg: float,
        low_deg: float,
        high_deg: float,
        *,
        nudge_deg: float,
        wait_s: float,
    ) -> list[Pass]:
        """Ways up and down to every reach, best first; empty when nothing can be said.

        Parameters
        ----------
        here_deg
            Where the body is.
        low_deg, high_deg
            How far the hand may be led.
        nudge_deg, wait_s
            Size of a nudge and how long is waited after it.
        """
        now = self.expected_u_deg()
        if not math.isfinite(now):
            return []
        ways = []
        for way in (1.0, -1.0):
            room = (high_deg - here_deg) if way > 0 else (here_deg - low_deg)
            for count in range(1, int(room / nudge_deg + 0.5) + 1):
                ends = [here_deg + way * nudge_deg * k for k in range(1, count + 1)]
                then = self.expected_u_deg([(end, wait_s + _NUDGE_S) for end in ends])
                ways.append(
                    Pass(
                        target_deg=min(max(ends[-1], low_deg), high_deg),
                        seconds=count * (wait_s + _NUDGE_S),
                        shrink=then / now,
                    )
                )
        return sorted(ways, key=lambda each: -each.per_second)

    def _prior(self) -> FloatArray:
        """Precision of what is held likely beforehand: drift and lopsidedness."""
        # Energy in per cent moves twice what speed does, and its mean is 50.
        drift = (self.ground.gain / _DRIFT_PERCENT_PER_MIN) ** 2
        # The prior is one of the logarithm of 1 + r; near its median r moves by so much.
        u_r = (1.0 + DEFAULT_PRIOR.lopsided) * DEFAULT_PRIOR.u_lopsided
        return np.array([drift, 0.0, 0.0, u_r**-2])

    def _information(
        self,
        lags: FloatArray,
        minutes: FloatArray,
        advance_deg: FloatArray,
        charge: FloatArray,
        root: FloatArray,
    ) -> FloatArray:
        """Fisher information of rows on [lags…, drift, height, top, lopsidedness]."""
        x = advance_deg - self.top_deg
        r = DEFAULT_PRIOR.lopsided
        late = np.maximum(x, 0.0)
        columns = np.column_stack(
            [
                lags,
                minutes,
                charge * _shape(x),
                -2.0 * self.height * charge * (x + r * late),
                self.height * charge * late**2,
            ]
        )
        scaled = columns * (root / self.ground.sigma)[:, None]
        return np.asarray(scaled.T @ scaled)

    def _ahead(self, holds: Sequence[tuple[float, float]]) -> FloatArray:
        """Information of cycles that are still to come."""
        rows = self.rows
        angles = np.concatenate([np.full(max(round(s / self.cycle_s), 1), deg) for deg, s in holds])
        n = len(angles)
        again = np.arange(n) % len(rows)
        kicks, sighs = self.rest[again].tolist(), self.sigh[again].tolist()
        steps = np.arange(1.0, n + 1.0, dtype=np.float64)
        minutes: FloatArray = float(rows.minutes[-1]) + steps * (self.cycle_s / 60.0)
        shape = _shape(angles - self.top_deg).tolist()
        beta, breath = self.beta.tolist(), self.breath.tolist()
        drift, height = beta[-2], self.height
        q = rows.energy[-1 : -ORDER - 1 : -1].tolist()
        p = rows.above[-1 : -ORDER - 1 : -1].tolist()
        lags = np.empty((n, 1 + 2 * ORDER))
        charge = np.empty(n)
        for k in range(n):
            lag = [1.0, *q, *p]
            lags[k] = lag
            # A per cent of energy about its mean is a per cent of speed.
            charge[k] = m = 1.0 + 0.01 * (p[0] - THROTTLE_SHARE * q[0])
            energy = sum(b * v for b, v in zip(beta, lag, strict=False))
            energy += drift * float(minutes[k]) - height * m * shape[k] + kicks[k]
            energy = min(max(energy, -_LARGEST_ENERGY), _LARGEST_ENERGY)
            above = sum(b * v for b, v in zip(breath, [*lag, energy], strict=True)) + sighs[k]
            q = [energy, *q[:-1]]
            p = [min(max(above, -60.0), 60.0), *p[:-1]]
        return self._information(lags, minutes, angles, charge, np.ones(n))


def _shape(x: FloatArray) -> FloatArray:
    """Two half-parabolas, the advanced one steeper by the prior's mean."""
    late = np.maximum(x, 0.0)
    return np.asarray(x * x + DEFAULT_PRIOR.lopsided * late * late)


def _u(information: FloatArray, prior: FloatArray) -> float:
    """Square root of the top's entry of the inverse."""
    whole = information.copy()
    tail = len(prior)
    index = np.arange(len(whole) - tail, len(whole))
    whole[index, index] += prior
    scale = np.sqrt(np.maximum(np.diag(whole), 1e-300))
    try:
        inverse = np.linalg.inv(whole / np.outer(scale, scale))
    except np.linalg.LinAlgError:
        return math.nan
    variance = float(inverse[-2, -2]) / float(scale[-2]) ** 2
    return math.sqrt(variance) if variance > 0 else math.nan
