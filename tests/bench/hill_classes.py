"""Classes of engine, hand and rig for the bench of the hill fit, and the cases made of them.

Enters: a class's name and a run's number. Leaves: a :class:`Case`: cycles as the analysis gets
them, the true best advance, and the smallest standard error that the run's own noise allows.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from vaclog.analysis.phases.find import find_phases
from vaclog.analysis.phases.usable import usable_cycles
from vaclog.cards import engine_card, rig_card
from vaclog.signals.chain import SignalChain
from vaclog.signals.tables import CycleTable
from vaclog.simulator.engine import EngineSpec, MisfireSpec
from vaclog.simulator.hill import HillSpec
from vaclog.simulator.presets import FIRING_ORDERS, random_scenario, sweep_script
from vaclog.simulator.recording import Recording, simulate
from vaclog.simulator.rig import BodyRig, RigSpec
from vaclog.simulator.script import Blip, Hold, Script, Turn
from vaclog.wire.detect import StreamDecoder

Spec = tuple[EngineSpec, Script, RigSpec]
Maker = Callable[[np.random.Generator, int], Spec]

# Standard deviations that the bound shares with the fit's prior.
BOUND_U_LOPSIDED = 0.35  # 0.30 of the logarithm, at its median
BOUND_DRIFT_PERCENT_PER_MIN = 2.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Case:
    """One run: what the analysis sees, and the truth.

    ``margin_deg`` is how far inside the swept range the top lies, negative outside.
    """

    name: str
    cycles: CycleTable
    use: np.ndarray
    peak_deg: float
    bound_deg: float
    margin_deg: float


def hill(rng: np.random.Generator, index: int, peak_deg: float) -> HillSpec:
    """Draw a hill: every second one from the closed-cycle model, the others of many shapes."""
    k = float(rng.uniform(2.2e-4, 4.2e-4))
    if index % 2 == 0:
        return HillSpec(kind="tabulated", peak_deg=peak_deg, k_per_deg2=k)
    kind, r = [
        ("parabola", 0.0),
        ("halves", 0.2),
        ("halves", 0.4),
        ("halves", -0.2),
        ("cubic", 0.2),
        ("cubic", 0.4),
    ][int(rng.integers(6))]
    return HillSpec(kind=kind, peak_deg=peak_deg, k_per_deg2=k, lopsided=r)


def engine(
    rng: np.random.Generator,
    index: int,
    *,
    cylinders: int = 4,
    scatter: float = 0.06,
    **more: object,
) -> EngineSpec:
    """Draw an engine around a number of cylinders; ``more`` replaces fields."""
    liters = float(rng.uniform(0.32, 0.5)) * cylinders
    peak = float(rng.uniform(20.0, 34.0))
    spec = EngineSpec(
        cylinders=cylinders,
        firing_order=FIRING_ORDERS[cylinders],
        displacement_l=liters,
        manifold_l=liters * float(rng.uniform(0.5, 1.2)),
        inertia_kg_m2=liters * float(rng.uniform(0.08, 0.14)),
        idle_rpm=float(rng.uniform(720.0, 950.0)) - (120.0 if cylinders == 8 else 0.0),
        idle_kpa=float(rng.uniform(34.0, 44.0)),
        hill=hill(rng, index, peak),
        scatter=scatter,
        scatter_skew=float(rng.choice([0.0, 0.4])),
        spark_jitter_deg=float(rng.uniform(0.1, 0.4)),
        centrifugal=((1100.0, 0.0), (1600.0, 10.0), (3200.0, 20.0)),
        friction_drift_per_min=float(rng.normal(0.0, 0.005)),
    )
    spec = replace(spec, **more)  # type: ignore[arg-type]
    return replace(spec, idle_deg=spec.hill.peak_deg - 12.0)


def way(
    rng: np.random.Generator,
    spec: EngineSpec,
    habit: str = "there-and-back",
    *,
    below: tuple[float, float] = (9.0, 15.0),
    above: tuple[float, float] = (7.0, 12.0),
    rate: float = 1.0,
    hold_s: float = 8.0,
) -> Script:
    """Draw a hand's travel around the top."""
    peak = spec.hill.peak_deg
    low, high = peak - float(rng.uniform(*below)), peak + float(rng.uniform(*above))
    return sweep_script(habit, low, high, rate_deg_s=rate, hold_s=hold_s)  # type: ignore[arg-type]


