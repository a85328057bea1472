"""The faults of the simulated engine: how much gas, when, and what is left of the work."""

from __future__ import annotations

import numpy as np
import pytest

from vaclog.simulator import EngineSpec, FaultSpec, Script
from vaclog.simulator.crank import Trace, build, run
from vaclog.simulator.engine import STEP_DEG
from vaclog.simulator.faults import HOT, RING, Faults
from vaclog.simulator.script import Hold

AIR_KG = 1e-4


def faults(spec: FaultSpec, draws: list[float] | None = None) -> Faults:
    """Faults whose chance is a list."""
    left = iter(draws or [])
    return Faults(
        spec=spec,
        step_deg=STEP_DEG,
        uniform=lambda: next(left),
        normal=lambda: next(left),
        idle_rpm=850.0,
        idle_charge_kg=AIR_KG,
    )


def test_a_leak_gives_its_share_after_the_spark_of_its_cylinder() -> None:
    """A tenth of the charge, hot, over half a turn from the spark on; none for other cylinders."""
    made = faults(FaultSpec(slot=2, leak=0.1))
    assert made.event(100, 103, 0, 1.0, AIR_KG, 850.0) == 1.0
    assert sum(made.puff) == 0.0
    assert made.event(100, 103, 1, 1.0, AIR_KG, 850.0) == pytest.approx(0.9)
    assert sum(made.puff) == pytest.approx(0.1 * AIR_KG * HOT)
    assert np.flatnonzero(made.puff).tolist() == list(range(100, 130))


def test_what_is_not_drawn_comes_in_the_next_intake_stroke() -> None:
    """From a turn after the firing top on, and the work shrinks by the same share."""
    made = faults(FaultSpec(slot=1, weak_draw=0.3))
    assert made.event(100, 103, 0, 1.0, AIR_KG, 850.0) == pytest.approx(0.7)
    assert sum(made.puff) == pytest.approx(0.3 * AIR_KG)
    assert np.flatnonzero(made.puff).tolist() == list(range(163, 199))
    assert len(made.puff) == RING


def test_a_valve_sticks_as_often_as_it_is_told() -> None:
    """A draw below the probability loses the stroke; above it nothing happens."""
    made = faults(FaultSpec(slot=1, stick=0.2), [0.19, 0.21])
    assert made.event(0, 3, 0, 1.0, AIR_KG, 850.0) == 0.0
    before = sum(made.puff)
    assert before > 0.0
    assert made.event(0, 3, 0, 1.0, AIR_KG, 850.0) == 1.0
    assert sum(made.puff) == before


def test_an_exhaust_fills_over_seconds() -> None:
    """Nearly nothing at once, the whole block after a minute at the fourfold flow."""
    made = faults(FaultSpec(exhaust_block=0.3))
    kept = [
        1.0 - made.event(0, 3, 0, t, AIR_KG, 3400.0) for t in np.arange(0.0, 60.0, 0.02).tolist()
    ]
    assert kept[1] < 0.01
    assert kept[300] == pytest.approx(0.3 * (1.0 - np.exp(-1.0)), abs=0.01)
    assert kept[-1] == pytest.approx(0.3, abs=1e-3)


def held(fault: FaultSpec) -> Trace:
    """Four seconds of idle."""
    engine = build(EngineSpec(fault=fault))
    script = Script(start_deg=10.0, segments=(Hold(seconds=4.0),))
    return run(engine, script, np.random.default_rng(5))


def test_without_a_fault_nothing_changes() -> None:
    """The default is the engine as it was: the same trace, bit for bit."""
    sound, uneven = held(FaultSpec()), held(FaultSpec(uneven=(0.0, 0.0, 0.0, 0.0)))
    np.testing.assert_array_equal(sound.pressure_kpa, uneven.pressure_kpa)


def test_a_leak_raises_the_pressure_of_the_manifold() -> None:
    """By a kilopascal or two on average, and its swing within the cycle."""
    sound, leaking = held(FaultSpec()), held(FaultSpec(slot=3, leak=0.3))
    late = slice(-400, None)
    assert leaking.pressure_kpa[late].mean() > sound.pressure_kpa[late].mean() + 1.0
    assert np.ptp(leaking.pressure_kpa[late]) > np.ptp(sound.pressure_kpa[late]) + 1.0
