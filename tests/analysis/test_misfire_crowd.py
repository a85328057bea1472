"""Misfires that crowd: counted although neighbours mask one another, and not imagined."""

from __future__ import annotations

from collections.abc import Callable
from itertools import product
from typing import Any

import numpy as np
import pytest

from vaclog.analysis.misfire.crowd import Crowd, decode
from vaclog.analysis.misfire.find import find_misfires
from vaclog.analysis.misfire.hidden import Data, Model, chances, prior_of
from vaclog.analysis.misfire.stumble import score
from vaclog.cards import EngineCard

Maker = Callable[..., Any]
HOLD = [(0, 15), (150, 15)]


def crowd(made: Any, cylinders: int = 4) -> Crowd:
    use = np.ones(len(made.cycles), dtype=bool)
    scores = score(made.cycles, use, cylinders)
    assert scores is not None
    known = np.isfinite(scores.z[:, 0])
    found = decode(made.cycles, known, scores.features, scores.filter.tails)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("cylinders", "rate", "mark"),
    [(4, 0.05, True), (4, 0.15, True), (6, 0.08, True), (4, 0.1, False)],
)
def test_dense_misfire_is_counted(
    make_engine: Maker, cylinders: int, rate: float, mark: bool
) -> None:
    made = make_engine(
        HOLD,
        cylinders=cylinders,
        scatter=0.08,
        misfire=lambda t, slot, a: rate,
        hill=1e-4,
        mark=mark,
        seed=3,
    )
    found = find_misfires(
        made.cycles, np.ones(len(made.cycles), dtype=bool), EngineCard(cylinders=cylinders)
    )
    true = 1e3 * made.misfired.any(axis=1).mean()
    assert true > 150.0
    assert found.low_per_thousand <= true <= found.high_per_thousand
    assert found.per_thousand == pytest.approx(true, rel=0.25)
    assert found.high_per_thousand - found.low_per_thousand < 0.7 * true
    assert found.singles
    lost = made.misfired.any(axis=1)
    near = np.convolve(lost, np.ones(3), mode="same") > 0
    assert near[found.cycles].mean() > 0.97
    assert len(found.cycles) == pytest.approx(lost.sum(), rel=0.25)


def test_the_same_stroke_every_other_time(make_engine: Maker) -> None:
    """A steady mean loss hides in the level; it must be found all the same."""
    made = make_engine(
        HOLD,
        scatter=0.06,
        misfire=lambda t, slot, a: 0.45 if slot == 2 else 0.0,
        hill=1e-4,
        seed=5,
    )
    found = crowd(made)
    true = made.misfired[found.rows].any(axis=1)
    assert found.believed()
    assert ((found.lost > 0.5) == true).mean() > 0.95


def test_dense_only_beyond_an_onset(make_engine: Maker) -> None:
    sweep = [(0, 10), (10, 10), (62, 36), (75, 36), (127, 10), (137, 10)]
    made = make_engine(
        sweep, scatter=0.06, misfire=lambda t, slot, a: 0.12 if a > 28.0 else 0.0, seed=2
    )
    use = np.ones(len(made.cycles), dtype=bool)
    found = find_misfires(made.cycles, use, EngineCard(cylinders=4))
    true = 1e3 * made.misfired.any(axis=1).mean()
    assert found.low_per_thousand <= true <= found.high_per_thousand
    assert found.onset_deg == pytest.approx(28.0, abs=1.0)
    lost = made.misfired.any(axis=1)
    near = np.convolve(lost, np.ones(3), mode="same") > 0
    assert near[found.cycles].mean() > 0.97


@pytest.mark.parametrize(("scatter", "mark"), [(0.05, True), (0.12, True), (0.12, False)])
def test_a_sound_engine_is_not_believed_to_misfire(
    make_engine: Maker, scatter: float, mark: bool
) -> None:
    sweep = [(0, 12), (60, 12), (100, 30), (140, 12)]
    for hand in (HOLD, sweep):
        found = crowd(make_engine(hand, scatter=scatter, mark=mark, seed=1))
        assert not found.believed()


def test_too_few_cycles_say_nothing(make_engine: Maker) -> None:
    made = make_engine([(0, 15), (150, 15)], scatter=0.06)
    use = np.ones(len(made.cycles), dtype=bool)
    scores = score(made.cycles, use, 4)
    assert scores is not None
    known = np.arange(len(use)) < 150
    assert decode(made.cycles, known, scores.features, scores.filter.tails) is None


def test_an_unsure_model_has_a_wide_interval() -> None:
    def made(separation: float) -> Crowd:
        lost = np.concatenate([np.full(200, 0.99), np.full(800, 0.01)])
        return Crowd(
            rows=np.arange(1000),
            lost=lost,
            separation=separation,
            evidence=100.0,
            roughness=0.1,
        )

    sure, unsure = made(7.0), made(1.5)
    low, high = sure.interval()
    assert 0.17 < low < sure.share < high < 0.24
    assert unsure.interval()[0] < 0.5 * low
    assert unsure.interval()[1] > 1.7 * high
    assert not Crowd(
        rows=sure.rows, lost=sure.lost, separation=7.0, evidence=20.0, roughness=0.1
    ).believed()


def test_chances_are_those_of_all_sequences_summed() -> None:
    """Forward-backward against the sum over every sequence of states (its definition)."""
    rng = np.random.default_rng(4)
    n, states = 5, np.array(list(product([0.0, 1.0], [0.0, 1.0, 2.0])))
    data = Data(
        y=rng.normal(0.0, 1.0, (n, 2)),
        past=np.ones((n, 1)),
        joined=np.array([False, True, True, False, True]),
        tails=np.zeros((2, 8, 3)),
        strokes=(1, 2),
        states=states,
    )
    model = Model(
        past=np.array([[0.1, -0.1]]),
        lost=rng.normal(-0.8, 0.3, (4, 2)),
        level=np.zeros((n, 2)),
        cov=np.array([[0.5, 0.1], [0.1, 0.7]]),
        rate=np.tile([0.3, 0.2], (n, 1)),
    )
    pairs, now, before = chances(data, model)
    prior = prior_of(data, model.rate)
    assert prior.sum(axis=1) == pytest.approx(np.ones(n))
    assert prior[0] == pytest.approx(
        np.outer([0.7, 0.3], [0.64, 0.32, 0.04]).ravel()
    )  # binomials of one stroke at 0.3 and of two at 0.2

    inverse = np.linalg.inv(model.cov)
    weights = np.zeros((n, len(states)))
    total = 0.0
    # Where a run begins the state before is one more unknown with the same prior.
    for start in (slice(0, 3), slice(3, 5)):
        length = start.stop - start.start
        part, whole = np.zeros((length, len(states))), 0.0
        for path in product(range(len(states)), repeat=length + 1):
            chance = prior[start.start, path[0]]
            for k in range(length):
                row = start.start + k
                lost = states[path[k + 1]] @ model.lost[:2] + states[path[k]] @ model.lost[2:]
                off = data.y[row] - data.past[row] @ model.past - lost
                density = np.exp(-0.5 * off @ inverse @ off)
                density /= 2.0 * np.pi * np.sqrt(np.linalg.det(model.cov))
                chance *= prior[row, path[k + 1]] * density
            whole += chance
            for k in range(length):
                part[k, path[k + 1]] += chance
        weights[start] = part / whole
        total += float(np.log(whole))
    assert model.log_like == pytest.approx(total)
    assert model.chance == pytest.approx(weights)
    assert now == pytest.approx(weights @ states)
    assert pairs.sum() == pytest.approx(n)
    assert before[1] == pytest.approx(now[0])
