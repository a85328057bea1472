"""Advance from marks and from the body, against engines of known angle."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_engine import RIG, Made, chain_of, crank_times, make, messages

from vaclog.cards import BodySensor, MarkSensor, RigCard, SparkSensor
from vaclog.signals.advance import AdvanceKeeper, body_counts_at, mark_advance, wrap_deg
from vaclog.signals.tables import AdvanceFrom

TURNS = np.arange(0, 3600 * 20, 360.0)


def ones(marks: np.ndarray) -> np.ndarray:
    return np.ones(len(marks), np.int64)


def micro(times_s: np.ndarray) -> np.ndarray:
    return np.round(times_s * 1e6).astype(np.int64)


@settings(derandomize=True, max_examples=40, deadline=None)
@given(
    advance=st.floats(-15, 60),
    angle=st.floats(-60, 120),
    rpm=st.floats(600, 4000),
    per_s=st.floats(-60, 150),
)
def test_steady_speed_and_steady_acceleration_are_exact(
    advance: float, angle: float, rpm: float, per_s: float
) -> None:
    # rpm changes at a steady rate: a parabola through marks is the truth but for third order.
    def speed(t: np.ndarray) -> np.ndarray:
        return rpm + per_s * t

    marks = micro(crank_times(speed, 4.0, TURNS - angle))
    sparks = micro(crank_times(speed, 4.0, np.arange(0, TURNS[-1], 720.0) - advance))
    inside = sparks[(sparks > marks[2]) & (sparks < marks[-2])]
    got = mark_advance(inside, marks, ones(marks), angle)
    # Marks and sparks are rounded to 1 us, the speed changes by less than 4 % a turn.
    slowest, fastest = sorted((rpm, rpm + 4 * per_s))
    slack = 3e-6 * fastest * 6 + 360 * (abs(per_s) * 60 / slowest**2) ** 2
    np.testing.assert_allclose(got, advance, atol=slack)


def test_a_degree_is_5_1_to_the_millisecond_at_850() -> None:
    # 850 rpm = 5.1 degrees a millisecond (recomputed): 1 ms later is 5.1 degrees less.
    marks = micro(np.arange(20) * 60 / 850)
    sparks = marks[4] + np.array([-2000, -1000, 0, 1000])
    got = mark_advance(sparks, marks, ones(marks), 20.0)
    np.testing.assert_allclose(got, [30.2, 25.1, 20.0, 14.9], atol=0.01)


def test_nothing_after_the_sparks_own_turn_counts() -> None:
    rng = np.random.default_rng(5)
    marks = np.cumsum(rng.normal(70_588, 700, 200)).astype(np.int64)
    sparks = marks[10:-10:2] + rng.integers(-6000, 6000, 90)
    before = mark_advance(sparks, marks, ones(marks), 10.0)
    for k in range(0, 90, 7):
        own_end = np.searchsorted(marks, sparks[k], side="right")
        moved = marks.copy()
        moved[own_end + 1 :] += rng.integers(1000, 9000)
        after = mark_advance(sparks[k : k + 1], moved, ones(marks), 10.0)
        assert after[0] == before[k]


def test_a_lost_mark_after_the_spark_leaves_late_sparks_known() -> None:
    marks = micro(np.arange(20) * 60 / 850)
    steps = ones(marks)
    kept, counted = np.delete(marks, 11), np.delete(steps, 11)
    counted[11] = 2
    early, late = marks[11] - 1000, marks[10] + 1000
    got = mark_advance(np.array([early, late]), kept, counted, 20.0)
    assert np.isnan(got[0])
    assert got[1] == pytest.approx(14.9, abs=0.01)


def test_pickup_delay_is_a_time_and_taken_off() -> None:
    # 50 us are 0.25 degrees at 850 rpm and 1.02 at 3400 (recomputed).
    for rpm, lost in ((850.0, 0.255), (3400.0, 1.02)):
        made = make(rpm=rpm)
        made.sparks_s = made.sparks_s + 50e-6
        late = chain_of([messages(made)]).cycles().advance_deg
        right = (
            chain_of([messages(made)], rig=replace(RIG, spark=SparkSensor(delay_us=50.0)))
            .cycles()
            .advance_deg
        )
        np.testing.assert_allclose(late, 14.0 - lost, atol=0.03)
        np.testing.assert_allclose(right, 14.0, atol=0.03)


def test_either_side_of_a_full_turn_is_one_place() -> None:
    np.testing.assert_allclose(wrap_deg(np.array([375.0, -345.0, 15.0])), 15.0)


def body_made(rate_deg_s: float, every_s: float, noise: float = 0.0) -> tuple[Made, RigCard]:
    made = make(seconds=30.0)
    times = np.arange(0.0, 30.0, every_s)
    rng = np.random.default_rng(4)
    counts = 400 + rate_deg_s * times / 2 / 0.05 + noise * rng.standard_normal(len(times))
    made.bodies_s = times
    made.body_counts = np.round(counts).astype(np.int64)
    made.marks_s = np.empty(0)
    sensor = BodySensor(deg_per_count=0.05, anchor_counts=400.0, anchor_deg=10.0)
    return made, RigCard(body=sensor)


@pytest.mark.parametrize("every_s", [0.002, 0.02, 0.05, 0.1])
def test_body_angle_is_not_lagged(every_s: float) -> None:
    made, rig = body_made(1.5, every_s)
    table = chain_of([messages(made)], rig=rig).cycles()
    assert (table.advance_from == AdvanceFrom.BODY).all()
    error = table.advance_deg - (10.0 + 1.5 * table.start_us / 1e6)
    # A count is 0.1 degrees of the crank. The last reading alone would lag by half a period
    # and more; where the next one is not in the spark's own turn, it is all there is.
    assert abs(error[1:].mean()) < 0.02 + (1.5 * 0.025 if every_s == 0.1 else 0.0)
    assert np.abs(error[1:]).max() < 0.06 + 1.5 * (0.1 if every_s == 0.1 else every_s / 2)


def test_fast_body_readings_are_averaged() -> None:
    made, rig = body_made(0.0, 0.002, noise=2.0)
    table = chain_of([messages(made)], rig=rig).cycles()
    assert table.advance_deg.std() < 0.35 * 2.0 * 0.1


def test_body_readings_of_later_turns_do_not_count() -> None:
    start = np.array([1_000_000])
    end = start + 140_000
    times = np.array([900_000, 990_000, 1_080_000, 1_150_000])
    a = body_counts_at(start, end, times, np.array([100, 110, 120, 130]))
    b = body_counts_at(start, end, times, np.array([100, 110, 900, 900]))
    assert a[0] == b[0] == 110.0
    near = np.array([900_000, 990_000, 1_010_000, 1_150_000])
    assert body_counts_at(start, end, near, np.array([0, 10, 30, 0]))[0] == 20.0


def test_old_body_readings_do_not_count() -> None:
    start = np.array([5_000_000])
    assert np.isnan(body_counts_at(start, start + 140_000, np.array([4_000_000]), np.array([7]))[0])


def test_disturbed_advances_are_bridged_but_a_lasting_change_is_believed() -> None:
    keeper = AdvanceKeeper()
    no = np.zeros(12, bool)
    given = np.array([10, 10.1, 10, 31, 10.2, np.nan, 10.1, 20, 20.1, 20, 20.2, 20.1])
    kept = keeper.feed(given, no)
    np.testing.assert_allclose(kept[:7], [10, 10.1, 10, 10, 10.2, 10.2, 10.1])
    np.testing.assert_allclose(kept[9:], [20, 20.2, 20.1])
    assert keeper.refused == 3


def test_a_long_loss_is_unknown() -> None:
    kept = AdvanceKeeper().feed(np.array([10.0] + [np.nan] * 8), np.zeros(9, bool))
    assert np.isfinite(kept[:5]).all() and np.isnan(kept[5:]).all()


def test_mark_comes_before_body() -> None:
    made, rig = body_made(0.0, 0.02)
    made.marks_s = make(seconds=30.0).marks_s
    both = replace(rig, mark=MarkSensor(angle_deg=20.0))
    table = chain_of([messages(made)], rig=both).cycles()
    assert (table.advance_from == AdvanceFrom.MARK).all()
    np.testing.assert_allclose(table.advance_deg, 14.0, atol=0.02)
