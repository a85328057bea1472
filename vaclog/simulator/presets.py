"""Named scenarios, and random ones for benchmarks.

Enters: names, or a random generator and a few knobs. Leaves: :class:`Scenario`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Literal, TypeAlias

import numpy as np

from vaclog.simulator.closed_cycle import BurnSpec
from vaclog.simulator.engine import EngineSpec, MisfireSpec
from vaclog.simulator.hill import HillKind, HillSpec
from vaclog.simulator.passenger import PinkSpec
from vaclog.simulator.recording import MakerFacts, Recording, simulate
from vaclog.simulator.rig import BodyRig, RigSpec
from vaclog.simulator.script import (
    Blip,
    Drive,
    Follow,
    Hold,
    Script,
    Segment,
    Start,
    Still,
    Stop,
    Turn,
    Warm,
)

FIRING_ORDERS = {
    3: (1, 2, 3),
    4: (1, 3, 4, 2),
    5: (1, 2, 4, 5, 3),
    6: (1, 5, 3, 6, 2, 4),
    8: (1, 8, 4, 3, 6, 5, 7, 2),
    12: (1, 7, 5, 11, 3, 9, 6, 12, 2, 8, 4, 10),
}

Habit: TypeAlias = Literal[
    "there-and-back",
    "back-and-there",
    "one-way",
    "one-way-down",
    "two-passes",
    "nudge",
    "jerky",
    "overshoot",
    "follow",
]
HABITS: tuple[Habit, ...] = (
    "there-and-back",
    "back-and-there",
    "one-way",
    "one-way-down",
    "two-passes",
    "nudge",
    "jerky",
    "overshoot",
    "follow",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """An engine, a hand, a rig and a maker's book."""

    name: str
    engine: EngineSpec
    script: Script
    rig: RigSpec
    maker: MakerFacts = field(default_factory=MakerFacts)
    pinks: PinkSpec | None = None

    def simulate(self, seed: int) -> Recording:
        """Run it."""
        return simulate(
            self.engine, self.script, self.rig, seed, maker=self.maker, pinks=self.pinks
        )


def sweep_script(
    habit: Habit,
    low_deg: float,
    high_deg: float,
    *,
    rate_deg_s: float = 1.0,
    hold_s: float = 8.0,
    seconds: float = 80.0,
) -> Script:
    """Build a hand's way between two settings that begins and ends with a hold.

    Parameters
    ----------
    habit
        How the hand goes about it.
    low_deg, high_deg
        Ends of the travel.
    rate_deg_s
        Speed of the turning hand.
    hold_s
        First and last hold; a third of it at the turning point.
    seconds
        How long a "follow" lasts.
    """
    hold, rest = Hold(seconds=hold_s), Hold(seconds=hold_s / 3.0)

    def turn(to_deg: float) -> Turn:
        return Turn(to_deg=to_deg, rate_deg_s=rate_deg_s)

    mid = 0.5 * (low_deg + high_deg)
    ways: dict[Habit, tuple[float, list[Segment]]] = {
        "there-and-back": (low_deg, [turn(high_deg), rest, turn(low_deg)]),
        "back-and-there": (high_deg, [turn(low_deg), rest, turn(high_deg)]),
        "one-way": (low_deg, [turn(high_deg)]),
        "one-way-down": (high_deg, [turn(low_deg)]),
        "two-passes": (
            low_deg,
            [turn(high_deg), rest, turn(low_deg), rest, turn(high_deg), rest, turn(low_deg)],
        ),
        "nudge": (
            low_deg,
            [
                Turn(to_deg=high_deg, rate_deg_s=4.0, step_deg=2.5, wait_s=7.0),
                Hold(seconds=7.0),
                Turn(to_deg=low_deg, rate_deg_s=4.0, step_deg=3.0, wait_s=6.0),
            ],
        ),
        "jerky": (
            low_deg,
            [
                Turn(to_deg=high_deg, rate_deg_s=2.5, step_deg=2.5, wait_s=1.5, jerky=0.5),
                rest,
                Turn(to_deg=low_deg, rate_deg_s=2.5, step_deg=2.5, wait_s=1.5, jerky=0.5),
            ],
        ),
        "overshoot": (
            low_deg,
            [turn(high_deg), rest, turn(low_deg + 2.0), rest, turn(mid + 4.0), rest, turn(mid)],
        ),
        "follow": (low_deg, [Follow(seconds=seconds, low_deg=low_deg - 3.0, high_deg=high_deg)]),
    }
    start_deg, middle = ways[habit]
    return Script(start_deg=start_deg, segments=(hold, *middle, hold))


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


