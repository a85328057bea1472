"""Misfires: found, counted, placed, and not imagined."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.stats import binomtest, norm

from vaclog.analysis.findings import MisfireFinding
from vaclog.analysis.misfire.find import clopper_pearson, find_misfires, onset_deg, roc_area
from vaclog.analysis.misfire.stumble import score
from vaclog.cards import EngineCard
from vaclog.signals.tables import AdvanceFrom, CycleFlag

Maker = Callable[..., Any]
FIVE_MINUTES = [(0, 15), (300, 15)]


def find(made: Any, cylinders: int = 4) -> MisfireFinding:
    use = np.ones(len(made.cycles), dtype=bool)
    return find_misfires(made.cycles, use, EngineCard(cylinders=cylinders))


def hits(made: Any, found: MisfireFinding) -> tuple[int, int, int]:
    """True cycles, those found, and alarms that are not within a cycle of a true one."""
    true = made.misfired.any(axis=1)
    near = np.convolve(true, np.ones(3), mode="same") > 0
    got = np.zeros(len(true), dtype=bool)
    got[found.cycles] = True
    close = np.convolve(got, np.ones(3), mode="same") > 0
    return int(true.sum()), int((true & close).sum()), int((got & ~near).sum())


@pytest.mark.parametrize(("cylinders", "scatter"), [(4, 0.06), (4, 0.08), (6, 0.08)])
def test_one_per_cent_at_random_is_found(
    make_engine: Maker, cylinders: int, scatter: float
) -> None:
    totals = np.zeros(3)
    for seed in range(3):
        made = make_engine(
            FIVE_MINUTES,
            cylinders=cylinders,
            scatter=scatter,
            misfire=lambda t, slot, a: 0.01 / cylinders,
            seed=seed,
        )
        found = find(made, cylinders)
        assert found.singles
        assert found.slot in (0, -1)
        true, hit, false = hits(made, found)
        totals += true, hit, false
        share = 1e3 * true / found.judged
        assert found.low_per_thousand <= share <= found.high_per_thousand
    true, hit, false = totals
    assert true > 30
    assert hit / true >= 0.93
    assert false <= 3  # fifteen minutes; one in ten is the promise


@pytest.mark.parametrize(("cylinders", "place"), [(4, 1), (4, 3), (6, 5)])
def test_always_the_same_beat(make_engine: Maker, cylinders: int, place: int) -> None:
    made = make_engine(
        FIVE_MINUTES,
        cylinders=cylinders,
        scatter=0.06,
        misfire=lambda t, slot, a: 0.02 if slot == place else 0.0,
        seed=4,
    )
    assert find(made, cylinders).slot == place


def test_place_does_not_depend_on_the_advance(make_engine: Maker) -> None:
    for advance in (5.0, 35.0):
        made = make_engine(
            [(0, advance), (200, advance)],
            scatter=0.05,
            misfire=lambda t, slot, a: 0.03 if slot == 2 else 0.0,
            hill=1e-4,
        )
        assert find(made).slot == 2


def test_without_a_mark_they_are_still_found(make_engine: Maker) -> None:
    made = make_engine(
        FIVE_MINUTES, scatter=0.06, misfire=lambda t, slot, a: 0.0025, mark=False, seed=1
    )
    true, hit, false = hits(made, find(made))
    assert hit / true > 0.85
    assert false <= 2


@pytest.mark.parametrize("seed", range(4))
def test_a_sound_engine_does_not_misfire(make_engine: Maker, seed: int) -> None:
    sweep = [(0, 10), (20, 10), (80, 34), (90, 34), (150, 10), (300, 10)]
    made = make_engine(sweep, scatter=0.08, seed=seed)
    found = find(made)
    assert found.singles
    assert len(found.cycles) <= 2
    assert found.low_per_thousand < 1.0
    assert np.isnan(found.onset_deg)


def test_onset_beyond_an_advance(make_engine: Maker) -> None:
    sweep = [(0, 10), (10, 10), (62, 36), (70, 36), (122, 10), (130, 10)]
    errors = []
    for seed in range(3):
        made = make_engine(
            sweep,
            scatter=0.06,
            misfire=lambda t, slot, a: 0.02 * max(a - 28.0, 0.0),
            noise_deg=0.3,
            seed=seed,
        )
        found = find(made)
        assert 0.1 < found.u_onset_deg < 2.0
        errors.append(found.onset_deg - 28.0)
    assert np.abs(errors).max() < 2.0
    assert abs(float(np.mean(errors))) < 1.0


def test_misfire_of_a_late_ignition_is_no_onset(make_engine: Maker) -> None:
    """An onset is an upper limit for the setting; stumbling when late must not become one."""
    sweep = [(0, 30), (10, 30), (62, 4), (70, 4), (122, 30), (130, 30)]
    made = make_engine(sweep, misfire=lambda t, slot, a: 0.02 * max(10.0 - a, 0.0), seed=1)
    found = find(made)
    assert len(found.cycles) > 10
    assert np.isnan(found.onset_deg)


def test_where_singles_drown_the_rate_is_told(make_engine: Maker) -> None:
    """Eight cylinders and a scatter of a seventh: a lost stroke is lost in the others."""
    shares, told = [], []
    for seed in range(3):
        made = make_engine(
            [(0, 15), (500, 15)],
            cylinders=8,
            scatter=0.14,
            misfire=lambda t, slot, a: 0.05 / 8,
            mark=False,
            seed=seed,
        )
        found = find(made, 8)
        if not found.singles:
            assert len(found.cycles) == 0
            assert found.slot == -1
            shares.append(1e3 * made.misfired.any(axis=1).mean())
            told.append((found.low_per_thousand, found.per_thousand, found.high_per_thousand))
    assert len(told) >= 2
    low, rate, high = np.array(told).T
    assert np.mean((low <= shares) & (shares <= high)) >= 0.5
    assert float(np.median(rate)) == pytest.approx(float(np.mean(shares)), rel=0.5)


def test_cycles_out_of_use_and_breaks_are_not_judged(make_engine: Maker) -> None:
    made = make_engine(FIVE_MINUTES, misfire=lambda t, slot, a: 0.005)
    cycles = made.cycles
    use = np.ones(len(cycles), dtype=bool)
    use[:1000] = False
    cycles.flags[1500] |= CycleFlag.AFTER_BREAK
    cycles.flags[1700] |= CycleFlag.SPLIT
    found = find_misfires(cycles, use, EngineCard())
    assert found.cycles.min() >= 1000
    scores = score(cycles, use, 4)
    assert scores is not None
    known = np.isfinite(scores.z[:, 0])
    assert not known[:1000].any()
    assert not known[1496:1502].any()
    assert not known[1696:1703].any()
    assert found.judged == known.sum()


def test_too_few_cycles_say_nothing(make_engine: Maker) -> None:
    made = make_engine([(0, 15), (12, 15)])
    found = find(made)
    assert found.judged == 0
    assert np.isnan(found.per_thousand)
    assert found.slot == -1
    cycles = make_engine([(0, 15), (60, 15)]).cycles
    nobody = np.zeros(len(cycles), dtype=bool)
    assert find_misfires(cycles, nobody, EngineCard()).judged == 0


def test_no_advance_no_onset_but_misfires_all_the_same(make_engine: Maker) -> None:
    made = make_engine(
        FIVE_MINUTES, misfire=lambda t, slot, a: 0.005, source=AdvanceFrom.NONE, seed=2
    )
    found = find(made)
    true, hit, _ = hits(made, found)
    assert hit / true > 0.9
    assert np.isnan(found.onset_deg)


def test_speed_scale_does_not_matter(make_engine: Maker) -> None:
    made = make_engine(FIVE_MINUTES, misfire=lambda t, slot, a: 0.003)
    cycles = made.cycles
    other = replace(
        cycles,
        pressure_kpa=cycles.pressure_kpa * 1.7,
        rpm=cycles.rpm * 0.8,
        start_us=cycles.start_us * 5 // 4,
        end_us=cycles.end_us * 5 // 4,
        turn_us=cycles.turn_us * 1.25,
    )
    use = np.ones(len(cycles), dtype=bool)
    first = find_misfires(cycles, use, EngineCard())
    second = find_misfires(other, use, EngineCard())
    assert list(first.cycles) == list(second.cycles)


@pytest.mark.parametrize(("events", "trials"), [(0, 10), (1, 40), (7, 1000), (10, 10)])
def test_interval_of_a_share_is_scipys(events: int, trials: int) -> None:
    """Clopper-Pearson as scipy.stats.binomtest(...).proportion_ci(method="exact")."""
    exact = binomtest(events, trials).proportion_ci(method="exact")
    assert clopper_pearson(events, trials) == pytest.approx((exact.low, exact.high))
    assert all(np.isnan(clopper_pearson(0, 0)))


@pytest.mark.parametrize(("d_prime", "area"), [(1.0, 0.76025), (2.0, 0.92135), (3.0, 0.98306)])
def test_roc_area_of_two_normals(d_prime: float, area: float) -> None:
    """Equal variances: the area is the normal integral at d'/√2 (recomputed values)."""
    assert norm.cdf(d_prime / np.sqrt(2.0)) == pytest.approx(area, abs=1e-5)
    rng = np.random.default_rng(int(d_prime))
    n = 20_000
    found = roc_area(rng.normal(d_prime, 1.0, n), rng.normal(0.0, 1.0, n))
    # Hanley and McNeil (1982): variance at most A(1 - A)/min(n, m).
    assert found == pytest.approx(area, abs=3.0 * np.sqrt(area * (1.0 - area) / n))
    assert roc_area(np.ones(5), np.ones(7)) == 0.5


