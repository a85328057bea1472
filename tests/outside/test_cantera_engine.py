"""An engine made of gas properties: it obeys the library's thermodynamics and Heywood's facts,
and the whole program finds its top from bytes."""

from __future__ import annotations

import sys
from pathlib import Path

import cantera as ct
import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
from cantera_engine import (
    KPA,
    RPM,
    GasEngine,
    _state,
    burn_angle_deg,
    burning,
    gas,
    residual,
    run,
    volume,
)
from gas_runs import gas_recording
from scipy.interpolate import CubicSpline

from vaclog.cards import engine_card, rig_card
from vaclog.records import Chunk
from vaclog.result import Result
from vaclog.session import Session
from vaclog.simulator.engine import Engine, EngineSpec
from vaclog.simulator.hill import HillSpec

IDLES = ((850.0, 40.0), (750.0, 36.0), (950.0, 42.0))


def best(engine: GasEngine, rpm: float, kpa: float) -> tuple[float, float, float, float]:
    """Best advance; angle of half burned and of highest pressure there; k within ±10°."""
    advance = np.arange(-5.0, 70.1, 1.0)
    many = np.full(len(advance), rpm), np.full(len(advance), kpa)
    curve = CubicSpline(advance, run(engine, advance, *many).efficiency)
    tops = curve.derivative().roots(extrapolate=False)
    top = float(tops[np.argmax(curve(tops))])
    one, cold = (
        run(engine, np.array([a]), np.array([rpm]), np.array([kpa])) for a in (top, np.nan)
    )
    x = np.arange(-10.0, 10.1, 1.0)
    relative = (curve(top + x) - cold.efficiency[0]) / (curve(top) - cold.efficiency[0])
    half = float(np.interp(0.5, one.burned[:, 0], one.theta_deg))
    return top, half, float(one.theta_deg[one.kpa[:, 0].argmax()]), -np.polyfit(x, relative, 2)[0]


@pytest.mark.parametrize(
    ("burn_deg", "rpm", "kpa"), [(46.0, *IDLES[0]), (62.0, *IDLES[1]), (75.0, *IDLES[2])]
)
def test_heywoods_facts_of_best_torque(burn_deg: float, rpm: float, kpa: float) -> None:
    """Half burned about 10° [8–13], highest pressure about 16° [12–18] after the top.

    Heywood, Internal Combustion Engine Fundamentals, ch. 9, from memory; a degree more is left to
    idle, where the walls take more than under load. Relative torque falls by 2 to 5e-4 per square
    degree.
    """
    _, half, highest, k = best(GasEngine(burn_deg=burn_deg), rpm, kpa)
    assert 8.0 < half < 14.0
    assert 12.0 < highest < 18.0
    assert 2e-4 < k < 5e-4


def test_best_advance_falls_with_pressure_and_heat_kept() -> None:
    """Thin charge burns slowly; walls that take less heat let the charge burn earlier."""
    engine = GasEngine()
    assert best(engine, 850.0, 32.0)[0] > best(engine, 850.0, 46.0)[0] + 1.0
    assert best(GasEngine(walls=0.5), 850.0, 40.0)[0] > best(engine, 850.0, 40.0)[0] + 2.0
    angles = burn_angle_deg(engine, np.array([700.0, 1000.0]), np.array([40.0, 40.0]))
    assert angles[1] > angles[0]


def test_heat_of_propane() -> None:
    """46.4 MJ/kg of propane (lower; CRC Handbook, from memory), 15.7 of air to one of it."""
    assert gas().heat_j_kg * (1 + 15.67) == pytest.approx(46.35e6, rel=1e-2)


