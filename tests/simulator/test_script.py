"""The hand's script: spans partition the record, sweeps and moves are where they were."""

from itertools import pairwise

import numpy as np
import pytest

from vaclog.simulator import EngineSpec, HillSpec, Script
from vaclog.simulator.crank import build, run
from vaclog.simulator.presets import HABITS, sweep_script
from vaclog.simulator.script import (
    Blip,
    Follow,
    Hand,
    Hold,
    Seen,
    Start,
    Still,
    Turn,
    perform,
)


def play(script, rpm=850.0, needle=lambda hand_deg: 40.0):
    """Run a script without an engine, at 20 ms; return the log and the hand over time."""
    hand = Hand(script.start_deg, np.random.default_rng(1))
    steps = perform(script, hand)
    command = next(steps)
    t, path = 0.0, []
    while True:
        path.append((t, command.hand_deg))
        try:
            seen = Seen(t_s=t, rpm=rpm, calm_rpm=rpm, needle_kpa=needle(command.hand_deg))
            command = steps.send(seen)
        except StopIteration:
            return hand.log, np.array(path)
        t += 0.02


def assert_partition(spans, end_s):
    assert spans[0].start_s == 0.0
    for a, b in pairwise(spans):
        assert a.end_s == b.start_s
        assert a.kind != b.kind
    assert spans[-1].end_s == pytest.approx(end_s, abs=0.03)


@pytest.mark.parametrize("habit", HABITS)
def test_every_habit_is_a_partition_and_its_sweeps_are_true(habit):
    log, path = play(sweep_script(habit, 10.0, 30.0))
    assert_partition(log.spans, path[-1, 0])
    assert log.sweeps
    for sweep in (*log.sweeps, *log.moves):
        at = np.interp([sweep.start_s, sweep.end_s], path[:, 0], path[:, 1])
        assert at == pytest.approx([sweep.from_deg, sweep.to_deg], abs=0.15)
        assert (sweep.direction == "advancing") == (sweep.to_deg > sweep.from_deg)
    turning = [s for s in log.spans if s.kind in ("advancing", "retarding")]
    assert [(s.kind, s.start_s, s.end_s) for s in turning] == [
        (s.direction, s.start_s, s.end_s) for s in log.sweeps
    ]
    outside = [s for s in log.spans if s.kind == "hold"]
    for span in outside:
        inside = (path[:, 0] > span.start_s + 0.03) & (path[:, 0] < span.end_s - 0.03)
        assert np.ptp(path[inside, 1]) == 0.0


def test_slow_turn_keeps_its_rate():
    log, path = play(Script(start_deg=10.0, segments=(Turn(to_deg=20.0, rate_deg_s=0.5),)))
    assert log.sweeps[0].end_s - log.sweeps[0].start_s == pytest.approx(20.0, abs=0.05)
    middle = (path[:, 0] > 5) & (path[:, 0] < 15)
    assert np.polyfit(path[middle, 0], path[middle, 1], 1)[0] == pytest.approx(0.5, rel=1e-3)


def test_nudge_and_wait_is_a_staircase():
    turn = Turn(to_deg=20.0, rate_deg_s=4.0, step_deg=2.5, wait_s=7.0)
    log, path = play(Script(start_deg=10.0, segments=(turn,)))
    assert [m.to_deg for m in log.moves] == pytest.approx([12.5, 15.0, 17.5, 20.0])
    assert len(log.sweeps) == 1
    waits = [b.start_s - a.end_s for a, b in pairwise(log.moves)]
    assert waits == pytest.approx([7.0] * 3, abs=0.05)
    assert path[-1, 1] == pytest.approx(20.0, abs=0.1)


def test_jerky_hand_is_jerky():
    turn = Turn(to_deg=30.0, rate_deg_s=2.0, step_deg=2.5, wait_s=1.5, jerky=0.5)
    log, _ = play(Script(start_deg=10.0, segments=(turn,)))
    rates = [(m.to_deg - m.from_deg) / (m.end_s - m.start_s) for m in log.moves]
    assert len(rates) >= 4
    assert np.std(rates) > 0.3


def test_follower_ends_near_the_needles_best():
    """A hand that follows the needle goes past the best and comes back."""
    follow = Follow(seconds=120.0, low_deg=5.0, high_deg=45.0, turn_back_kpa=0.2)
    log, path = play(
        Script(start_deg=10.0, segments=(follow,)), needle=lambda a: 38.0 + 0.008 * (a - 24) ** 2
    )
    late = path[path[:, 0] > 60.0, 1]
    assert abs(np.median(late) - 24.0) < 4.0
    assert {s.direction for s in log.sweeps} == {"advancing", "retarding"}
    assert path[:, 1].max() > 27.0


def test_engine_that_dies_under_the_hand():
    """Stall and still are written down; the cut sweep ends where the engine gave up."""
    engine = build(EngineSpec(hill=HillSpec(k_per_deg2=9e-4)))
    segments = (Hold(seconds=3.0), Turn(to_deg=75.0, rate_deg_s=5.0), Hold(seconds=3.0))
    trace = run(engine, Script(start_deg=10.0, segments=segments), np.random.default_rng(1))
    log = trace.log
    assert [s.kind for s in log.spans] == ["hold", "advancing", "stall", "still"]
    assert_partition(log.spans, trace.time_s[-1])
    assert log.sweeps[0].end_s == log.spans[1].end_s
    assert trace.event_s[-1] <= log.spans[2].end_s


def test_blip_first_thing_in_a_record():
    engine = build(EngineSpec())
    script = Script(start_deg=10.0, segments=(Blip(), Hold(seconds=2.0)))
    trace = run(engine, script, np.random.default_rng(1))
    assert [s.kind for s in trace.log.spans] == ["blip", "hold"]
    blip = trace.log.spans[0]
    assert 1.0 < blip.end_s - blip.start_s < 10.0
    after = (trace.event_s > blip.end_s) & (trace.event_s < blip.end_s + 1.0)
    assert trace.event_rpm[after].mean() == pytest.approx(850.0, rel=0.07)


def test_engine_that_does_not_fire_gives_up_cranking():
    log, _ = play(Script(segments=(Still(seconds=1.0), Start(give_up_s=4.0))), rpm=200.0)
    assert [s.kind for s in log.spans] == ["still", "cranking"]
    assert log.spans[1].end_s == pytest.approx(5.0, abs=0.05)


def test_scripts_know_whether_the_engine_runs_at_first():
    assert sweep_script("one-way", 10.0, 20.0).starts_running
    assert not Script(segments=(Still(seconds=1.0),)).starts_running
    assert not Script(segments=(Start(),)).starts_running
