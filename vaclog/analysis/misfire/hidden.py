"""A hidden number of lost strokes in each cycle: its chances, and the numbers behind them.

Enters: speeds over their own past, and what one lost stroke does. Leaves: the chance of each
number of lost strokes in each cycle, by rounds that never lower the likelihood but for the pull
of what is known beforehand: from the numbers to the chances (forward-backward recursion) and back
(L. E. Baum et al., Ann. Math. Stat. 41, 1970; for impulses through a known response J. M. Mendel,
Optimal Seismic Deconvolution, 1983; both from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import comb

import numpy as np
from numpy.typing import NDArray

from vaclog.analysis.misfire.features import BEFORE
from vaclog.signals.tables import FloatArray

LAGS = 3
MOST_A_GROUP = 2  # strokes lost of one group of places
RESIDE = 30  # cycles to either side over which rate and level are learnt
SHAPE_WORTH = 15.0  # events after which a capture's own shape counts as much as the computed one


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Data:
    """Rows over their charge, and what one stroke does to them.

    Attributes
    ----------
    y, past
        float64 [n, T] and [n, k]: half the square of relative speed, and what came before.
    joined
        bool [n], the row before is the cycle before.
    tails
        float64 [G, c, m], response to a unit loss in each group of places.
    strokes
        Places in each group.
    states
        float64 [C, G], how many of them were lost, all that are thought of.
    """

    y: FloatArray
    past: FloatArray
    joined: NDArray[np.bool_]
    tails: FloatArray
    strokes: tuple[int, ...]
    states: FloatArray


@dataclass(slots=True, kw_only=True, eq=False)
class Model:
    """Numbers of the model; changed from round to round."""

    past: FloatArray  # [k, T]
    lost: FloatArray  # [2·G, T], one stroke in this cycle, one in the cycle before
    level: FloatArray  # [n, T]
    cov: FloatArray  # [T, T]
    rate: FloatArray  # [n, G], chance of each stroke
    log_like: float = -np.inf
    chance: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))  # [n, C]


def innovations(data: Data, past: FloatArray, cycles: int = 2) -> FloatArray:
    """What a unit loss adds that the past does not explain, in its cycle and after; [c·G, T]."""
    width = data.tails.shape[2]
    turns = width - 1
    out = np.zeros((cycles, len(data.tails), turns))
    for after in range(cycles):
        out[after] = data.tails[:, BEFORE + after, :turns]
        for lag in range(1, LAGS + 1):
            part = past[(lag - 1) * width : lag * width, :turns]
            out[after] -= data.tails[:, BEFORE + after - lag] @ part
    return out.reshape(-1, turns)


def begin(data: Data, past: FloatArray, cov: FloatArray, size: float, rate: FloatArray) -> Model:
    """First numbers, from the explanation by the past alone, which took in the mean loss."""
    n = len(data.y)
    lost = size * innovations(data, past)
    mean = np.tile(rate * np.array(data.strokes), 2) @ lost
    return Model(
        past=past.copy(),
        lost=lost,
        level=np.tile(-mean, (n, 1)),
        cov=0.5 * cov,
        rate=np.tile(rate, (n, 1)),
    )


def one_round(data: Data, model: Model, span: tuple[float, float]) -> None:
    """Chances of the states from the numbers, then the numbers from the chances."""
    n, turns = data.y.shape
    groups = len(data.strokes)
    pairs, now, before = chances(data, model)
    both = np.hstack([now, before])
    states = data.states
    count = len(states)
    joint = np.concatenate(
        [np.tile(states, (count, 1)), np.repeat(states, count, axis=0)], axis=1
    )  # this cycle's, the one before's; rows as pairs.ravel()
    square = (joint * pairs.ravel()[:, None]).T @ joint
    shape = innovations(data, model.past)
    left = data.y - data.past @ model.past - model.level
    inverse = np.linalg.inv(model.cov)
    # Size alone first, then the capture's own shape, drawn towards the computed one.
    size = float(np.sum((both.T @ left) * (shape @ inverse)))
    size /= max(float(np.sum(square * (shape @ inverse @ shape.T))), 1e-12)
    size = float(np.clip(size, *span))
    drawn = both.T @ left + SHAPE_WORTH * size * shape
    own = np.linalg.solve(square + SHAPE_WORTH * np.eye(2 * groups), drawn)
    along = float(np.sum(own * shape) / np.sum(shape * shape))
    own = own * (np.clip(along, *span) / along) if along > 0.0 else size * shape
    explained = both @ own
    model.lost = own
    model.past = least_squares(data.past, data.y - model.level - explained)
    left = data.y - data.past @ model.past - explained
    near = np.ones(2 * RESIDE + 1)
    around = np.convolve(np.ones(n), near, mode="same")
    level = np.array([np.convolve(column, near, mode="same") for column in left.T]).T
    model.level = level / (around + RESIDE)[:, None]
    left -= model.level
    unsure = own.T @ (square - both.T @ both) @ own
    model.cov = (left.T @ left + unsure) / n + 1e-14 * np.eye(turns)
    usual = now.sum(axis=0) / n / np.array(data.strokes)
    overall = max(float(now.sum()) / n, 1e-9)
    nearby = np.convolve(now.sum(axis=1), near, mode="same")
    local = (nearby + 2.0 * overall) / ((around + 2.0) * overall)
    model.rate = np.clip(usual[None] * local[:, None], 1e-5, 0.7)


def chances(data: Data, model: Model) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Forward-backward: pairs of states over all rows, lost strokes of each cycle and the last.

    Returns
    -------
    pairs : ndarray
        float64 [C, C], expected number of rows with (state before, state now).
    now, before : ndarray
        float64 [n, G].
    """
    n, turns = data.y.shape
    groups, count = len(data.strokes), len(data.states)
    root = np.linalg.cholesky(np.linalg.inv(model.cov))
    left = (data.y - data.past @ model.past - model.level) @ root
    here = data.states @ (model.lost[:groups] @ root)
    last = data.states @ (model.lost[groups:] @ root)
    both = (last[:, None] + here[None]).reshape(-1, turns)
    logs = left @ both.T - 0.5 * np.sum(both * both, axis=1)
    top = logs.max(axis=1)
    # The floor keeps an outlier from having no chance at all; two in a row still fit a float.
    step = np.exp(np.maximum(logs - top[:, None], -250.0)).reshape(n, count, count)
    prior = prior_of(data, model.rate)
    step *= prior[:, None, :]
    ahead, scale = np.zeros((n, count)), np.zeros(n)
    for k in range(n):
        part = (ahead[k - 1] if data.joined[k] else prior[k]) @ step[k]
        scale[k] = part.sum()
        ahead[k] = part / scale[k]
    back = np.ones((n, count))
    for k in range(n - 2, -1, -1):
        if data.joined[k + 1]:
            back[k] = step[k + 1] @ back[k + 1] / scale[k + 1]
    model.chance = ahead * back
    model.chance /= model.chance.sum(axis=1, keepdims=True)
    fixed = -0.5 * np.sum(left * left) + n * float(np.log(np.diag(root)).sum())
    fixed -= 0.5 * n * turns * float(np.log(2.0 * np.pi))
    model.log_like = float(np.log(scale).sum() + top.sum()) + float(fixed)
    came = np.where(data.joined[:, None], np.vstack([prior[:1], ahead[:-1]]), prior)
    step *= came[:, :, None] * back[:, None, :]
    step /= step.sum(axis=(1, 2), keepdims=True)
    return step.sum(axis=0), model.chance @ data.states, step.sum(axis=2) @ data.states


def prior_of(data: Data, rate: FloatArray) -> FloatArray:
    """Binomial chance of each state from the chance of each stroke; float64 [n, C]."""
    out = np.ones((len(rate), len(data.states)))
    for group, strokes in enumerate(data.strokes):
        lost = np.arange(int(data.states[:, group].max()) + 1)
        ways = np.array([comb(strokes, int(k)) for k in lost], np.float64)
        p = rate[:, group : group + 1]
        chance = ways * p**lost * (1.0 - p) ** (strokes - lost)
        chance /= chance.sum(axis=1, keepdims=True)
        out *= chance[:, data.states[:, group].astype(np.intp)]
    return out


def distance(lost: FloatArray, cov: FloatArray) -> float:
    """Of one lost stroke from none, both its cycles together, mean over the groups."""
    inverse = np.linalg.inv(cov)
    square = np.einsum("gi,ij,gj->g", lost, inverse, lost)
    return float(np.sqrt(2.0 * square.mean()))


def least_squares(x: FloatArray, y: FloatArray) -> FloatArray:
    return np.asarray(np.linalg.lstsq(x, y, rcond=None)[0], np.float64)