def _plain(**more: object) -> Maker:
    def make(rng: np.random.Generator, index: int) -> Spec:
        spec = engine(rng, index, **more)  # type: ignore[arg-type]
        return spec, way(rng, spec), RigSpec()

    return make


def _habit(habit: str, *, rate: float = 1.0, hold_s: float = 8.0, **more: object) -> Maker:
    def make(rng: np.random.Generator, index: int) -> Spec:
        spec = engine(rng, index, **more)  # type: ignore[arg-type]
        return spec, way(rng, spec, habit, rate=rate, hold_s=hold_s), RigSpec()

    return make


def _shape(*choices: tuple[str, float], moving: bool = False) -> Maker:
    def make(rng: np.random.Generator, index: int) -> Spec:
        spec = engine(rng, index)
        kind, r = choices[index % len(choices)]
        shape = replace(spec.hill, kind=kind, lopsided=r, moving=moving)  # type: ignore[arg-type]
        spec = replace(spec, hill=shape)
        return spec, way(rng, spec), RigSpec()

    return make


def _range(below: tuple[float, float], above: tuple[float, float], rate: float) -> Maker:
    def make(rng: np.random.Generator, index: int) -> Spec:
        spec = engine(rng, index)
        return spec, way(rng, spec, below=below, above=above, rate=rate), RigSpec()

    return make


def _drift(habit: str, hold_s: float) -> Maker:
    def make(rng: np.random.Generator, index: int) -> Spec:
        spec = engine(rng, index)
        spec = replace(
            spec,
            friction_drift_per_min=float(rng.choice([-0.04, 0.03])),
            throttle_drift_per_min=float(rng.normal(0.0, 0.01)),
        )
        return spec, way(rng, spec, habit, rate=0.7, hold_s=hold_s), RigSpec()

    return make


def _misfire(rng: np.random.Generator, index: int) -> Spec:
    spec = engine(rng, index)
    onset = spec.hill.peak_deg - 2.0
    spec = replace(spec, misfire=MisfireSpec(base=0.001, onset_deg=onset, per_deg=0.003))
    return spec, way(rng, spec), RigSpec()


def _twice(rng: np.random.Generator, index: int) -> Spec:
    spec = engine(rng, index, scatter=0.12)
    return spec, way(rng, spec, "two-passes"), RigSpec()


def _drawn(rng: np.random.Generator, index: int) -> Spec:
    scenario = random_scenario(rng, tabulated=index % 2 == 0)
    return scenario.engine, scenario.script, scenario.rig


def _noisy(rng: np.random.Generator, index: int) -> Spec:
    spec = engine(rng, index, scatter=0.08)
    rig = RigSpec(noise_kpa=0.6, sensor_lag_s=0.03, jitter_us=25.0, drop_share=0.02)
    return spec, way(rng, spec), rig


def _long_hold_one_way(rng: np.random.Generator, index: int) -> Spec:
    spec = engine(rng, index)
    low, high = spec.hill.peak_deg - 12.0, spec.hill.peak_deg + 9.0
    long = Hold(seconds=60.0)
    script = Script(start_deg=low, segments=(long, Turn(to_deg=high, rate_deg_s=0.6), long))
    return spec, script, RigSpec()


def _body(rng: np.random.Generator, index: int) -> Spec:
    spec = replace(engine(rng, index), centrifugal=((1300.0, 0.0), (2500.0, 20.0)))
    rig = RigSpec(mark=False, body=BodyRig(backlash_deg=0.2, strobe_error_deg=1.0))
    return spec, way(rng, spec), rig


def _rough_idle(rng: np.random.Generator, index: int) -> Spec:
    spec = replace(engine(rng, index), hunt_depth=0.01, wander=0.006)
    return spec, way(rng, spec), RigSpec()