def _session(script: Script, *, before: tuple[Segment, ...], after: tuple[Segment, ...]) -> Script:
    """Put a start before a sweep and an end after it."""
    return replace(script, segments=(*before, *script.segments, *after))


def _full_visit() -> Scenario:
    base = knobs()
    script = _session(
        base.script,
        before=(
            Still(seconds=4.0),
            Start(),
            Warm(seconds=20.0, fast_idle=0.004),
            Blip(throttle=0.08, open_s=3.0, rise_s=6.0, most_rpm=3400.0),
        ),
        after=(Drive(), Hold(seconds=8.0), Stop()),
    )
    engine = replace(base.engine, cold_friction=0.15, warm_s=10.0)
    return Scenario(name="visit", engine=engine, script=script, rig=base.rig)


def _road(name: str, setting_deg: float) -> Scenario:
    """Two pulls at wide throttle, a passenger at the button; sound at 10 degrees, not at 16."""
    base = knobs()
    script = Script(
        start_deg=setting_deg,
        segments=(
            Still(seconds=5.0),
            Start(),
            Hold(seconds=10.0),
            Drive(load_s=14.0),
            Drive(load_s=14.0),
            Hold(seconds=6.0),
            Stop(),
        ),
    )
    return Scenario(
        name=name,
        engine=base.engine,
        script=script,
        rig=base.rig,
        maker=MakerFacts(static_deg=10.0),
        pinks=PinkSpec(),
    )


def _misfire() -> Scenario:
    base = knobs(habit="nudge", scatter=0.08, high_deg=36.0)
    engine = replace(base.engine, misfire=MisfireSpec(base=0.002, onset_deg=29.0, per_deg=0.012))
    return Scenario(name="misfire", engine=engine, script=base.script, rig=base.rig)


def _one_weak_cylinder() -> Scenario:
    base = knobs()
    engine = replace(base.engine, misfire=MisfireSpec(base=0.03, slot=3))
    return Scenario(name="weak-cylinder", engine=engine, script=base.script, rig=base.rig)


def _body_only() -> Scenario:
    base = knobs(rig=RigSpec(mark=False, body=BodyRig(backlash_deg=0.2), spurious_per_s=0.02))
    return replace(base, name="body-sensor")


def _rough_rig() -> Scenario:
    rig = RigSpec(
        ring_share=0.3,
        drop_share=0.01,
        spurious_per_s=0.05,
        multi_spark=2,
        mark_drop_share=0.005,
        noise_kpa=0.4,
        clock_ppm=80.0,
        first_tick=(1 << 32) - 40_000_000,
    )
    return replace(knobs(rig=rig), name="rough-rig")


PRESETS: dict[str, Callable[[], Scenario]] = {
    "there-and-back": lambda: replace(knobs(), name="there-and-back"),
    "visit": _full_visit,
    "one-way": lambda: replace(knobs(habit="one-way", rate_deg_s=0.6), name="one-way"),
    "nudge": lambda: replace(knobs(habit="nudge"), name="nudge"),
    "not-reached": lambda: replace(
        knobs(peak_deg=36.0, low_deg=8.0, high_deg=24.0), name="not-reached"
    ),
    "edge": lambda: replace(knobs(peak_deg=30.0, low_deg=12.0, high_deg=30.0), name="edge"),
    "follow": lambda: replace(knobs(habit="follow"), name="follow"),
    "six": lambda: replace(knobs(cylinders=6, peak_deg=28.0, hill="tabulated"), name="six"),
    "eight": lambda: replace(knobs(cylinders=8, peak_deg=22.0, hill="cubic"), name="eight"),
    "moving": lambda: replace(knobs(hill="tabulated", moving=True), name="moving"),
    "misfire": _misfire,
    "weak-cylinder": _one_weak_cylinder,
    "body-sensor": _body_only,
    "rough-rig": _rough_rig,
    "road": lambda: _road("road", 10.0),
    "road-too-far": lambda: _road("road-too-far", 16.0),
}
"""Scenarios by name."""


def preset(name: str) -> Scenario:
    """Return a named scenario.

    Raises
    ------
    KeyError
        For a name that is not in ``PRESETS``.
    """
    return PRESETS[name]()


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
        script = _session(
            script,
            before=(Still(seconds=float(rng.uniform(2.0, 5.0))), Start(), Warm(seconds=12.0)),
            after=(Stop(),) if rng.random() < 0.5 else (),
        )
    elif rng.random() < 0.3:
        script = _session(script, before=(Hold(seconds=4.0), Blip()), after=())
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
