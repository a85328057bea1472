"""The engine's mean-value relations against published facts, and against its own long run."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from vaclog.simulator import EngineSpec, HillSpec, MisfireSpec, Script
from vaclog.simulator.closed_cycle import volume_ratio
from vaclog.simulator.crank import build, run, settled
from vaclog.simulator.engine import CHOKED_RATIO, Engine, friction_bar, throttle_flow
from vaclog.simulator.presets import random_scenario
from vaclog.simulator.script import Hold


def test_choked_flow():
    """Choked below 0.528 at gamma 1.4; flow function 0.6847 there (gas dynamics, textbook)."""
    assert pytest.approx(0.528, abs=5e-4) == CHOKED_RATIO
    assert throttle_flow(0.2) == throttle_flow(0.52) == pytest.approx(0.6847, abs=1e-4)
    assert throttle_flow(0.529) == pytest.approx(0.6847, abs=1e-4)
    assert throttle_flow(0.9) < throttle_flow(0.7) < throttle_flow(0.53)
    assert throttle_flow(1.0) == throttle_flow(1.1) == 0.0
    # isentropic relation, written down a second way: velocity from enthalpy, density from p
    for ratio in (0.6, 0.8, 0.95):
        density = ratio ** (1 / 1.4)
        speed = (2 * 1.4 / 0.4 * (1 - ratio ** (0.4 / 1.4))) ** 0.5
        assert throttle_flow(ratio) == pytest.approx(density * speed, rel=1e-9)


def test_friction():
    """0.97 + 0.15 n + 0.05 n2 bar, n in 1000 rpm (Heywood ch. 13, from memory)."""
    assert friction_bar(1000.0) == pytest.approx(1.17)
    assert friction_bar(3000.0) == pytest.approx(0.97 + 0.45 + 0.45)


def test_friction_polynomial_is_the_friction(idle_engine):
    c0, c1, c2 = idle_engine.friction_polynomial()
    for rpm in (300.0, 850.0, 4000.0):
        w = rpm * np.pi / 30.0
        assert c0 + c1 * w + c2 * w * w == pytest.approx(idle_engine.friction_nm(rpm))


def test_inertia_torque_is_what_speeds_the_pistons_up():
    """Torque on the crank is minus the change of the pistons' kinetic energy, by differences."""
    spec = EngineSpec(cylinders=4, piston_kg=0.6, stroke_mm=90.0)
    theta = np.arange(0.0, 181.0, 6.0)
    fine = np.radians(0.01)
    energy = np.zeros(len(theta))
    for cylinder in range(4):
        at = theta + 180.0 * cylinder
        lift = [volume_ratio(at + x, 9.0) for x in (-0.005, 0.005)]
        energy += 0.5 * 0.6 * ((lift[1] - lift[0]) / fine * 0.09) ** 2  # per omega squared
    torque = -np.diff(energy) / np.radians(6.0)
    table = Engine(spec).tables.per_omega2
    assert table == pytest.approx(torque, abs=0.05 * np.abs(torque).max())


def test_default_idle_is_a_real_idle(idle_engine):
    """About 850 rpm and 30–45 kPa absolute, 17–22 inHg of vacuum (trade, no source)."""
    idle = idle_engine.steady(10.0)
    assert idle.rpm == pytest.approx(850.0, abs=0.5)
    assert 30.0 < idle.kpa < 45.0
    assert 17.0 < (101.3 - idle.kpa) / 3.386 < 22.0
    assert 0.8 < idle_engine.friction_scale < 2.0


def test_vacuum_hill_curvature(idle_engine):
    """-0.006 … -0.012 kPa of vacuum per deg2 (computed models)."""
    top = idle_engine.top
    for x in (-6.0, 6.0):
        bend = (idle_engine.steady(top.advance_deg + x).kpa - top.kpa) / x**2
        assert 0.006 < bend < 0.012


@pytest.mark.parametrize("kind", ["halves", "tabulated"])
@pytest.mark.parametrize("moving", [False, True])
def test_peak_vacuum_is_best_torque_at_the_top(kind, moving):
    """At constant throttle pressure depends on speed only, so dn/da = 0 where dT/da = 0."""
    engine = Engine(EngineSpec(hill=HillSpec(kind=kind, moving=moving)))
    top = engine.top
    grid = np.arange(top.advance_deg - 4.0, top.advance_deg + 4.0, 0.01)
    torque = [engine.indicated_nm(a, top.rpm, top.kpa * 1e3) for a in grid]
    assert grid[int(np.argmax(torque))] == pytest.approx(top.advance_deg, abs=0.06)
    assert top.advance_deg == pytest.approx(24.0, abs=0.12)


