"""How often the pre-flight doubts sound engines, and how often it sees what was made wrong.

    python tests/bench/preflight_bench.py [--runs 12]

Random engines of the simulator (4, 6 and 8 cylinders, 4 to 14 % scatter, drifts and rough idles
among them), each recorded as a visit asks for it; then the same with one thing wrong.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from vaclog.cards import engine_card, rig_card
from vaclog.records import Chunk
from vaclog.session import Session
from vaclog.simulator.drive import CanisterSpec
from vaclog.simulator.engine import EngineSpec
from vaclog.simulator.presets import random_scenario
from vaclog.simulator.recording import MakerFacts, simulate
from vaclog.simulator.rig import RigSpec
from vaclog.simulator.script import Blip, Hold, Script, Start, Still, Warm
from vaclog.visit.preflight import MEASURED, measured_points

Spoil = Callable[[EngineSpec], EngineSpec]

# What was made wrong, and the point that should show it.
FAULTS: dict[str, tuple[str, Spoil]] = {
    "still cold": ("warm", lambda e: replace(e, cold_friction=0.35, warm_s=80.0)),
    "vacuum advance on": (
        "vacuum_off",
        lambda e: replace(e, canister=CanisterSpec(fed="manifold")),
    ),
    "idle too fast": ("idle_speed", lambda e: replace(e, idle_rpm=1.35 * e.idle_rpm)),
}


def verdicts(seed: int, spoil: Spoil | None) -> dict[str, str]:
    """Verdict of each point of one engine."""
    drawn = random_scenario(np.random.default_rng([seed, 77]), faults=False)
    engine = replace(drawn.engine, idle_deg=10.0, misfire=replace(drawn.engine.misfire, base=0.0))
    idle_rpm = engine.idle_rpm
    script = Script(
        start_deg=10.0,
        segments=(
            Still(seconds=5.0),
            Start(dry_s=3.5),
            Warm(seconds=5.0),
            Hold(seconds=60.0),
            Blip(throttle=0.3, open_s=0.6),
            Hold(seconds=15.0),
        ),
    )
    rig = replace(drawn.rig, mark=True, body=None) if drawn.rig.mark else RigSpec()
    maker = MakerFacts(idle_rpm=idle_rpm)
    made = simulate(spoil(engine) if spoil else engine, script, rig, seed, maker=maker)
    session = Session(engine=engine_card(made.engine_card_toml), rig=rig_card(made.rig_card_toml))
    for at_us, data in made.chunks:
        session.feed(Chunk(at_us=at_us, data=data))
    points = measured_points(session.finish(), made.engine_card_toml)
    return {point.key: point.verdict for point in points}


def table(runs: int) -> Iterator[str]:
    """Lines: share of each verdict by point for sound engines, then hits by fault."""
    sound = [verdicts(seed, None) for seed in range(runs)]
    yield f"sound engines, {runs} runs: doubtful / not known / in order"
    for key in MEASURED:
        counts = Counter(each[key] for each in sound)
        yield (f"  {key:12}{counts['doubtful']:4}{counts['not known']:4}{counts['in order']:4}")
    for name, (key, spoil) in FAULTS.items():
        seen = Counter(verdicts(seed, spoil)[key] for seed in range(runs))
        hits, unknown = seen["doubtful"], seen["not known"]
        yield f"{name:20} seen at {key}: {hits} of {runs}, not known {unknown}"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=12)
    for line in table(parser.parse_args().runs):
        print(line, flush=True)


if __name__ == "__main__":
    main()
