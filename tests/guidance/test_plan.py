"""The planner against what fits really come to, and against its own limiting cases."""

from __future__ import annotations

import math
from itertools import pairwise
from types import SimpleNamespace

import numpy as np
import pytest

from vaclog.analysis.findings import SweepFit
from vaclog.analysis.hill.fit import DEFAULT_PRIOR, fit_hill
from vaclog.guidance import enough
from vaclog.guidance.plan import Pass, Planner, _u
from vaclog.guidance.scene import Options
from vaclog.guidance.stumble import more_often
from vaclog.signals.tables import CycleTable


def swept(world, seed: int, ways: list[tuple[float, float]], **given) -> CycleTable:
    """A table of an engine whose hand went through (degrees, seconds) holds."""
    made = world(seed=seed, start_deg=ways[0][0], **given)
    for deg, seconds in ways:
        made.target_deg = deg
        until_us = made.t_us + round(seconds * 1e6)
        while made.t_us < until_us:
            made.cycle()
    return made.cycles()


def staircase(start_deg: float, end_deg: float, seconds: float = 8.5) -> list[tuple[float, float]]:
    """Nudges of two and a half degrees."""
    count = round(abs(end_deg - start_deg) / 2.5)
    return [(float(deg), seconds) for deg in np.linspace(start_deg, end_deg, count + 1)[1:]]


def fit_of(table: CycleTable) -> SweepFit:
    """The hill fit of all cycles."""
    return fit_hill(table, np.ones(len(table), dtype=bool))


UP = [(10.0, 20.0), *staircase(10.0, 32.5)]
BACK = staircase(32.5, 10.0)


def planner(table: CycleTable, top_deg: float = 24.0) -> Planner:
    """Of all cycles."""
    return Planner(table, np.ones(len(table), dtype=bool), top_deg)


def test_it_agrees_with_the_fits_own_uncertainty(world) -> None:
    """Six engines there and back: Fisher's figure within a fifth of the posterior's, on average."""
    ratios = []
    for seed in range(6):
        table = swept(world, seed, [*UP, *BACK])
        ratios.append(planner(table).expected_u_deg() / fit_of(table).u_deg)
    assert np.exp(np.mean(np.log(ratios))) == pytest.approx(1.0, abs=0.2)


def test_what_it_expects_of_a_pass_is_what_the_pass_brings(world) -> None:
    """Six engines, expected before a third pass and seen after it: within a fifth on average."""
    ratios = []
    for seed in range(6):
        before = swept(world, seed, [*UP, *BACK])
        after = swept(world, seed, [*UP, *BACK, *UP[1:]])
        plan = planner(before)
        shrink = plan.expected_u_deg(UP[1:]) / plan.expected_u_deg()
        ratios.append(shrink / (fit_of(after).u_deg / fit_of(before).u_deg))
    assert np.exp(np.mean(np.log(ratios))) == pytest.approx(1.0, abs=0.2)


def test_information_is_that_of_the_models_derivatives(world) -> None:
    """Drift, height, top and lopsidedness: against numerical derivatives of the hill."""
    plan = planner(swept(world, 0, [*UP, *BACK]))
    rows = plan.rows
    lopsided = DEFAULT_PRIOR.lopsided

    def energy(drift: float, height: float, top_deg: float, r: float) -> np.ndarray:
        x = rows.advance_deg - top_deg
        fall = x * x + r * np.maximum(x, 0.0) ** 2
        return drift * rows.minutes - height * rows.charge * fall

    at = np.array([0.3, plan.height, 24.0, lopsided])
    root = np.sqrt(plan.ground.weights) / plan.ground.sigma
    jacobian = []
    for k, step in enumerate([1e-3, 1e-6, 1e-4, 1e-4]):
        move = step * np.eye(4)[k]
        jacobian.append(root * (energy(*(at + move)) - energy(*(at - move))) / (2 * step))
    wanted = np.array(jacobian) @ np.array(jacobian).T
    # Only signs of whole parameters may differ: the top's entry of the inverse does not see them.
    np.testing.assert_allclose(np.abs(plan.have[-4:, -4:]), np.abs(wanted), rtol=1e-4)


def test_planned_cycles_behave_as_the_engine_did(world, monkeypatch) -> None:
    """Held at the foot and at the top, the planned energy differs as the seen one does."""
    table = swept(world, 0, [(10.0, 40.0), (24.0, 40.0), (10.0, 40.0), *UP, *BACK])
    plan = planner(table)
    caught: list[np.ndarray] = []
    whole = Planner._information

    def spy(self, lags, *others):
        caught.append(lags)
        return whole(self, lags, *others)

    monkeypatch.setattr(Planner, "_information", spy)
    plan.rest, plan.sigh = 0.0 * plan.rest, 0.0 * plan.sigh
    plan.expected_u_deg([(10.0, 30.0), (24.0, 30.0)])
    energy = caught[-1][:, 1]
    half = len(energy) // 2
    planned = energy[-40:].mean() - energy[half - 40 : half].mean()
    rows = plan.rows
    near = [np.abs(rows.advance_deg - deg) < 1.0 for deg in (10.0, 24.0)]
    seen = rows.energy[near[1]].mean() - rows.energy[near[0]].mean()
    assert seen > 0.0
    assert planned == pytest.approx(seen, rel=0.35)


