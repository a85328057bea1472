"""Does a second visit find a drive that has worn, and leave an unchanged one alone?

Two captures of one idling engine, a year apart: simulated, written as text lines, read and
analysed like any other. The second engine is the same (false alarms) or its drive has free play
of so many degrees of the crank, within which each spark falls anywhere (power). Pickups are put
on anew: their jitter and the mark's angle differ between the two. The generator shares no code
with the analysis.

    python tests/bench/wear_bench.py [--pairs 200] [--each 40] [--seconds 25]
"""

from __future__ import annotations

import argparse
import math
from dataclasses import dataclass, replace

import numpy as np

from vaclog.cards import engine_card, rig_card
from vaclog.records import Chunk
from vaclog.result import Result
from vaclog.session import Session
from vaclog.simulator import DriveSpec, EngineSpec, RigSpec, Script, simulate
from vaclog.simulator.script import Hold
from vaclog.visit.follow import scatter_reading
from vaclog.visit.trend import Moved, Reading, moved

PLAYS_DEG = (0.2, 0.4, 0.6, 0.8, 1.0, 1.5, 2.0)


@dataclass(frozen=True)
class Pair:
    """One pair of visits: what truly grew, and what was found."""

    play_deg: float
    found: Moved

    @property
    def grown_deg(self) -> float:
        """Standard deviation that the found change of variance amounts to, signed."""
        return math.copysign(math.sqrt(abs(self.found.difference)), self.found.difference)


def engine_of(rng: np.random.Generator) -> EngineSpec:
    """An engine with its own size, roughness and steadiness of the spark."""
    cylinders = int(rng.choice([4, 4, 6, 8]))
    liters = 0.4 * cylinders * float(rng.uniform(0.8, 1.2))
    return EngineSpec(
        cylinders=cylinders,
        firing_order=None,
        displacement_l=liters,
        manifold_l=0.75 * liters,
        inertia_kg_m2=0.12 * liters,
        idle_rpm=float(rng.uniform(750.0, 950.0)) if cylinders < 8 else 700.0,
        idle_deg=float(rng.uniform(6.0, 16.0)),
        scatter=float(rng.uniform(0.05, 0.12)),
        spark_jitter_deg=float(rng.uniform(0.1, 0.4)),
    )


def rig_of(rng: np.random.Generator, mark_deg: float) -> RigSpec:
    """A rig put on anew."""
    return RigSpec(
        jitter_us=float(rng.uniform(2.0, 12.0)),
        mark_jitter_us=float(rng.uniform(2.0, 8.0)),
        mark_deg=mark_deg + float(rng.normal(0.0, 1.0)),
        clock_ppm=float(rng.normal(0.0, 40.0)),
    )


def visited(engine: EngineSpec, rig: RigSpec, seed: int, seconds: float) -> Result:
    """A capture of a hold, analysed from its bytes."""
    script = Script(start_deg=engine.idle_deg, segments=(Hold(seconds=seconds),))
    made = simulate(engine, script, rig, seed)
    session = Session(
        capture="hold", engine=engine_card(made.engine_card_toml), rig=rig_card(made.rig_card_toml)
    )
    session.feed(Chunk(at_us=None, data=made.text))
    return session.finish()


def pair(seed: int, play_deg: float, seconds: float = 25.0) -> Pair:
    """Two visits; ``play_deg`` of free play more at the second."""
    rng = np.random.default_rng([77, seed])
    engine = engine_of(rng)
    mark_deg = float(rng.choice([0.0, 10.0, 20.0]))
    # Anywhere within the play: the standard deviation of a rectangle.
    worn = replace(engine, drive=DriveSpec(play_deg=play_deg / math.sqrt(12.0)))
    readings = []
    for year, each in enumerate((engine, worn)):
        result = visited(each, rig_of(rng, mark_deg), 2 * seed + year, seconds)
        known = scatter_reading(result)
        assert known is not None, "an idle hold with a crank mark must tell its scatter"
        readings.append(Reading(at_years=float(year), value=known[0], u=known[1]))
    return Pair(play_deg=play_deg, found=moved(*readings))


def share(pairs: list[Pair]) -> tuple[float, float, float]:
    """Share of pairs called changed, with its 95 % interval (E. B. Wilson, 1927)."""
    n, k, z = len(pairs), sum(each.found.changed for each in pairs), 1.96
    middle = (k + z * z / 2) / (n + z * z)
    half = z / (n + z * z) * math.sqrt(k * (n - k) / n + z * z / 4)
    return k / n, middle - half, middle + half


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pairs", type=int, default=200)
    parser.add_argument("--each", type=int, default=40)
    parser.add_argument("--seconds", type=float, default=25.0)
    asked = parser.parse_args()
    print(f"two holds of {asked.seconds:g} s each; called changed at p < 0.01")
    print("free play grown   pairs   called changed (95 %)       found growth, 1σ (true)")
    for play_deg in (0.0, *PLAYS_DEG):
        count = asked.pairs if play_deg == 0.0 else asked.each
        done = [
            pair(1000 * round(10 * play_deg) + k, play_deg, asked.seconds) for k in range(count)
        ]
        rate, low, high = share(done)
        grown = float(np.median([each.grown_deg for each in done]))
        print(
            f"{play_deg:12.1f}°   {count:5d}   {100 * rate:5.1f} %  ({100 * low:.1f}–"
            f"{100 * high:.1f} %)      {grown:6.3f}° ({play_deg / math.sqrt(12.0):.3f}°)",
            flush=True,
        )


if __name__ == "__main__":
    main()
