"""Scenarios drawn by chance, for benchmarks and tests.

Enters: a random generator and what the draw is to be confined to. Leaves: a scenario.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np

from vaclog.simulator.closed_cycle import BurnSpec
from vaclog.simulator.engine import EngineSpec, MisfireSpec
from vaclog.simulator.hill import HillKind, HillSpec
from vaclog.simulator.presets.hands import HABITS, Habit, around, sweep_script
from vaclog.simulator.presets.scenario import FIRING_ORDERS, Scenario
from vaclog.simulator.rig import BodyRig, RigSpec
from vaclog.simulator.script import Blip, Hold, Start, Still, Stop, Warm


def random_scenario(
    rng: np.random.Generator,
    *,
    tabulated: bool | None = None,
    moving: bool | None = None,
    habit: Habit | None = None,
    reach: Literal["past", "edge", "short", "any"] = "past",
    faults: bool = True,
) -> Scenario:
    """Draw an engine, a hand and a rig.

    Parameters
    ----------
    rng
        Source of the draw.
    tabulated
        True: a hill from the closed-cycle model; False: an analytic one; None: half each.
    moving
        Whether the best advance moves; None: a third of the draws.
    habit
        The hand's habit; None: any.
    reach
        Whether the travel passes the top by 5–12 degrees, ends within 1.5 degrees of it,
        stops 4–12 degrees short, or any of these.
    faults
        Whether the rig may have losses, ringing, pulses from nowhere and a rough clock.
    """
    engine = _random_engine(rng, tabulated, moving)
    peak = engine.hill.peak_deg
    if reach == "any":
        reach = ("past", "past", "edge", "short")[int(rng.integers(4))]
    beyond = {
        "past": rng.uniform(5.0, 12.0),
        "edge": rng.uniform(-1.5, 1.5),
        "short": -rng.uniform(4.0, 12.0),
    }[reach]
    high = peak + float(beyond)
    low = min(peak - float(rng.uniform(8.0, 16.0)), high - float(rng.uniform(10.0, 16.0)))
    chosen = habit or HABITS[int(rng.integers(len(HABITS)))]
    script = sweep_script(
        chosen,
        round(low, 2),
        round(high, 2),
        rate_deg_s=round(float(np.exp(rng.uniform(np.log(0.4), np.log(1.6)))), 3),
        hold_s=round(float(rng.uniform(4.0, 12.0)), 1),
        seconds=round(float(rng.uniform(60.0, 110.0)), 1),
    )
    if rng.random() < 0.4:
        script = around(
            script,
            before=(Still(seconds=float(rng.uniform(2.0, 5.0))), Start(), Warm(seconds=12.0)),
            after=(Stop(),) if rng.random() < 0.5 else (),
        )
    elif rng.random() < 0.3:
        script = around(script, before=(Hold(seconds=4.0), Blip()), after=())
    engine = replace(engine, idle_deg=script.start_deg)
    return Scenario(name=chosen, engine=engine, script=script, rig=_random_rig(rng, faults))


def _random_hill(rng: np.random.Generator, tabulated: bool | None, moving: bool | None) -> HillSpec:
    table = bool(rng.random() < 0.5) if tabulated is None else tabulated
    analytic: tuple[HillKind, ...] = ("parabola", "halves", "cubic")
    return HillSpec(
        kind="tabulated" if table else analytic[int(rng.integers(3))],
        peak_deg=round(float(rng.uniform(17.0, 38.0)), 2),
        k_per_deg2=float(rng.uniform(2.3e-4, 4.5e-4)),
        lopsided=float(np.clip(rng.normal(0.15, 0.17), -0.2, 0.6)),
        moving=bool(rng.random() < 1 / 3) if moving is None else moving,
        per_kpa_deg=float(rng.uniform(-0.45, -0.1)),
        per_rpm_deg=float(rng.uniform(0.004, 0.016)),
        burn=BurnSpec(
            compression=round(float(rng.uniform(7.0, 10.0)), 2),
            delay_share=round(float(rng.uniform(0.08, 0.22)), 3),
            speed_power=round(float(rng.uniform(0.2, 0.5)), 3),
            pressure_power=round(float(rng.uniform(0.1, 0.45)), 3),
            wall_factor=round(float(rng.uniform(0.4, 1.1)), 3),
        ),
    )


def _random_engine(
    rng: np.random.Generator, tabulated: bool | None, moving: bool | None
) -> EngineSpec:
    n = int(rng.choice([4, 4, 4, 6, 6, 8]))
    liters = n * float(rng.uniform(0.27, 0.6))
    hill = _random_hill(rng, tabulated, moving)
    rough = rng.random() < 0.3
    return EngineSpec(
        cylinders=n,
        firing_order=FIRING_ORDERS[n],
        displacement_l=round(liters, 3),
        compression=hill.burn.compression,
        manifold_l=round(liters * float(rng.uniform(0.5, 1.3)), 3),
        inertia_kg_m2=round(liters * float(rng.uniform(0.09, 0.15)), 4),
        piston_kg=round(0.9 * liters / n + 0.1, 3),
        barometer_kpa=round(float(rng.uniform(84.0, 103.5)), 2),
        idle_rpm=round(float(rng.uniform(*((700, 1000) if n < 8 else (600, 850)))), 0),
        idle_kpa=round(float(rng.uniform(33.0, 46.0)), 2),
        hill=hill,
        scatter=round(float(rng.uniform(0.04, 0.14)), 4),
        scatter_skew=float(rng.choice([0.0, 0.0, 0.4])),
        scatter_memory=float(rng.choice([0.0, 0.0, -0.25, 0.2])),
        imbalance=tuple(np.round(1.0 + 0.03 * rng.standard_normal(n), 4).tolist()),
        lobe_deg=(0.0, *np.round(0.5 * rng.standard_normal(n - 1), 2).tolist()),
        spark_jitter_deg=round(float(rng.uniform(0.1, 0.5)), 2),
        misfire=MisfireSpec(base=float(rng.choice([0.0, 0.0, 0.002]))),
        centrifugal=((1000.0, 0.0), (1600.0, 10.0), (3200.0, 20.0)),
        friction_drift_per_min=float(rng.normal(0.0, 0.012)),
        throttle_drift_per_min=float(rng.normal(0.0, 0.008)),
        hunt_depth=0.01 * rough,
        hunt_s=float(rng.uniform(4.0, 9.0)),
        wander=0.006 * bool(rng.random() < 0.3),
    )


def _random_rig(rng: np.random.Generator, faults: bool) -> RigSpec:
    rig = RigSpec(
        sample_period_us=int(rng.choice([1000, 1000, 2000, 4000])),
        sensor_lag_s=float(rng.uniform(0.001, 0.02)),
        noise_kpa=float(rng.uniform(0.05, 0.4)),
        mark_deg=float(rng.choice([0.0, 10.0, 20.0, 45.0])),
        jitter_us=float(rng.uniform(1.0, 15.0)),
        first_tick=int(rng.integers(1 << 32)),
        clock_ppm=float(rng.normal(0.0, 60.0)),
        pickup="no1" if rng.random() < 0.8 else "wasted",
    )
    if rng.random() < 0.25:
        body = BodyRig(
            sign=1 if rng.random() < 0.5 else -1,
            backlash_deg=float(rng.uniform(0.0, 0.2)),
            anchor_counts=500.0,
        )
        rig = replace(rig, mark=False, body=body)
    if faults and rng.random() < 0.4:
        rig = replace(
            rig,
            ring_share=float(rng.uniform(0.0, 0.3)),
            drop_share=float(rng.uniform(0.0, 0.01)),
            spurious_per_s=float(rng.uniform(0.0, 0.05)),
            mark_drop_share=float(rng.uniform(0.0, 0.005)),
        )
    return rig
