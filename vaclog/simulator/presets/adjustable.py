"""A scenario from a few knobs, for benchmarks and as the ground of the named ones.

Enters: what matters to the hill fit. Leaves: a :class:`~vaclog.simulator.presets.Scenario`.
"""

from __future__ import annotations

from vaclog.simulator.engine import EngineSpec
from vaclog.simulator.hill import HillKind, HillSpec
from vaclog.simulator.presets.hands import Habit, sweep_script
from vaclog.simulator.presets.scenario import FIRING_ORDERS, Scenario
from vaclog.simulator.rig import RigSpec


def knobs(
    *,
    cylinders: int = 4,
    peak_deg: float = 24.0,
    hill: HillKind = "halves",
    lopsided: float = 0.2,
    k_per_deg2: float = 3e-4,
    moving: bool = False,
    scatter: float = 0.06,
    friction_drift_per_min: float = 0.0,
    throttle_drift_per_min: float = 0.0,
    habit: Habit = "there-and-back",
    low_deg: float | None = None,
    high_deg: float | None = None,
    rate_deg_s: float = 1.0,
    rig: RigSpec | None = None,
) -> Scenario:
    """Make a benchmark's scenario from what matters to the hill fit.

    The travel is 14 degrees below to 10 above the peak unless given.
    """
    low = peak_deg - 14.0 if low_deg is None else low_deg
    high = peak_deg + 10.0 if high_deg is None else high_deg
    script = sweep_script(habit, low, high, rate_deg_s=rate_deg_s)
    liters = 0.4 * cylinders
    engine = EngineSpec(
        cylinders=cylinders,
        firing_order=FIRING_ORDERS.get(cylinders),
        displacement_l=liters,
        manifold_l=0.75 * liters,
        inertia_kg_m2=0.12 * liters,
        idle_rpm=850.0 if cylinders < 8 else 700.0,
        idle_deg=low,
        hill=HillSpec(
            kind=hill, peak_deg=peak_deg, k_per_deg2=k_per_deg2, lopsided=lopsided, moving=moving
        ),
        scatter=scatter,
        friction_drift_per_min=friction_drift_per_min,
        throttle_drift_per_min=throttle_drift_per_min,
    )
    return Scenario(name="knobs", engine=engine, script=script, rig=rig or RigSpec())
