"""What the comparison of two visits finds, and what it leaves alone.

Two sweeps of one simulated engine, a year apart, read from their bytes like any other. Between
them the sensor is clipped on anew (its mark off by a normal error of the card's uncertainty), the
weather differs, and the engine is the same or has one thing changed. The table says in how many
pairs each figure was called changed. The generator shares no code with the analysis.

    python tests/bench/compare_bench.py [pairs of each class]
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from vaclog.cards import engine_card, rig_card
from vaclog.records import Chunk
from vaclog.session import Session
from vaclog.simulator.drive import DriveSpec
from vaclog.simulator.engine import EngineSpec, MisfireSpec
from vaclog.simulator.recording import simulate
from vaclog.simulator.rig import RigSpec
from vaclog.simulator.script import Hold, Script, Turn
from vaclog.visit.compare import compare
from vaclog.visit.records import Capture, Setting, Visit

PAIRS = 6
START_DEG = 12.0
SLIPPED_DEG = 5.0
MARK_DEG, U_MARK_DEG = 20.0, 1.0  # as the card has it where it says nothing else

Changed = Callable[[EngineSpec], EngineSpec]

CLASSES: dict[str, tuple[Changed, float]] = {
    "nothing": (lambda engine: engine, START_DEG),
    "body slipped by 5°": (lambda engine: engine, START_DEG - SLIPPED_DEG),
    "drive worn, 0.6°": (lambda engine: replace(engine, drive=DriveSpec(play_deg=0.6)), START_DEG),
    "1 in 40 misfires": (
        lambda engine: replace(engine, misfire=MisfireSpec(base=0.025 / engine.cylinders)),
        START_DEG,
    ),
    "5 kPa less vacuum": (
        lambda engine: replace(engine, idle_kpa=engine.idle_kpa + 5.0),
        START_DEG,
    ),
}
KEYS = ("left and found", "peak", "idle speed", "idle vacuum", "misfire", "scatter")


def swept(engine: EngineSpec, rng: np.random.Generator, start_deg: float, seed: int) -> Visit:
    """A visit with one sweep from a setting over the top and back to it."""
    rig = RigSpec(
        mark_deg=MARK_DEG + float(rng.normal(0.0, U_MARK_DEG)),
        declared_mark_deg=MARK_DEG,
        jitter_us=float(rng.uniform(2.0, 10.0)),
    )
    engine = replace(engine, barometer_kpa=float(rng.normal(101.3, 1.0)))
    script = Script(
        start_deg=start_deg,
        segments=(
            Hold(seconds=12.0),
            Turn(to_deg=36.0, rate_deg_s=1.0),
            Hold(seconds=3.0),
            Turn(to_deg=START_DEG, rate_deg_s=1.0),
            Hold(seconds=12.0),
        ),
    )
    made = simulate(engine, script, rig, seed)
    cards = made.engine_card_toml, made.rig_card_toml
    session = Session(capture="sweep", engine=engine_card(cards[0]), rig=rig_card(cards[1]))
    session.feed(Chunk(at_us=None, data=made.text))
    result = session.finish()
    return Visit(
        engine_toml=cards[0],
        rig_toml=cards[1],
        captures=(Capture(purpose="sweep", sha256="", path="", result=result),),
        settings=(Setting(reached_deg=result.idle.angle_deg, u_reached_deg=0.2, locked=True),),
    )


def flagged(name: str, pairs: int) -> Counter[str]:
    """How often each figure was called changed."""
    changed, start_deg = CLASSES[name]
    counts: Counter[str] = Counter()
    for index in range(pairs):
        rng = np.random.default_rng([41, index])  # the same engines in every class
        engine = EngineSpec(
            idle_rpm=float(rng.uniform(780.0, 920.0)),
            idle_deg=START_DEG,
            scatter=float(rng.uniform(0.05, 0.10)),
        )
        older = swept(engine, rng, START_DEG, 2 * index)
        newer = swept(changed(engine), rng, start_deg, 2 * index + 1)
        counts.update(change.key for change in compare(older, newer).changed)
    return counts


def main(pairs: int) -> None:
    """Print the table."""
    print(f"{pairs} pairs of each class; pairs in which a figure was called changed\n")
    print(f"{'what changed':22}" + "".join(f"{key:>16}" for key in KEYS))
    for name in CLASSES:
        counts = flagged(name, pairs)
        print(f"{name:22}" + "".join(f"{counts[key]:16d}" for key in KEYS), flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else PAIRS)