def test_flanks_tell_more_than_the_top(world) -> None:
    """The same time spent on the sides, or at the top: the textbook answer for a vertex."""
    table = swept(world, 1, [*UP, *BACK])
    plan = planner(table)
    flanks = plan.expected_u_deg([(16.0, 40.0), (31.0, 40.0)])
    top = plan.expected_u_deg([(24.0, 80.0)])
    assert flanks < top < plan.expected_u_deg()


def test_more_never_hurts(world) -> None:
    """Information only adds up."""
    plan = planner(swept(world, 2, [*UP, *BACK]))
    steps = [plan.expected_u_deg(BACK[:count]) for count in range(len(BACK) + 1)]
    assert all(b <= a for a, b in pairwise(steps))


def test_after_one_way_the_way_back_is_best(world) -> None:
    """Drift and hill look alike one way; no way on from the top of the reach beats going back."""
    ways = planner(swept(world, 3, UP)).best(32.5, 8.0, 40.0, nudge_deg=2.5, wait_s=7.0)
    assert ways[0].target_deg < 26.0
    assert ways[0].shrink < 0.6
    assert all(a.per_second >= b.per_second for a, b in pairwise(ways))


def test_ways_end_at_the_limits(world) -> None:
    """No plan leads past the reach."""
    ways = planner(swept(world, 4, UP)).best(30.0, 9.0, 34.0, nudge_deg=2.5, wait_s=7.0)
    assert all(9.0 <= each.target_deg <= 34.0 for each in ways)
    assert all(each.seconds == pytest.approx(8.5 * count_of(each, 30.0)) for each in ways)


def count_of(each: Pass, here_deg: float) -> int:
    """Nudges of a planned way."""
    return math.ceil(abs(each.target_deg - here_deg) / 2.5 - 1e-6)


def test_too_little_gives_no_plan(world) -> None:
    """A few cycles say nothing."""
    plan = planner(swept(world, 5, [(10.0, 4.0)]))
    assert math.isnan(plan.expected_u_deg())
    assert plan.best(10.0, 5.0, 30.0, nudge_deg=2.5, wait_s=7.0) == []


def test_u_is_the_tops_entry_of_the_inverse() -> None:
    """Against numpy's inverse of a made-up information with one prior."""
    rng = np.random.default_rng(6)
    root = rng.standard_normal((40, 6))
    information = root.T @ root
    prior = np.array([0.5, 0.0, 0.0, 3.0])
    whole = information + np.diag([0.0, 0.0, *prior])
    assert _u(information, prior) == pytest.approx(np.sqrt(np.linalg.inv(whole)[4, 4]))


@pytest.mark.parametrize("seed", range(4))
def test_change_of_rate_is_fishers_test(seed: int) -> None:
    """Scipy's exact test of the two-by-two table, one-sided."""
    from scipy.stats import fisher_exact

    rng = np.random.default_rng(seed)
    for _ in range(20):
        held, earlier = (int(n) for n in rng.integers(5, 300, 2))
        here, before = int(rng.integers(0, held + 1)), int(rng.integers(0, earlier + 1))
        wanted = fisher_exact([[here, held - here], [before, earlier - before]], "greater").pvalue
        assert more_often(here, held, before, earlier) == pytest.approx(wanted, rel=1e-6, abs=1e-12)


@pytest.mark.parametrize(("plain_deg", "hopeless"), [(0.5, False), (1.5, True), (math.nan, False)])
def test_a_narrow_interval_that_is_not_trusted_is_not_chased(
    monkeypatch, plain_deg, hopeless
) -> None:
    """The fit says 0.5, the planner 1.5: what a pass brings must mend the planner's."""
    plans = [Pass(target_deg=20.0, seconds=60.0, shrink=0.98)]
    monkeypatch.setattr(enough, "ways", lambda *_: plans)
    monkeypatch.setattr(enough, "_plain_deg", lambda *_: plain_deg)
    scene = SimpleNamespace(options=Options())
    known = SimpleNamespace(interval_deg=0.5)
    passes = SimpleNamespace(spent_s=lambda _: 300.0)
    assert enough.out_of_reach(scene, known, passes) is hopeless