def test_onset_of_plain_counts() -> None:
    rng = np.random.default_rng(5)
    alpha = np.tile(np.linspace(10.0, 36.0, 900), 2)
    step = rng.random(len(alpha)) < np.where(alpha > 27.0, 0.25, 0.004)
    mean, u = onset_deg(alpha, step)
    assert mean == pytest.approx(27.0, abs=0.6)
    assert u < 0.6
    even = rng.random(len(alpha)) < 0.02
    assert np.isnan(onset_deg(alpha, even)[0])
    assert np.isnan(onset_deg(-alpha, step)[0])
    assert np.isnan(onset_deg(np.full(900, 12.0), step[:900])[0])


@pytest.mark.parametrize("advance", [5.0, 40.0])
def test_place_of_the_turns_is_learnt_from_their_lengths(
    make_engine: Maker, advance: float
) -> None:
    """The made engine's mark passes 20° before top, the spark comes ``advance`` before it."""
    made = make_engine([(0, advance), (90, advance)], noise_deg=0.0, hill=1e-4, scatter=0.08)
    scores = score(made.cycles, np.ones(len(made.cycles), dtype=bool), 4)
    assert scores is not None
    assert scores.features.turns == 2
    assert scores.features.offset_turns == pytest.approx((advance - 20.0) / 360.0, abs=0.01)