def test_the_zone_burns_as_the_library_does_at_constant_volume() -> None:
    """Fresh charge turned to products at its energy and volume: ct's own equilibrium, 'UV'."""
    mix = ct.Solution("gri30.yaml")
    mix.set_equivalence_ratio(1.0, "C3H8", "O2:1.0, N2:3.76")
    mix.TP = 650.0, 4e5
    energy, specific = mix.int_energy_mass, 1.0 / mix.density
    mix.equilibrate("UV")
    kelvin, pa = _state(
        gas(), np.array([energy]), np.array([specific]), np.ones(1), np.array([2500.0])
    )
    for _ in range(3):
        kelvin, pa = _state(gas(), np.array([energy]), np.array([specific]), np.ones(1), kelvin)
    assert kelvin[0] == pytest.approx(mix.T, rel=2e-3)
    assert pa[0] == pytest.approx(mix.P, rel=3e-3)


def test_squeezed_without_walls_it_keeps_its_entropy() -> None:
    """Against the library's own isentrope of the same mixture, residual gas as products."""
    engine = GasEngine(walls=0.0)
    traces = run(engine, np.array([np.nan]), np.array([850.0]), np.array([40.0]))
    kept = float(residual(engine, np.array([40.0]))[0])
    mix = ct.Solution("gri30.yaml")
    mix.set_equivalence_ratio(1.0, "C3H8", "O2:1.0, N2:3.76")
    fresh = mix.Y
    mix.TPX = 385.0, 4e4, "CO2:3, H2O:4, N2:18.8"
    mix.TPY = 385.0, 4e4, (1 - kept) * fresh + kept * mix.Y
    entropy, specific = mix.entropy_mass, 1.0 / mix.density
    top = int(np.argmax(traces.kpa[:, 0]))
    ratio = volume(traces.theta_deg[[top]], 9.0)[0] / volume(traces.theta_deg[[0]], 9.0)[0]
    mix.SV = entropy, specific * ratio
    assert traces.theta_deg[top] == pytest.approx(0.0, abs=0.5)
    assert traces.kpa[top, 0] * 1e3 == pytest.approx(mix.P, rel=2e-3)
    assert traces.kelvin[top, 0] == pytest.approx(mix.T, rel=2e-3)
    assert traces.kpa[-1, 0] == pytest.approx(traces.kpa[0, 0], rel=2e-3)


def test_the_simulators_top_is_that_of_the_gas() -> None:
    """Where its steady vacuum is highest, the gas itself has its best advance."""
    engine = GasEngine()
    with burning(engine):
        made = Engine(
            EngineSpec(hill=HillSpec(kind="tabulated", peak_deg=30.0, moving=True), idle_deg=18.0)
        )
    top, *_ = best(engine, made.top.rpm, made.top.kpa)
    assert made.top.advance_deg == pytest.approx(top, abs=0.3)
    assert RPM[0] < made.top.rpm < RPM[-1]
    assert KPA[0] < made.top.kpa < KPA[-1]


def answer(number: int) -> tuple[Result, float]:
    """The program's answer from the bytes, and the truth."""
    made = gas_recording(number)
    session = Session(
        capture="gas",
        engine=engine_card(made.engine_card_toml),
        rig=rig_card(made.rig_card_toml),
    )
    session.feed(Chunk(at_us=None, data=made.binary))
    return session.finish(), made.truth.peak_rig_deg


def test_the_top_of_the_gas_is_found_from_bytes() -> None:
    """Two gases, four and six cylinders: three of four intervals hold the top at least.

    One run in twenty may be outside (3 of 4 or more: 99 times in 100); the long table is made by
    tests/bench/hill_bench.py.
    """
    held, errors = 0, []
    for number in (0, 2, 4, 6):
        result, top_deg = answer(number)
        peak = result.peak
        assert peak.found, (number, peak.why_not)
        assert peak.angle_deg is not None
        assert peak.low_deg is not None and peak.high_deg is not None
        held += peak.low_deg <= top_deg <= peak.high_deg
        errors.append(peak.angle_deg - top_deg)
    assert held >= 3, errors
    assert max(map(abs, errors)) < 2.0, errors
    assert abs(np.mean(errors)) < 0.9, errors
