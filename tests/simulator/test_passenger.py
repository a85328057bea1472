"""A drive that pinks: who hears it, when the button is pressed, what the session makes of it."""

from __future__ import annotations

import numpy as np
import pytest

from vaclog.cards import engine_card, rig_card
from vaclog.records import Chunk
from vaclog.result import Result, faults
from vaclog.session import Session
from vaclog.simulator import Recording
from vaclog.simulator.passenger import DELAY_S, presses_s
from vaclog.simulator.presets import preset


def answer(recording: Recording) -> Result:
    session = Session(
        engine=engine_card(recording.engine_card_toml), rig=rig_card(recording.rig_card_toml)
    )
    session.feed(Chunk(at_us=None, data=recording.text))
    return session.finish()


@pytest.fixture(scope="module")
def too_far() -> Recording:
    return preset("road-too-far").simulate(4)


def test_too_much_advance_pinks_under_load_and_is_marked(too_far: Recording) -> None:
    """The marks go to the runs, and their range of speed holds a stroke that truly pinked."""
    result = answer(too_far)
    assert faults(result) == []
    loads = [span for span in too_far.truth.phases if span.kind == "load"]
    assert len(result.loads) == len(loads) == 2
    assert {mark.load for mark in result.pinking} == {1, 2}
    heard = too_far.pinked_s
    inside = [any(s.start_s <= at < s.end_s + 0.3 for s in loads) for at in heard]
    assert len(heard) > 50 and np.mean(inside) > 0.97  # the manifold empties after the foot lifts
    for mark in result.pinking:
        assert mark.by == "button"
        assert ((heard >= mark.low_s) & (heard < mark.high_s)).any()
        rpm = np.interp((heard[(heard >= mark.low_s) & (heard < mark.high_s)]),
                        too_far.trace.event_s, too_far.trace.event_rpm)  # fmt: skip
        assert mark.low_rpm * 0.98 < np.median(rpm) < mark.high_rpm * 1.02


def test_the_same_engine_six_degrees_back_is_quiet() -> None:
    recording = preset("road").simulate(4)
    assert len(recording.pinked_s) < 5
    assert answer(recording).pinking == ()


def test_a_passenger_needs_several_and_half_a_second() -> None:
    rng = np.random.default_rng(1)
    assert presses_s(np.array([1.0, 3.0, 5.0, 7.0, 9.0]), rng) == ()
    (press,) = presses_s(np.arange(5) * 0.1 + 1.0, rng)
    assert DELAY_S[0] <= press - 1.4 <= DELAY_S[1]


def test_a_drive_at_full_throttle_keeps_its_open_air(too_far: Recording) -> None:
    """Most cycles pull near the open air, and the engine at rest still tells what that is."""
    result = answer(too_far)
    assert result.barometer_kpa == pytest.approx(too_far.truth.barometer_kpa, abs=0.5)