def _wrong_mark(rng: np.random.Generator, index: int) -> Spec:
    spec = engine(rng, index)
    return spec, way(rng, spec), RigSpec(mark_deg=20.0, declared_mark_deg=17.0)


def _touched(rng: np.random.Generator, index: int) -> Spec:
    spec = engine(rng, index)
    script = way(rng, spec)
    at = 1 + int(rng.integers(2))
    parts = (*script.segments[:at], Blip(throttle=0.03, open_s=0.4), *script.segments[at:])
    return spec, replace(script, segments=parts), RigSpec()


TWO_WAY: dict[str, Maker] = {
    "4 cylinders, 6 %": _plain(),
    "6 cylinders, 8 %": _plain(cylinders=6, scatter=0.08),
    "8 cylinders, 14 %": _plain(cylinders=8, scatter=0.14),
    "3 cylinders, 5 %": _plain(cylinders=3, scatter=0.05),
    "4 %, slow": _habit("there-and-back", rate=0.5, scatter=0.04),
    "14 %, two passes": _twice,
    "fast, 4 deg/s": _habit("two-passes", rate=4.0),
    "back and there": _habit("back-and-there"),
    "symmetric": _shape(("parabola", 0.0)),
    "halves 20, 40, 60 %": _shape(("halves", 0.2), ("halves", 0.4), ("halves", 0.6)),
    "retard side steeper": _shape(("halves", -0.2), ("cubic", -0.25)),
    "cubic 20, 40 %": _shape(("cubic", 0.2), ("cubic", 0.4)),
    "closed cycle": _shape(("tabulated", 0.0)),
    "closed cycle, moving": _shape(("tabulated", 0.0), moving=True),
    "analytic, moving": _shape(("halves", 0.2), ("parabola", 0.0), moving=True),
    "nudge and wait": _habit("nudge"),
    "jerky": _habit("jerky"),
    "follow the needle": _habit("follow"),
    "drift": _drift("there-and-back", 8.0),
    "misfire beyond onset": _misfire,
    "noisy rig, 2 % lost": _noisy,
    "body sensor": _body,
    "wrong mark": _wrong_mark,
    "hunting and wander": _rough_idle,
    "throttle touched": _touched,
    "anything": _drawn,
}
ONE_WAY: dict[str, Maker] = {
    "one way up": _habit("one-way", rate=0.6),
    "one way down": _habit("one-way-down", rate=0.6),
    "one way, long holds": _long_hold_one_way,
    "one way, drift": _drift("one-way", 20.0),
}
HARD: dict[str, Maker] = {
    "narrow, 5 deg each side": _range((4.5, 5.5), (4.5, 5.5), 0.5),
    "narrow, 3 deg each side": _range((2.5, 3.5), (2.5, 3.5), 0.3),
    "top at the edge": _range((10.0, 16.0), (-0.5, 1.0), 1.0),
}
UNREACHED: dict[str, Maker] = {
    "short of the top": _range((14.0, 22.0), (-10.0, -3.0), 1.0),
    "beyond the top": _range((-10.0, -3.0), (14.0, 22.0), 1.0),
}
CLASSES: dict[str, Maker] = {**TWO_WAY, **ONE_WAY, **HARD, **UNREACHED}


def draw(name: str, index: int, seed: int = 0) -> tuple[Recording, np.random.Generator]:
    """Simulate one run of a class; the same arguments give the same run."""
    place = list(CLASSES).index(name)
    rng = np.random.default_rng([seed, place, index])
    spec, script, rig = CLASSES[name](rng, index)
    return simulate(spec, script, rig, int(rng.integers(1 << 31))), rng


def make_case(name: str, index: int, seed: int = 0) -> Case:
    """One run as the program sees it: from the bytes of the wire to the cycles of the fit."""
    recording, _rng = draw(name, index, seed)
    return case_of(name, recording)


