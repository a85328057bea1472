"""Runs of the engine of cantera_engine.py under a hand and a rig, to be tried from bytes.

Enters: a number. Leaves: a recording of the simulator with the gas hill in it, and its truth.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from cantera_engine import GasEngine, burning

from vaclog.simulator.crank import build
from vaclog.simulator.engine import EngineSpec
from vaclog.simulator.hill import HillSpec
from vaclog.simulator.presets import FIRING_ORDERS, Habit, sweep_script
from vaclog.simulator.recording import Recording, simulate
from vaclog.simulator.rig import RigSpec

# Burn angle, walls, compression: from a quick chamber to a slow one, cool walls to hot ones.
GASES = tuple(
    GasEngine(burn_deg=burn_deg, walls=walls, compression=compression)
    for burn_deg, walls, compression in (
        (46.0, 1.0, 8.0),
        (55.0, 0.8, 9.0),
        (62.0, 1.0, 9.0),
        (68.0, 0.7, 8.0),
    )
)


def gas_recording(
    number: int, *, habit: Habit = "there-and-back", scatter: float = 0.06, seed: int = 0
) -> Recording:
    """One run; numbers go through the gases, cylinders and operating points."""
    rng = np.random.default_rng([97, number, seed])
    gas_engine = GASES[number % len(GASES)]
    cylinders = (4, 6)[number // len(GASES) % 2]
    liters = float(rng.uniform(0.33, 0.5)) * cylinders
    spec = EngineSpec(
        cylinders=cylinders,
        firing_order=FIRING_ORDERS[cylinders],
        displacement_l=liters,
        compression=gas_engine.compression,
        manifold_l=liters * float(rng.uniform(0.5, 1.2)),
        inertia_kg_m2=liters * float(rng.uniform(0.08, 0.14)),
        idle_rpm=float(rng.uniform(700.0, 950.0)),
        idle_kpa=float(rng.uniform(35.0, 45.0)),
        idle_deg=20.0,
        efficiency=0.30,
        # Where the simulator begins to look for the top; the gas says where it is.
        hill=HillSpec(kind="tabulated", peak_deg=30.0, moving=True),
        scatter=scatter,
        scatter_skew=float(rng.choice([0.0, 0.3])),
        spark_jitter_deg=float(rng.uniform(0.1, 0.3)),
        centrifugal=((1200.0, 0.0), (1700.0, 10.0), (3200.0, 20.0)),
        friction_drift_per_min=float(rng.normal(0.0, 0.005)),
    )
    with burning(gas_engine):
        top_deg = build(spec).top.advance_deg
        spec = replace(spec, hill=replace(spec.hill, peak_deg=float(round(top_deg))))
        low = round(top_deg) - float(rng.uniform(9.0, 15.0))
        high = round(top_deg) + float(rng.uniform(7.0, 12.0))
        script = sweep_script(habit, low, high)
        spec = replace(spec, idle_deg=low)
        return simulate(spec, script, RigSpec(), int(rng.integers(1 << 31)))
