"""How well the signs of the vacuum are told, over simulated captures with known faults.

Run as ``python tests/bench/signs_bench.py [SEEDS] [SOUND]``. Two tables. Sound engines first (4, 6
and 8 cylinders, 4 to 14 % scatter, cold and warm, ordinary inequality, drift and sensor noise): how
many captures show each sign, out of how many that could be judged. Then each fault in several
sizes: hit rate at the set threshold, area under the receiver operating characteristic of the sign's
number against the sound captures, what other signs came with it, and whether the place and the
first candidate are right.

One capture has everything that the signs need: engine off, a start, idle, a held raised speed, a
sweep there and back, and idle again. The generator is ``vaclog.simulator``, which shares no code
with the detectors.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from misfire_bench import tables

from vaclog import cards
from vaclog.analysis.hill.fit import fit_hill
from vaclog.analysis.misfire.find import find_misfires, roc_area
from vaclog.analysis.phases.find import find_phases
from vaclog.analysis.phases.usable import idle_cycles, idle_state, usable_cycles
from vaclog.analysis.signs import beat, drops, hunting, level, raised, slow
from vaclog.analysis.signs.chance import slope
from vaclog.analysis.signs.evidence import Case, Evidence, gather
from vaclog.analysis.signs.find import find_signs
from vaclog.result import Looked, Sign
from vaclog.simulator import EngineSpec, FaultSpec, HillSpec, MisfireSpec, RigSpec, Script
from vaclog.simulator.recording import MakerFacts, simulate
from vaclog.simulator.script import Blip, Hold, Start, Still, Turn, Warm

ORDERS = {4: (1, 3, 4, 2), 6: (1, 5, 3, 6, 2, 4), 8: (1, 8, 4, 3, 6, 5, 7, 2)}
KEYS = (
    "low",
    "low-cranking",
    "regular-drop",
    "occasional-drops",
    "shake-at-idle",
    "shake-grows",
    "falls-at-held-speed",
    "drift",
    "hunting",
)


def visit(low_deg: float = 10.0, *, hold_s: float = 45.0, throttle: float = 0.012) -> Script:
    """A capture in which every sign can be judged."""
    return Script(
        start_deg=low_deg,
        segments=(
            Still(seconds=3.0),
            Start(dry_s=3.0),
            Warm(seconds=8.0),
            Hold(seconds=hold_s),
            Blip(throttle=throttle, rise_s=2.0, open_s=18.0),
            Hold(seconds=8.0),
            Turn(to_deg=32.0, rate_deg_s=1.0),
            Hold(seconds=4.0),
            Turn(to_deg=low_deg, rate_deg_s=1.0),
            Hold(seconds=25.0),
        ),
    )


def sound(rng: np.random.Generator, cylinders: int, scatter: float, *, cold: bool) -> EngineSpec:
    """A sound engine with the inequality, drift and noise that sound ones have."""
    liters = cylinders * float(rng.uniform(0.3, 0.5))
    return EngineSpec(
        cylinders=cylinders,
        firing_order=ORDERS[cylinders],
        displacement_l=liters,
        manifold_l=liters * float(rng.uniform(0.5, 1.1)),
        inertia_kg_m2=0.12 * liters,
        barometer_kpa=float(rng.uniform(84.0, 103.0)),
        idle_rpm=float(rng.uniform(750, 950)) if cylinders < 8 else float(rng.uniform(620, 800)),
        idle_kpa=float(rng.uniform(33.0, 44.0)),
        idle_deg=10.0,
        hill=HillSpec(peak_deg=float(rng.uniform(22.0, 28.0))),
        scatter=scatter,
        imbalance=tuple((1.0 + 0.03 * rng.standard_normal(cylinders)).tolist()),
        lobe_deg=(0.0, *(0.4 * rng.standard_normal(cylinders - 1)).tolist()),
        friction_drift_per_min=float(rng.normal(0.0, 0.012)),
        throttle_drift_per_min=float(rng.normal(0.0, 0.008)),
        cold_friction=0.15 if cold else 0.0,
        warm_s=12.0,
        wander=0.006 if rng.random() < 0.3 else 0.0,
        fault=FaultSpec(uneven=tuple((0.02 * rng.standard_normal(cylinders)).tolist())),
    )


def rig(rng: np.random.Generator) -> RigSpec:
    """A rig of ordinary quality."""
    return RigSpec(
        sample_period_us=int(rng.choice([1000, 2000])),
        sensor_lag_s=float(rng.uniform(0.002, 0.015)),
        noise_kpa=float(rng.uniform(0.05, 0.4)),
        mark_deg=float(rng.choice([0.0, 10.0, 20.0])),
    )


def look(
    spec: EngineSpec, script: Script, rigging: RigSpec, seed: int
) -> tuple[Evidence, tuple[Sign, ...], tuple[Looked, ...]]:
    """Everything about one capture."""
    facts = MakerFacts(idle_rpm=round(spec.idle_rpm))
    recording = simulate(spec, script, rigging, seed, maker=facts)
    cycles, background, engine, duration_us = tables(recording)
    rig_card = cards.rig_card(recording.rig_card_toml)
    phases, sweeps = find_phases(cycles, background, engine, duration_us)
    case = Case(
        cycles=cycles,
        background=background,
        phases=phases,
        fit=fit_hill(cycles, usable_cycles(cycles, phases, sweeps, engine)),
        misfire=find_misfires(cycles, idle_cycles(cycles, phases), engine),
        idle=idle_state(cycles, phases)[0],
        engine=engine,
        rig=rig_card,
        barometer_kpa=spec.barometer_kpa,
        barometer_measured=True,
    )
    return gather(case), *find_signs(case)


def numbers(evidence: Evidence) -> dict[str, float]:
    """The number of each sign, whether it passes its threshold or not; NaN where unknown."""
    found = dict.fromkeys(KEYS, float("nan"))
    found["low"] = evidence.case.idle.pressure_kpa or float("nan")
    if (seen := level.cranking(evidence)) is not None:
        found["low-cranking"] = -seen[1] / seen[2]
    found["regular-drop"] = float(beat.pattern(evidence)[0].max()) / evidence.size
    _, _, heights, threshold = drops.events(evidence)
    found["occasional-drops"] = float(len(heights)) + 1e-3 * threshold
    idle, raised_kpa = raised.idle_shake(evidence)[0], raised.raised_shake(evidence)[0]
    found["shake-at-idle"] = idle / evidence.size
    found["shake-grows"] = (raised_kpa - idle) / evidence.size
    if fallen := raised.falls(evidence):
        found["falls-at-held-speed"] = max(each.kpa for each in fallen)
    table = slow.settings(evidence)
    if table is not None and (line := slope(table[0], table[1][:, 0], table[2])) is not None:
        found["drift"] = 60.0 * abs(line.slope)
    swing = hunting.strongest(*hunting.stretches(evidence))
    found["hunting"] = float("nan") if swing is None else swing.percent * (swing.p < 0.01)
    return found


@dataclass(frozen=True, kw_only=True)
class Fault:
    """A fault in several sizes: the sign it should show, and how to give it to an engine."""

    name: str
    key: str
    sizes: tuple[float, ...]
    script: Script = field(default_factory=visit)

    def give(self, engine: EngineSpec, size: float, slot: int) -> EngineSpec:
        """The engine with the fault."""
        fault, n = engine.fault, self.name
        specs = {
            "leaking inlet": replace(fault, slot=slot, leak=size),
            "weak draw": replace(fault, slot=slot, weak_draw=size),
            "sticking valve": replace(fault, slot=slot, stick=size),
            "guides": replace(fault, flutter=size),
            "springs": replace(fault, flutter_per_1000rpm=size),
            "blocked exhaust": replace(fault, exhaust_block=size),
            "open at start": replace(fault, starter_air=size),
        }
        if n in specs:
            return replace(engine, fault=specs[n])
        if n == "torque drifts":
            return replace(engine, friction_drift_per_min=size)
        if n == "mixture hunts":
            return replace(engine, hunt_depth=size, hunt_s=3.5)
        if n == "lost sparks":
            return replace(engine, misfire=MisfireSpec(base=size))
        if n == "very late":
            return replace(engine, idle_kpa=size, idle_deg=-6.0, hill=HillSpec(peak_deg=26.0))
        return replace(engine, idle_kpa=size)  # "low without cause"


FAULTS = (
    Fault(name="leaking inlet", key="regular-drop", sizes=(0.1, 0.2, 0.3)),
    Fault(name="weak draw", key="regular-drop", sizes=(0.15, 0.3, 0.5)),
    Fault(name="sticking valve", key="occasional-drops", sizes=(0.005, 0.01, 0.03)),
    Fault(name="lost sparks", key="occasional-drops", sizes=(0.01,)),
    Fault(name="guides", key="shake-at-idle", sizes=(0.05, 0.1, 0.2)),
    Fault(name="springs", key="shake-grows", sizes=(0.06, 0.12, 0.2)),
    Fault(
        name="blocked exhaust",
        key="falls-at-held-speed",
        sizes=(0.1, 0.2, 0.4),
        script=visit(throttle=0.03),
    ),
    Fault(name="torque drifts", key="drift", sizes=(0.03, 0.06, 0.1)),
    Fault(name="mixture hunts", key="hunting", sizes=(0.01, 0.02, 0.04)),
    Fault(name="low without cause", key="low", sizes=(48.0, 52.0, 58.0)),
    Fault(name="very late", key="low", sizes=(54.0, 58.0), script=visit(-6.0)),
    Fault(name="open at start", key="low-cranking", sizes=(0.5, 1.0, 2.0)),
)


def sound_engines(count: int) -> list[tuple[EngineSpec, RigSpec, int]]:
    """Sound engines of all classes in turn, with a rig and a seed."""
    made = []
    for seed in range(count):
        rng = np.random.default_rng([41, seed])
        cylinders = (4, 6, 8)[seed % 3]
        scatter = (0.04, 0.08, 0.14)[seed // 3 % 3]
        engine = sound(rng, cylinders, scatter, cold=bool(seed // 9 % 2))
        made.append((engine, rig(rng), seed))
    return made


def run_sound(count: int) -> tuple[Counter[str], Counter[str], dict[str, list[float]]]:
    """Alarms and judged captures by sign, and the numbers of all."""
    alarms: Counter[str] = Counter()
    judged: Counter[str] = Counter()
    values: dict[str, list[float]] = {key: [] for key in KEYS}
    for engine, rigging, seed in sound_engines(count):
        evidence, signs, looked = look(engine, visit(), rigging, seed)
        alarms.update(sign.key for sign in signs)
        judged.update(each.key for each in looked if each.why_not is None)
        for key, value in numbers(evidence).items():
            values[key].append(value)
    return alarms, judged, values


def run_fault(fault: Fault, size: float, seeds: int, calm: list[float]) -> str:
    """One line of the table."""
    hits, places, slots, others, firsts = 0, 0, 0, Counter[str](), Counter[str]()
    values = []
    for seed in range(seeds):
        rng = np.random.default_rng([43, seed])
        cylinders = (4, 6, 8)[seed % 3]
        slot = int(rng.integers(1, cylinders + 1))
        engine = fault.give(sound(rng, cylinders, 0.08, cold=False), size, slot)
        evidence, signs, _ = look(engine, fault.script, rig(rng), 1000 + seed)
        values.append(numbers(evidence)[fault.key])
        mine = [sign for sign in signs if sign.key == fault.key]
        others.update(sign.key for sign in signs if sign.key != fault.key)
        for sign in mine:
            hits += 1
            firsts[sign.candidates[0].text[:34]] += 1
            if sign.slot is not None:
                slots += 1
                away = cylinders // 2 if fault.name == "weak draw" else 0
                places += sign.slot == (slot - 1 + away) % cylinders + 1
    known = np.array(values)[np.isfinite(values)]
    still = np.array(calm)[np.isfinite(calm)]
    area = roc_area(known, still) if len(known) and len(still) else float("nan")
    text = f"{fault.name:18s} {size:6.3f} hit {hits:2d}/{seeds} area {area:5.3f}"
    text += f" number {np.median(known) if len(known) else float('nan'):7.2f}"
    text += f" place {places}/{slots}" if slots else ""
    text += f" also {dict(others)}" if others else ""
    return text + (f" first {dict(firsts.most_common(2))}" if firsts else "")


def bound(alarms: int, judged: int) -> float:
    """95 % upper bound of a share (C. J. Clopper, E. S. Pearson, Biometrika 26, 1934)."""
    from scipy.stats import beta

    return float(beta.ppf(0.95, alarms + 1, judged - alarms)) if judged > alarms else 1.0


def main(seeds: int, count: int) -> None:
    """Print both tables."""
    alarms, judged, values = run_sound(count)
    for key in KEYS:
        known = np.array(values[key])[np.isfinite(values[key])]
        most = np.quantile(known, [0.5, 0.95, 1.0]) if len(known) else np.full(3, np.nan)
        print(
            f"sound {key:20s} alarms {alarms[key]:3d} of {judged[key]:3d}, 95 % below "
            f"{bound(alarms[key], judged[key]):.3f}; number median {most[0]:.3f}, 95 % "
            f"{most[1]:.3f}, most {most[2]:.3f}",
            flush=True,
        )
    for fault in FAULTS:
        for size in fault.sizes:
            print(run_fault(fault, size, seeds, values[fault.key]), flush=True)


if __name__ == "__main__":
    main(
        int(sys.argv[1]) if len(sys.argv) > 1 else 12,
        int(sys.argv[2]) if len(sys.argv) > 2 else 108,
    )
