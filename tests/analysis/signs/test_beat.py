"""What repeats each cycle, and single strokes that put gas into the manifold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sign_cases import case, idle

from vaclog.analysis.signs.beat import find_beat, locate
from vaclog.analysis.signs.drops import events, find_drops
from vaclog.analysis.signs.evidence import gather, swing_within
from vaclog.cards import EngineCard, RigCard, SparkSensor

ORDERS = {4: (1, 3, 4, 2), 6: (1, 5, 3, 6, 2, 4), 8: (1, 8, 4, 3, 6, 5, 7, 2)}


def manifold(parts: int, start_deg: float, long_deg: float, keep: float, cycles: int) -> np.ndarray:
    """Means per part of a leaky reservoir that gets gas at one place of each cycle.

    Stepped in time, degree by degree, from rest: no series and no transform.
    """
    level, out = 0.0, np.empty((cycles, parts))
    decay = keep ** (parts / 720.0)
    for c in range(cycles):
        trace = np.empty(720)
        for d in range(720):
            level = decay * level + (((d - start_deg) % 720.0) < long_deg) / long_deg
            trace[d] = level
        out[c] = trace.reshape(parts, -1).mean(axis=1)
    return out


@settings(max_examples=25, deadline=None)
@given(
    parts=st.sampled_from([4, 5, 6, 8]),
    place=st.integers(0, 7),
    into=st.floats(0.15, 0.8),
    keep=st.floats(0.6, 0.9),
)
def test_a_source_is_found_where_it_is(parts: int, place: int, into: float, keep: float) -> None:
    """One source of gas 190 degrees long, anywhere; with three parts less is told."""
    start = (place % parts + into) * 720.0 / parts
    source = locate(manifold(parts, start, 190.0, keep, 8)[-1])
    off = (source.place + source.into - start / 720.0 * parts + parts / 2) % parts - parts / 2
    assert abs(off) * 720.0 / parts < 35.0
    assert source.share > 0.85


def with_beat(height_kpa: float, parts: int, place: int, seed: int = 1):
    """An idle with a source at one place, its largest rise above the mean of that height."""
    wave = manifold(parts, (place + 0.2) * 720.0 / parts, 190.0, 0.75, 8)[-1]
    wave -= wave.mean()
    engine = EngineCard(cylinders=parts, firing_order=ORDERS[parts])
    slots = idle(np.random.default_rng(seed), parts=parts) + height_kpa * wave / wave.max()
    return gather(case(slots, engine=engine))


@pytest.mark.parametrize("parts", [4, 6, 8])
def test_a_regular_drop_points_to_its_two_cylinders(parts: int) -> None:
    """The one that blows back there, and the one a turn away that should draw there."""
    sign = find_beat(with_beat(1.2, parts, 2))
    assert sign is not None
    assert sign.slot == 3
    assert sign.cylinder == ORDERS[parts][2]
    assert sign.number == pytest.approx(1.2, abs=0.1)
    drawer = ORDERS[parts][(2 + parts // 2) % parts]
    assert any(f"cylinder {drawer}, which should draw" in each.text for each in sign.candidates)
    assert "not which of the two" in sign.candidates[0].text  # no crank mark here


def test_turns_and_misfires_tell_which_of_the_two() -> None:
    """A misfire that is always that of the drawing cylinder puts it first."""
    evidence = with_beat(1.2, 4, 1)
    for slot, first in ((4, "cylinder 2, which should draw"), (2, "an inlet valve of cylinder 3")):
        misfire = replace(evidence.case.misfire, slot=slot)
        sign = find_beat(gather(replace(evidence.case, misfire=misfire)))
        assert sign is not None
        assert sign.candidates[0].text.startswith(first)


@pytest.mark.parametrize(("pickup", "words"), [("wasted", "cylinder 2 or 3"), ("coil", "place 2")])
def test_a_pickup_that_leaves_the_start_open_names_no_cylinder(pickup: str, words: str) -> None:
    """A lead that sparks each turn: one of two. The coil's lead: any."""
    evidence = with_beat(1.2, 4, 1)
    rig = RigCard(spark=SparkSensor(pickup=pickup))  # type: ignore[arg-type]
    sign = find_beat(gather(replace(evidence.case, rig=rig)))
    assert sign is not None
    assert sign.slot is None and sign.cylinder is None
    assert words in sign.text


def test_two_cylinders_are_not_told_apart() -> None:
    """Each is the other's opposite: a pattern of one number has no place."""
    slots = idle(np.random.default_rng(2), parts=2) + np.array([1.8, -1.8])
    sign = find_beat(gather(case(slots)))
    assert sign is not None
    assert sign.slot is None
    assert "two cylinders" in sign.text


def test_a_small_regular_drop_is_no_sign() -> None:
    """Half a kilopascal is sure in five hundred cycles, but sound engines come near it."""
    assert find_beat(with_beat(0.5, 4, 1)) is None
    assert find_beat(with_beat(0.0, 4, 1)) is None


def test_a_pattern_of_no_single_cylinder_says_so() -> None:
    """Two opposite sources: no place is named."""
    slots = idle(np.random.default_rng(2)) + np.array([1.0, -1.0, 1.0, -1.0])
    sign = find_beat(gather(case(slots)))
    assert sign is not None
    assert sign.slot is None
    assert "no single cylinder" in sign.text


def test_swing_has_nothing_of_a_trend() -> None:
    """A ramp leaves nothing within the cycle, a break leaves NaN on both sides of it."""
    made = case(40.0 + np.arange(400.0).reshape(100, 4) * 0.02)
    swing = swing_within(made.cycles)
    np.testing.assert_allclose(swing[1:-1], 0.0, atol=1e-9)
    flags = made.cycles.flags.copy()
    flags[50] = 8  # after a break
    swing = swing_within(replace(made.cycles, flags=flags))
    assert np.isnan(swing[49, -1]) and np.isnan(swing[50, 0])
    assert np.isfinite(swing[30]).all()


def strokes(parts: int, where: list[int], height_kpa: float, seed: int = 3) -> np.ndarray:
    """An idle with gas that comes within a stroke and is drawn off over the next ones."""
    slots = idle(np.random.default_rng(seed), parts=parts).ravel()
    for k in where:
        slots[k : k + 12] += height_kpa * 0.75 ** np.arange(12.0)
    return slots.reshape(-1, parts)


def test_sudden_drops_are_counted_and_placed() -> None:
    """Eight events, all at place 3 of four."""
    where = [4 * row + 2 for row in range(30, 480, 60)]
    sign = find_drops(gather(case(strokes(4, where, 2.5))))
    assert sign is not None
    assert sign.slot == 3
    assert sign.number == pytest.approx(1e3 * len(where) / 500, rel=0.05)
    assert "sticks" in sign.candidates[0].text


def test_drops_anywhere_have_no_place() -> None:
    """The same number over all places."""
    where = [4 * row + row // 60 % 4 for row in range(30, 480, 40)]
    sign = find_drops(gather(case(strokes(4, where, 2.5))))
    assert sign is not None
    assert sign.slot is None
    assert "any cylinder" in sign.candidates[0].text


def test_spikes_of_the_wire_are_no_drops() -> None:
    """One part each, gone in the next: no manifold does that."""
    slots = idle(np.random.default_rng(3))
    slots[30:480:40, 2] += 3.0
    rows, _, _, _ = events(gather(case(slots)))
    assert len(rows) == 0


def test_two_drops_are_an_accident() -> None:
    """A sign needs three."""
    assert find_drops(gather(case(strokes(4, [402, 1202], 2.5)))) is None
