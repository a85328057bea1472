"""The signs on simulated captures, from pulses and samples on: the bench's short version."""

from __future__ import annotations

import numpy as np
import pytest
import signs_bench as bench


@pytest.mark.parametrize("seed", [4, 17])
def test_a_sound_engine_has_no_sign(seed: int) -> None:
    """Two of the ninety of the bench: six cylinders warm, eight cold, 8 and 14 % scatter."""
    engine, rig, number = bench.sound_engines(seed + 1)[seed]
    _, signs, looked = bench.look(engine, bench.visit(), rig, number)
    assert [sign.key for sign in signs] == []
    assert len([each for each in looked if each.why_not is None]) >= 8


@pytest.mark.parametrize(
    ("name", "size", "first"),
    [
        ("leaking inlet", 0.35, "inlet valve"),
        ("weak draw", 0.6, "draws less"),
        ("sticking valve", 0.03, "sticks open"),
        ("guides", 0.2, "guides"),
        ("springs", 0.2, "springs"),
        ("blocked exhaust", 0.4, "exhaust"),
        ("very late", 56.0, "late ignition"),
        ("open at start", 1.0, "throttle"),
    ],
)
def test_a_fault_is_told_with_its_cause_first(name: str, size: float, first: str) -> None:
    """Each fault of the simulator in a clear size, on a four-cylinder engine."""
    fault = next(each for each in bench.FAULTS if each.name == name)
    rng = np.random.default_rng([43, 3])
    engine = fault.give(bench.sound(rng, 4, 0.08, cold=False), size, 2)
    _, signs, _ = bench.look(engine, fault.script, bench.rig(rng), 1003)
    mine = [sign for sign in signs if sign.key == fault.key]
    assert len(mine) == 1
    assert first in mine[0].candidates[0].text
    assert mine[0].u > 0 and mine[0].next_look
    if name in ("leaking inlet", "weak draw", "sticking valve"):
        assert mine[0].slot == (4 if name == "weak draw" else 2)  # two drew by four's stroke


def test_lost_sparks_are_no_valve() -> None:
    """A misfire makes no sudden drop: it is told as a misfire, not as a sign."""
    fault = next(each for each in bench.FAULTS if each.name == "lost sparks")
    rng = np.random.default_rng([43, 3])
    engine = fault.give(bench.sound(rng, 4, 0.06, cold=False), 0.01, 2)
    _, signs, _ = bench.look(engine, fault.script, bench.rig(rng), 1003)
    assert "occasional-drops" not in [sign.key for sign in signs]
