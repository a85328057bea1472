"""Classes for the bench of the hill fit that no tuning ever saw.

They came after the estimator was frozen: engines from outside (gas properties, a published idle
model), odd speeds and cylinders, small and large manifolds, light flywheels, other hands, thin
air, a mark at the top, hills 40 % lopsided either way, best advances that move with load as other
burns say. Makers are as in hill_classes.py.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "outside"))

import numpy as np
from crossley_cook import Plan, record
from gas_runs import gas_recording
from hill_classes import Case, Maker, Spec, case_of, engine, see, way

from vaclog.simulator.closed_cycle import BurnSpec
from vaclog.simulator.hill import HillSpec
from vaclog.simulator.recording import simulate
from vaclog.simulator.rig import RigSpec
from vaclog.simulator.script import Hold, Script, Turn


def _engine(**more: object) -> Maker:
    def make(rng: np.random.Generator, index: int) -> Spec:
        spec = engine(rng, index, **more)  # type: ignore[arg-type]
        return spec, way(rng, spec), RigSpec()

    return make


def _speeds(rng: np.random.Generator, index: int) -> Spec:
    slow = index % 2 == 0
    rpm = float(rng.uniform(550.0, 650.0) if slow else rng.uniform(1050.0, 1250.0))
    spec = replace(engine(rng, index, idle_rpm=rpm), centrifugal=((1500.0, 0.0), (3000.0, 20.0)))
    return spec, way(rng, spec), RigSpec()


def _cylinders(rng: np.random.Generator, index: int) -> Spec:
    spec = engine(rng, index, cylinders=(5, 12)[index % 2], scatter=0.08)
    return spec, way(rng, spec), RigSpec()


def _air(share: float) -> Maker:
    def make(rng: np.random.Generator, index: int) -> Spec:
        spec = engine(rng, index)
        spec = replace(spec, manifold_l=spec.displacement_l * share)
        return spec, way(rng, spec), RigSpec()

    return make


def _flywheel(rng: np.random.Generator, index: int) -> Spec:
    spec = engine(rng, index)
    share = (0.055, 0.22)[index % 2]
    spec = replace(spec, inertia_kg_m2=spec.displacement_l * share)
    return spec, way(rng, spec), RigSpec()


def _thin_air(rng: np.random.Generator, index: int) -> Spec:
    spec = replace(engine(rng, index), barometer_kpa=80.0, compression=7.5)
    return spec, way(rng, spec), RigSpec()


def _ratio(*choices: tuple[str, float]) -> Maker:
    def make(rng: np.random.Generator, index: int) -> Spec:
        spec = engine(rng, index)
        kind, r = choices[index % len(choices)]
        spec = replace(spec, hill=replace(spec.hill, kind=kind, lopsided=r))  # type: ignore[arg-type]
        return spec, way(rng, spec), RigSpec()

    return make


def _burns(rng: np.random.Generator, index: int) -> Spec:
    spec = engine(rng, index)
    burn = BurnSpec(
        wall_factor=float(rng.uniform(0.3, 1.0)),
        speed_power=float(rng.uniform(0.2, 0.4)),
        pressure_power=float(rng.uniform(0.3, 0.7)),
        compression=float(rng.choice([8.0, 9.0, 10.0])),
    )
    shape = HillSpec(kind="tabulated", peak_deg=spec.hill.peak_deg, moving=True, burn=burn)
    spec = replace(spec, hill=shape)
    return spec, way(rng, spec), RigSpec()


def _worn(rng: np.random.Generator, index: int) -> Spec:
    lobes = tuple(float(v) for v in rng.normal(0.0, 0.7, 4))
    work = tuple(float(v) for v in np.clip(rng.normal(1.0, 0.06, 4), 0.8, 1.2))
    spec = replace(engine(rng, index), scatter_memory=0.3, lobe_deg=lobes, imbalance=work)
    return spec, way(rng, spec), RigSpec()


def _mark_at_top(rng: np.random.Generator, index: int) -> Spec:
    spec = engine(rng, index)
    return spec, way(rng, spec), RigSpec(mark_deg=0.0, mark_jitter_us=12.0)


def _impatient(rng: np.random.Generator, index: int) -> Spec:
    """Large jerks with short waits, past the far end and back, then once more over the top."""
    spec = engine(rng, index)
    top = spec.hill.peak_deg
    low, high = top - float(rng.uniform(9.0, 13.0)), top + float(rng.uniform(8.0, 11.0))
    jerk = Turn(to_deg=high, rate_deg_s=6.0, step_deg=4.0, wait_s=4.0, jerky=0.8)
    rest = Hold(seconds=4.0)
    back = Turn(to_deg=top - 6.0, rate_deg_s=1.5)
    again = Turn(to_deg=top + 6.0, rate_deg_s=0.8)
    parts = (Hold(seconds=5.0), jerk, rest, back, rest, again, Hold(seconds=6.0))
    return spec, Script(start_deg=low, segments=parts), RigSpec()


def _three_minutes(rng: np.random.Generator, index: int) -> Spec:
    if index % 2:
        spec, _, _ = _burns(rng, index)
    else:
        spec = engine(rng, index)
    return spec, way(rng, spec, "two-passes", rate=0.4), RigSpec()


def _cooling(rng: np.random.Generator, index: int) -> Spec:
    spec = replace(engine(rng, index), cold_friction=0.08, warm_s=90.0)
    return spec, way(rng, spec), RigSpec()


def _short(maker: Maker) -> Maker:
    def make(rng: np.random.Generator, index: int) -> Spec:
        spec, _, rig = maker(rng, index)
        return spec, way(rng, spec, below=(14.0, 20.0), above=(-8.0, -3.0)), rig

    return make


def _one_way_burns(rng: np.random.Generator, index: int) -> Spec:
    spec, _, rig = _burns(rng, index)
    return spec, way(rng, spec, "one-way", rate=0.6, hold_s=20.0), rig


FRESH: dict[str, Maker] = {
    "idle of 600, of 1150 rpm": _speeds,
    "5 and 12 cylinders": _cylinders,
    "small manifold": _air(0.25),
    "large manifold": _air(2.5),
    "light, heavy flywheel": _flywheel,
    "2000 m high": _thin_air,
    "40 % steeper, retard side": _ratio(("halves", 1 / 1.4 - 1), ("cubic", 1 / 1.4 - 1)),
    "40 % steeper, advanced": _ratio(("halves", 0.4), ("cubic", 0.4)),
    "moves with load, any burn": _burns,
    "worn distributor": _worn,
    "mark at the top": _mark_at_top,
    "impatient hand": _impatient,
    "three minutes": _three_minutes,
    "still warming": _cooling,
}
FRESH_ONE_WAY: dict[str, Maker] = {"one way, moves with load": _one_way_burns}
FRESH_UNREACHED: dict[str, Maker] = {
    "short, moves with load": _short(_burns),
    "short, 40 % retard side": _short(_ratio(("halves", 1 / 1.4 - 1))),
}
MAKERS = {**FRESH, **FRESH_ONE_WAY, **FRESH_UNREACHED}


def _gas(name: str, index: int, seed: int) -> Case:
    habit = "nudge" if name.endswith("nudged") else "there-and-back"
    scatter = (0.05, 0.08)[index // 8 % 2]
    return case_of(name, gas_recording(index, habit=habit, scatter=scatter, seed=seed))


def _published(name: str, index: int, seed: int) -> Case:
    """The idle model of Crossley and Cook; no bound, since its scatter is not the simulator's."""
    rng = np.random.default_rng([seed, 1991, index])
    throttle = float(rng.choice([0.5, 1.0, 1.5]))
    plan = Plan(
        throttle_deg=throttle,
        idle_rpm=float(rng.uniform(780.0, 900.0)) + 60.0 * throttle,
        low_deg=float(rng.uniform(22.0, 27.0)),
        high_deg=float(rng.uniform(45.0, 49.0)),
    )
    made = record(plan, scatter=float(rng.choice([0.04, 0.06, 0.08])), rng=rng)
    cycles, use = see(made.text, made.engine_card, made.rig_card)
    return Case(
        name=name,
        cycles=cycles,
        use=use,
        peak_deg=made.peak_deg,
        bound_deg=float("nan"),
        margin_deg=min(made.peak_deg - plan.low_deg, plan.high_deg - made.peak_deg),
    )


OUTSIDE: dict[str, Callable[[str, int, int], Case]] = {
    "gas properties": _gas,
    "gas properties, nudged": _gas,
    "published idle model": _published,
}
FRESH_NAMES = (*OUTSIDE, *MAKERS)
FRESH_TWO_WAY = (*OUTSIDE, *FRESH)


def make_fresh(name: str, index: int, seed: int) -> Case:
    """One run of a class of this module."""
    if name in OUTSIDE:
        return OUTSIDE[name](name, index, seed)
    draw = [seed, 1000 + list(MAKERS).index(name), index]
    for again in range(9):
        rng = np.random.default_rng([*draw, again] if again else draw)
        spec, script, rig = MAKERS[name](rng, index)
        try:
            return case_of(name, simulate(spec, script, rig, int(rng.integers(1 << 31))))
        except (IndexError, ValueError):
            continue  # this engine does not keep turning so slowly: draw another
    raise ValueError(f"no engine of the class {name!r} keeps turning")
