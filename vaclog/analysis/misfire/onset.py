"""The advance where misfiring begins.

Enters: advances, and which cycles misfired. Leaves: the onset with its uncertainty, if there is
one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vaclog.signals.tables import FloatArray

# A hinge has two more numbers (place, steepness) than a constant rate; each is worth about
# half the log of the number of events, a few units for tens of events.
ONSET_EVIDENCE = 6.0
MIN_EVENTS_FOR_ONSET = 5
BIN_DEG = 0.25


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Grid:
    """Rates over advance: a base, and beyond an onset a step or a slope."""

    onset_deg: FloatArray
    log_like: FloatArray  # [onset], summed over the other numbers
    flat: float


def onset_deg(advance_deg: FloatArray, misfired: NDArray[np.bool_]) -> tuple[float, float]:
    """Advance beyond which misfiring begins, and its standard uncertainty; NaN if none.

    Bernoulli likelihood of a constant rate up to the onset and a step or a slope beyond, on a
    grid, averaged over base and steepness. The onset is reported only where more advance
    misfires more, and that beats both one rate throughout and the mirrored case.

    Parameters
    ----------
    advance_deg
        float64 [n], NaN where unknown.
    misfired
        bool [n].
    """
    nothing = float("nan"), float("nan")
    good = np.isfinite(advance_deg)
    if misfired[good].sum() < MIN_EVENTS_FOR_ONSET:
        return nothing
    alpha, hit = advance_deg[good], misfired[good]
    if float(np.ptp(np.quantile(alpha, [0.02, 0.98]))) < 2.0:
        return nothing
    up, down = _onset_grid(alpha, hit), _onset_grid(-alpha, hit)
    if _evidence(up) < ONSET_EVIDENCE or _evidence(down) > _evidence(up):
        return nothing
    weight = np.exp(up.log_like - up.log_like.max())
    weight /= weight.sum()
    mean = float(np.sum(weight * up.onset_deg))
    spread = float(np.sqrt(np.sum(weight * (up.onset_deg - mean) ** 2)))
    return mean, max(spread, BIN_DEG / float(np.sqrt(12.0)))


def _evidence(grid: _Grid) -> float:
    """Log of the average likelihood of an onset over that of one rate throughout."""
    top = float(grid.log_like.max())
    return top + float(np.log(np.mean(np.exp(grid.log_like - top)))) - grid.flat


def _onset_grid(alpha: FloatArray, hit: NDArray[np.bool_]) -> _Grid:
    """Likelihood over the onset, averaged over base rate, steepness and form."""
    low = float(alpha.min())
    index = ((alpha - low) / BIN_DEG).astype(np.intp)
    trials = np.bincount(index).astype(np.float64)
    hits = np.bincount(index, weights=hit, minlength=len(trials))
    onsets: FloatArray = low + np.arange(len(trials), dtype=np.float64) * BIN_DEG
    centre = onsets + 0.5 * BIN_DEG
    beyond = np.maximum(centre[None] - onsets[:, None], 0.0)
    share = float(hit.mean())
    bases = share * np.array([0.02, 0.1, 0.25, 0.5, 0.75, 1.0])
    forms = [s * beyond for s in np.geomspace(0.003, 0.4, 9)]
    forms += [h * (beyond > 0.0) for h in np.geomspace(0.005, 0.8, 9)]
    logs = []
    for form in forms:
        for base in bases:
            rate = np.clip(base + form, 1e-6, 0.95)
            logs.append(hits @ np.log(rate).T + (trials - hits) @ np.log1p(-rate).T)
    stack = np.array(logs)
    top = float(stack.max())
    log_like = top + np.log(np.mean(np.exp(stack - top), axis=0) + 1e-300)
    flat = float(hits.sum() * np.log(share) + (trials - hits).sum() * np.log1p(-share))
    return _Grid(onset_deg=onsets, log_like=log_like, flat=flat)
