"""The centrifugal curve from rev-ups."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from vaclog.analysis.curve.find import find_curve
from vaclog.analysis.findings import CurveFinding
from vaclog.analysis.phases.find import find_phases
from vaclog.cards import EngineCard
from vaclog.signals.tables import AdvanceFrom

Maker = Callable[..., Any]
TRUE = ((1000.0, 0.0), (1600.0, 10.0), (3000.0, 20.0))
SLOW = [(0, 1), (10, 1), (22, 6), (30, 6), (42, 1)]
SNAP = [(0, 1), (10, 1), (10.2, 12), (11.2, 12), (11.4, 1)]


def curve_of(made: Any) -> CurveFinding | None:
    phases, _ = find_phases(made.cycles, made.background, EngineCard(), made.duration_us)
    return find_curve(made.cycles, phases, EngineCard())


def errors(found: CurveFinding) -> np.ndarray:
    rpm, deg = np.array(TRUE).T
    return found.added_deg - np.interp(found.rpm, rpm, deg)


@pytest.mark.parametrize("seed", range(4))
def test_slow_rev_up_gives_the_curve_within_its_band(make_engine: Maker, seed: int) -> None:
    made = make_engine([(0, 10), (60, 10)], throttle=SLOW, curve=TRUE, noise_deg=0.6, seed=seed)
    found = curve_of(made)
    assert found is not None
    assert found.max_rpm > 2500.0
    assert found.rpm[-1] > 2400.0
    assert np.all(np.diff(found.rpm) > 0)
    assert np.all(np.diff(found.added_deg) >= 0)
    assert np.abs(errors(found)).max() < 1.0
    z = errors(found) / found.u_added_deg
    assert np.mean(np.abs(z) < 2.0) > 0.75
    assert found.u_added_deg.max() < 1.0


def test_a_snap_of_the_throttle_says_less(make_engine: Maker) -> None:
    made = make_engine([(0, 10), (40, 10)], throttle=SNAP, curve=TRUE)
    found = curve_of(made)
    slow = curve_of(make_engine([(0, 10), (60, 10)], throttle=SLOW, curve=TRUE))
    assert slow is not None
    assert found is None or len(found.rpm) < len(slow.rpm)


def test_an_engine_without_weights_has_a_flat_curve(make_engine: Maker) -> None:
    flat = ((1000.0, 0.0), (3000.0, 0.0))
    found = curve_of(make_engine([(0, 10), (60, 10)], throttle=SLOW, curve=flat))
    assert found is not None
    assert np.abs(found.added_deg).max() < 0.5


def test_weights_that_lag_are_centred(make_engine: Maker) -> None:
    """Late on the way up and on the way down: the mean of both is the curve."""
    made = make_engine([(0, 10), (60, 10)], throttle=SLOW, curve=TRUE, noise_deg=0.2)
    cycles = made.cycles
    late = np.empty(len(cycles))
    weights_rpm = cycles.rpm[0]
    for k, rpm in enumerate(cycles.rpm):
        weights_rpm += (rpm - weights_rpm) * 0.2  # about half a second
        late[k] = weights_rpm
    rpm, deg = np.array(TRUE).T
    lagging = replace(cycles, advance_deg=10.0 + np.interp(late, rpm, deg))
    phases, _ = find_phases(lagging, made.background, EngineCard(), made.duration_us)
    found = find_curve(lagging, phases, EngineCard())
    assert found is not None
    assert np.abs(errors(found)[1:-1]).max() < 1.5


def test_no_rev_up_no_mark_no_curve(make_engine: Maker) -> None:
    assert curve_of(make_engine([(0, 10), (40, 10)])) is None
    body = make_engine([(0, 10), (60, 10)], throttle=SLOW, source=AdvanceFrom.BODY)
    assert curve_of(body) is None
    sweep = make_engine([(0, 10), (10, 10), (30, 30), (40, 30)])
    assert curve_of(sweep) is None
