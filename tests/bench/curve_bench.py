"""How often does the band of the centrifugal curve hold the curve?

Random distributors on random engines, revved in several ways, through text lines and the whole
analysis of curves. Coverage is pointwise, over all knots of the curve that were given; beside it
the error of what a maker would print. The generator shares no code with the analysis.

    python tests/bench/curve_bench.py [--each 25]
"""

from __future__ import annotations

import argparse
import math
from dataclasses import dataclass

import numpy as np

from vaclog.analysis.curve.find import find_curve
from vaclog.analysis.findings import CurveFinding
from vaclog.analysis.phases.find import find_phases
from vaclog.cards import engine_card, rig_card
from vaclog.signals.chain import SignalChain
from vaclog.simulator import EngineSpec, RigSpec, Script, simulate
from vaclog.simulator.script import Blip, Hold
from vaclog.wire.detect import StreamDecoder

# Ways to rev up: name, blips, whether the weights stick.
SLOW = (Blip(throttle=0.11, rise_s=14.0, open_s=3.0, fall_s=10.0, most_rpm=4300.0),)
SHUT = (Blip(throttle=0.11, rise_s=14.0, open_s=3.0, most_rpm=4300.0),)
SHORT = (Blip(throttle=0.05, rise_s=6.0, open_s=2.0, most_rpm=2600.0),)
SNAPS = (Blip(throttle=0.12, open_s=1.0), Blip(), Blip(throttle=0.1, open_s=1.5))
WAYS: dict[str, tuple[tuple[Blip, ...], bool]] = {
    "slow up and down": (SLOW, False),
    "slow up, shut at once": (SHUT, False),
    "only half way up": (SHORT, False),
    "three snaps": (SNAPS, False),
    "slow up and down, sticking": (SLOW, True),
}


@dataclass(frozen=True)
class Outcome:
    """One capture: what was true at the knots and what was found."""

    true_deg: np.ndarray
    found: CurveFinding
    stick_deg: float
    curve: tuple[tuple[float, float], ...]

    @property
    def z(self) -> np.ndarray:
        return (self.found.added_deg - self.true_deg) / self.found.u_added_deg


def distributor(rng: np.random.Generator) -> tuple[tuple[float, float], ...]:
    """One or two springs, somewhere between the trade's usual ends."""
    start, end = float(rng.uniform(900, 1400)), float(rng.uniform(2500, 3500))
    most = float(rng.uniform(14, 26))
    if rng.random() < 0.5:
        return ((start, 0.0), (end, most))
    knee = start + float(rng.uniform(0.2, 0.5)) * (end - start)
    return ((start, 0.0), (knee, most * float(rng.uniform(0.35, 0.65))), (end, most))


def run(way: str, seed: int) -> Outcome | None:
    """One distributor, one capture."""
    rng = np.random.default_rng([9, seed])
    blips, sticks = WAYS[way]
    stick_deg = float(rng.uniform(0.3, 1.5)) if sticks else 0.0
    curve = distributor(rng)
    cylinders = int(rng.choice([4, 4, 6]))
    liters = 0.4 * cylinders
    engine = EngineSpec(
        cylinders=cylinders,
        firing_order=None,
        displacement_l=liters,
        manifold_l=0.75 * liters,
        inertia_kg_m2=0.12 * liters,
        idle_rpm=float(rng.uniform(750, 900)),
        scatter=float(rng.uniform(0.04, 0.12)),
        spark_jitter_deg=float(rng.uniform(0.1, 0.5)),
        centrifugal=curve,
        weights_s=float(rng.uniform(0.05, 0.25)),
        weights_stick_deg=stick_deg,
    )
    rig = RigSpec(
        mark_deg=float(rng.choice([0.0, 10.0, 20.0])),
        delay_us=float(rng.normal(0.0, 20.0)),
        jitter_us=float(rng.uniform(2.0, 12.0)),
    )
    segments = [Hold(seconds=7.0)]
    for blip in blips:
        segments += [blip, Hold(seconds=5.0)]  # type: ignore[list-item]
    made = simulate(engine, Script(segments=tuple(segments)), rig, seed)
    card, rig_of = engine_card(made.engine_card_toml), rig_card(made.rig_card_toml)
    chain, decoder = SignalChain(card, rig_of), StreamDecoder()
    chain.feed([*decoder.feed(made.text), *decoder.finish()])
    chain.finish()
    cycles = chain.cycles()
    phases, _ = find_phases(cycles, chain.background(), card, chain.report().duration_us)
    found = find_curve(cycles, phases, card, rig_of)
    if found is None:
        return None
    rpm, deg = np.array(curve).T
    true = np.interp(found.rpm, rpm, deg) - np.interp(found.idle_rpm, rpm, deg)
    return Outcome(true_deg=true, found=found, stick_deg=stick_deg, curve=curve)


def coverage(outcomes: list[Outcome]) -> float:
    """Share of knots whose 95 % band holds the truth."""
    return float(np.mean(np.abs(np.concatenate([each.z for each in outcomes])) < 1.96))


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--each", type=int, default=25)
    asked = parser.parse_args()
    print(
        "way                          runs  none  coverage  band ±   start   all in   height  stick"
    )
    for way in WAYS:
        tried = [run(way, seed) for seed in range(asked.each)]
        done = [each for each in tried if each is not None]
        band = float(np.mean(np.concatenate([1.96 * each.found.u_added_deg for each in done])))
        start = _rms([each.found.start_rpm - each.curve[0][0] for each in done])
        end = _rms([each.found.all_in_rpm - each.curve[-1][0] for each in done])
        seen = [each for each in done if math.isfinite(each.found.all_in_rpm)]
        height = _rms([each.found.most_deg - each.curve[-1][1] for each in seen])
        stick = _rms([each.found.friction_deg - each.stick_deg for each in done])
        print(
            f"{way:28s} {len(done):5d} {len(tried) - len(done):5d}   {100 * coverage(done):5.1f} %"
            f"  {band:5.2f}°  {start:4.0f} rpm {end:5.0f} rpm  {height:5.2f}°  {stick:4.2f}°",
            flush=True,
        )


def _rms(values: list[float]) -> float:
    known = np.array([value for value in values if math.isfinite(value)])
    return float(np.sqrt(np.mean(known**2))) if len(known) else math.nan


if __name__ == "__main__":
    main()