def see(data: bytes, engine_toml: str, rig_toml: str) -> tuple[CycleTable, np.ndarray]:
    """Cycles, and which of them the fit uses, from bytes and cards."""
    engine_, rig = engine_card(engine_toml), rig_card(rig_toml)
    decoder, chain = StreamDecoder(), SignalChain(engine_, rig)
    chain.feed(decoder.feed(data), None)
    chain.feed(decoder.finish(), None)
    chain.finish()
    cycles = chain.cycles()
    phases, sweeps = find_phases(cycles, chain.background(), engine_, chain.report().duration_us)
    return cycles, usable_cycles(cycles, phases, sweeps, engine_)


def case_of(name: str, recording: Recording) -> Case:
    """The case that a recording makes."""
    cycles, use = see(recording.binary, recording.engine_card_toml, recording.rig_card_toml)
    truth = recording.truth
    peak = truth.peak_rig_deg
    return Case(
        name=name,
        cycles=cycles,
        use=use,
        peak_deg=peak,
        bound_deg=bound(recording),
        margin_deg=min(peak - truth.swept_low_deg, truth.swept_high_deg - peak),
    )


def bound(recording: Recording) -> float:
    """Smallest standard error of the top that this run's torque noise allows.

    The inverse information of a regression of torque on: the true hill's slope (the top), its
    height, its lopsidedness (with the fit's prior), level, drift (with a prior) and five lags
    of speed and of pressure, as in the fit. The noise is the scatter of work per cycle that the
    simulator drew. Nothing of the estimator enters.
    """
    trace, made = recording.trace, recording.engine
    n, top = made.spec.cylinders, made.top
    spans = [s for s in trace.log.spans if s.kind in ("hold", "advancing", "retarding")]
    if not spans:  # it stalled before the hand came
        return float("nan")
    begin, end = spans[0].start_s, spans[-1].end_s
    first = np.flatnonzero(
        (trace.event_slot == 1) & (trace.event_s >= begin) & (trace.event_s < end)
    )
    first = first[first + n < len(trace.event_s)]
    work = trace.event_work_j[first[:, None] + np.arange(n)].sum(axis=1)
    mean = trace.event_mean_work_j[first[:, None] + np.arange(n)].sum(axis=1)
    fires = mean > 0.0
    sigma = float(np.std(work[fires] / mean[fires] - 1.0))
    alpha, start = trace.event_advance_deg[first], trace.event_s[first]
    seconds = trace.event_s[first + n] - start
    area = np.cumsum(np.append(0.0, trace.pressure_kpa[1:] * np.diff(trace.time_s)))
    kpa = (
        np.interp(start + seconds, trace.time_s, area) - np.interp(start, trace.time_s, area)
    ) / seconds

    def fall(deg: np.ndarray) -> np.ndarray:
        best = made.hill(top.advance_deg, top.rpm, top.kpa)
        return np.array([1.0 - made.hill(float(a), top.rpm, top.kpa) / best for a in deg])

    step = 0.5
    slope = (fall(alpha + step) - fall(alpha - step)) / (2 * step)
    late = np.where(alpha > top.advance_deg, fall(alpha), 0.0)
    k = np.arange(5, len(first))
    minutes = (start[k] - start[k].mean()) / 60.0
    columns = [slope[k], fall(alpha)[k], late[k], minutes, np.ones(len(k))]
    columns += [(kpa.mean() / kpa)[k - i] - 1.0 for i in range(1, 6)]
    columns += [(seconds.mean() / seconds)[k - i] - 1.0 for i in range(1, 6)]
    design = np.stack(columns, axis=1)
    information = design.T @ design / sigma**2
    information[2, 2] += 1.0 / BOUND_U_LOPSIDED**2
    # A lasting 1 % of torque moves idle by about 1 % of speed.
    information[3, 3] += 1.0 / (0.01 * BOUND_DRIFT_PERCENT_PER_MIN) ** 2
    scale = np.sqrt(np.diag(information))
    inverse = np.linalg.inv(information / np.outer(scale, scale))
    return float(np.sqrt(inverse[0, 0]) / scale[0])
