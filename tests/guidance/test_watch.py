"""The watch on the hand: moves, waits, noise, holes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vaclog.guidance.watch import HandWatch

CYCLE_US = 140_000


def follow(angles: np.ndarray, watch: HandWatch | None = None, start_us: int = 0) -> HandWatch:
    """Feed a series, one angle a cycle."""
    watch = watch or HandWatch()
    for k, deg in enumerate(angles):
        watch.add(start_us + k * CYCLE_US, float(deg))
    return watch


def noise(n: int, sigma: float = 0.25, seed: int = 0) -> np.ndarray:
    """White noise of a mark's advance."""
    return sigma * np.random.default_rng(seed).standard_normal(n)


@pytest.mark.parametrize("sigma", [0.0, 0.2, 0.5])
def test_a_still_hand_stands_still(sigma: float) -> None:
    """A minute of noise is never a move, and the level is the mean."""
    watch = HandWatch()
    for k, deg in enumerate(10.0 + noise(420, sigma)):
        watch.add(k * CYCLE_US, float(deg))
        assert not watch.moving
    assert watch.still_s(420 * CYCLE_US) == pytest.approx(58.8)
    assert watch.level_deg == pytest.approx(10.0, abs=0.1)


def test_a_nudge_is_a_move_and_then_a_new_level() -> None:
    """2.5 degrees within half a second: seen within a second, over a second later."""
    angles = np.concatenate([np.full(60, 10.0), np.linspace(10.0, 12.5, 4), np.full(60, 12.5)])
    watch, moved = HandWatch(), []
    for k, deg in enumerate(angles + noise(len(angles))):
        watch.add(k * CYCLE_US, float(deg))
        if watch.moving:
            moved.append(k)
    assert 60 <= moved[0] <= 66 and moved[-1] <= 75
    assert watch.level_deg == pytest.approx(12.5, abs=0.15)
    assert watch.still_s((len(angles) - 1) * CYCLE_US) == pytest.approx(7.4, abs=1.0)


def test_a_slow_turn_never_counts_as_a_wait() -> None:
    """At 0.7 degrees a second no rest that is believed comes near a wait."""
    watch, longest = HandWatch(), 0.0
    for k, deg in enumerate(10.0 + 0.7 * 0.14 * np.arange(200) + noise(200, 0.15)):
        watch.add(k * CYCLE_US, float(deg))
        if k > 10:
            longest = max(longest, watch.still_s(k * CYCLE_US))
    assert longest < 4.0


def test_a_steady_turn_is_a_move_throughout() -> None:
    """At 1.5 degrees a second, ten seconds long, hardly a look takes it for a rest."""
    watch, moving = HandWatch(), []
    for k, deg in enumerate(np.concatenate([np.full(20, 10.0), 10.0 + 0.21 * np.arange(70)])):
        watch.add(k * CYCLE_US, float(deg) + 0.1 * (-1) ** k)
        moving.append(watch.moving)
    assert np.mean(moving[28:]) > 0.95


def test_travel() -> None:
    """How far in the last three seconds."""
    watch = follow(np.concatenate([np.full(40, 10.0), 10.0 + 0.4 * np.arange(20)]))
    assert watch.travel_deg(2.8) == pytest.approx(8.0, abs=1.0)
    assert follow(np.full(40, 10.0)).travel_deg(3.0) == pytest.approx(0.0)


def test_strays_and_unknown_cycles_do_not_move_the_hand() -> None:
    """One wild angle in forty, and one in five unknown."""
    angles = 10.0 + noise(200)
    angles[::40] += 9.0
    angles[3::5] = np.nan
    watch, moves = HandWatch(), 0
    for k, deg in enumerate(angles):
        watch.add(k * CYCLE_US, float(deg))
        moves += watch.moving
    assert moves == 0


def test_two_first_cycles_far_apart_have_a_level_between() -> None:
    """Neither is near their median; a level that is no number would be in every word after."""
    watch = HandWatch()
    watch.add(0, 10.0)
    watch.add(140_000, 14.0)
    assert watch.level_deg == pytest.approx(12.0)


def test_a_hole_begins_anew() -> None:
    """What stood before ten seconds of silence need not stand after it."""
    for after in (10.0, 14.0):
        watch = follow(np.full(60, 10.0))
        follow(np.full(20, after), watch, start_us=60 * CYCLE_US + 10_000_000)
        assert not watch.moving
        assert watch.level_deg == pytest.approx(after)
        assert watch.still_s(80 * CYCLE_US + 10_000_000) < 4.0


@settings(max_examples=40, deadline=None)
@given(
    size=st.floats(min_value=1.8, max_value=6.0),
    way=st.sampled_from([-1.0, 1.0]),
    seconds=st.floats(min_value=0.2, max_value=2.0),
)
def test_any_deliberate_nudge_is_seen(size: float, way: float, seconds: float) -> None:
    """And its end is a level within a fifth of a degree."""
    ramp = np.linspace(0.0, way * size, max(round(seconds / 0.14), 2))
    angles = 15.0 + np.concatenate([np.zeros(50), ramp, np.full(50, way * size)])
    watch, moved = HandWatch(), False
    for k, deg in enumerate(angles + noise(len(angles), 0.2)):
        watch.add(k * CYCLE_US, float(deg))
        moved |= watch.moving
    assert moved and not watch.moving
    assert watch.level_deg == pytest.approx(15.0 + way * size, abs=0.2)