def test_moving_peak_is_not_that_of_the_starting_idle():
    engine = Engine(EngineSpec(hill=HillSpec(moving=True), idle_deg=6.0))
    start = engine.steady(6.0)
    assert engine.hill.best_deg(start.rpm, start.kpa) < engine.top.advance_deg - 0.7


@pytest.mark.parametrize("seed", range(6))
def test_truth_is_the_peak_of_the_quiet_run(seed):
    """Hold after hold of the crank-resolved engine, a parabola through the five next to the top."""
    spec = random_scenario(
        np.random.default_rng(seed), moving=bool(seed % 2), tabulated=seed % 3 == 0
    ).engine
    engine = build(spec)
    # Without weights the spark is where the hand is, at any speed; where it is best is the same.
    bare = build(replace(spec, centrifugal=()))
    x = np.array([-2.0, -1.0, 0.0, 1.0, 2.0])
    kpa = []
    for advance in (engine.top.advance_deg + x).tolist():
        script = Script(start_deg=advance, segments=(Hold(seconds=11.0),))
        trace = run(bare, script, np.random.default_rng(0), quiet=True)
        kpa.append(settled(trace, spec.cylinders, 7.0)[1])
    cubic = np.polynomial.Polynomial.fit(x, kpa, 3)
    vertex = brentq(cubic.deriv(), -2.0, 2.0)
    assert vertex == pytest.approx(engine.top_shift_deg, abs=0.04)
    assert cubic(vertex) == pytest.approx(engine.top.kpa + engine.top_shift_kpa, abs=0.02)


def test_quiet_idle_stands_where_the_spec_says():
    for cylinders, order in ((4, (1, 3, 4, 2)), (6, None), (8, None), (3, None)):
        spec = EngineSpec(
            cylinders=cylinders, firing_order=order, displacement_l=0.45 * cylinders,
            inertia_kg_m2=0.05 * cylinders, manifold_l=0.3 * cylinders,
            idle_rpm=780.0, idle_kpa=37.0,
        )  # fmt: skip
        engine = build(spec)
        script = Script(start_deg=spec.idle_deg, segments=(Hold(seconds=9.0),))
        trace = run(engine, script, np.random.default_rng(0), quiet=True)
        rpm, kpa, _, _ = settled(trace, cylinders, 6.0)
        assert rpm == pytest.approx(780.0, abs=1.5)
        assert kpa == pytest.approx(37.0, abs=0.1)


def test_lobes_shift_the_peak_seen_on_the_first_cylinder():
    """Cylinders that fire early want less advance of No. 1, by the mean of the lobes."""
    plain = Engine(EngineSpec(hill=HillSpec(kind="parabola")))
    early = Engine(EngineSpec(hill=HillSpec(kind="parabola"), lobe_deg=(0.0, 2.0, 2.0, 4.0)))
    assert early.top.advance_deg == pytest.approx(plain.top.advance_deg - 2.0, abs=0.02)


def test_weaker_barometer_gives_less_vacuum_not_another_peak():
    low = Engine(EngineSpec(barometer_kpa=84.0))
    assert low.top.advance_deg == pytest.approx(24.0, abs=0.03)
    assert low.steady(10.0).kpa == pytest.approx(40.0, abs=0.01)


def test_dead_settings_have_no_steady_idle():
    engine = Engine(EngineSpec(hill=HillSpec(k_per_deg2=9e-4)))
    assert engine.steady(80.0) is None


def test_misfire_probability():
    spec = MisfireSpec(base=0.002, onset_deg=30.0, per_deg=0.02, most=0.1, slot=None)
    assert spec.probability(20.0, 1) == 0.002
    assert spec.probability(31.0, 1) == pytest.approx(0.022)
    assert spec.probability(60.0, 4) == 0.1
    one = replace(spec, slot=3)
    assert one.probability(31.0, 2) == 0.0
    assert one.probability(31.0, 3) == pytest.approx(0.022)


def test_uneven_cylinder_counts_are_refused():
    with pytest.raises(ValueError, match="7 cylinders"):
        Engine(EngineSpec(cylinders=7, firing_order=None))


def test_centrifugal_curve():
    spec = EngineSpec(centrifugal=((600.0, 0.0), (1500.0, 9.0)))
    assert [spec.centrifugal_deg(r) for r in (500.0, 1050.0, 4000.0)] == [0.0, 4.5, 9.0]
    assert EngineSpec(centrifugal=()).centrifugal_deg(3000.0) == 0.0
