"""How well misfires are counted where they crowd, over simulated captures with known truth.

Run as ``python tests/bench/crowd_bench.py [SEEDS] [FIRST]``. Engines of 3, 4, 6 and 8 cylinders
with 4 to 12 % scatter of combustion, at one advance and over a sweep whose misfire begins at 24°,
none to two in five strokes lost, any stroke or always the same, with a crank mark and without one.
Prints, for each kind, how often the 95 % interval of the rate held the true share of cycles, how
wide it was, how often single cycles were named, what of them was right, and for sweeps the onset.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from misfire_bench import ORDERS, tables

from vaclog.analysis.misfire.find import find_misfires
from vaclog.analysis.phases.find import find_phases
from vaclog.analysis.phases.usable import idle_cycles
from vaclog.simulator import EngineSpec, MisfireSpec, RigSpec, Script, simulate
from vaclog.simulator.script import Hold, Turn

ONSET_DEG = 24.0
LEFT_OUT = 3  # cycles at the start of a run without the past that is asked for


@dataclass(frozen=True, kw_only=True)
class Kind:
    """An engine and its misfire; ``rate`` is of strokes, ``skew`` makes weak ones weaker."""

    cylinders: int
    scatter: float
    rate: float
    slot: int | None = None
    swept: bool = False
    skew: float = 0.0

    def spec(self) -> EngineSpec:
        """The engine."""
        liters = 0.4 * self.cylinders
        if self.swept:
            misfire = MisfireSpec(
                onset_deg=ONSET_DEG, per_deg=4.0 * self.rate, most=self.rate, slot=self.slot
            )
        else:
            misfire = MisfireSpec(base=self.rate, slot=self.slot)
        return EngineSpec(
            cylinders=self.cylinders,
            firing_order={3: (1, 2, 3), **ORDERS}[self.cylinders],
            displacement_l=liters,
            manifold_l=0.75 * liters,
            inertia_kg_m2=0.12 * liters,
            scatter=self.scatter,
            scatter_skew=self.skew,
            misfire=misfire,
        )

    def script(self) -> Script:
        """Idle, or a sweep there and back with six degrees past the onset."""
        if not self.swept:
            return Script(start_deg=12.0, segments=(Hold(seconds=150.0),))
        segments = (
            Hold(seconds=15.0),
            Turn(to_deg=ONSET_DEG + 6.0, rate_deg_s=0.5),
            Hold(seconds=15.0),
            Turn(to_deg=10.0, rate_deg_s=0.5),
            Hold(seconds=15.0),
        )
        return Script(start_deg=10.0, segments=segments)


@dataclass(frozen=True, kw_only=True)
class Seen:
    """One capture: rates per thousand cycles, and cycles."""

    true: float
    low: float
    told: float
    high: float
    singles: bool
    misfires: int
    hit: int
    named: int
    right: int
    onset_off: float
    u_onset: float


def kinds() -> Iterator[Kind]:
    """All of them; rates of the same stroke are of that stroke."""
    for cylinders in (3, 4, 6, 8):
        for scatter in (0.04, 0.08, 0.12):
            for rate in (0.0, 0.002, 0.01, 0.05, 0.1, 0.2):
                yield Kind(cylinders=cylinders, scatter=scatter, rate=rate)
            for rate in (0.05, 0.2, 0.4):
                yield Kind(cylinders=cylinders, scatter=scatter, rate=rate, slot=2)
            for rate in (0.0, 0.02, 0.1, 0.2):
                yield Kind(cylinders=cylinders, scatter=scatter, rate=rate, swept=True)
            yield Kind(cylinders=cylinders, scatter=scatter, rate=0.4, slot=2, swept=True)
        yield Kind(cylinders=cylinders, scatter=0.08, rate=0.0, skew=0.3)
        yield Kind(cylinders=cylinders, scatter=0.08, rate=0.0, skew=0.3, swept=True)


def see(kind: Kind, seed: int) -> Iterator[tuple[bool, Seen]]:
    """One capture, with its mark and without."""
    recording = simulate(kind.spec(), kind.script(), RigSpec(), seed)
    whole, background, engine, duration_us = tables(recording)
    for mark in (True, False):
        cycles = whole
        if not mark:
            cycles = replace(whole, turn_us=np.full_like(whole.turn_us, np.nan))
        phases, _ = find_phases(cycles, background, engine, duration_us)
        use = idle_cycles(cycles, phases)
        found = find_misfires(cycles, use, engine)
        if not found.judged:  # it stalled
            continue
        row = np.searchsorted(cycles.start_us, recording.truth.misfire_s * 1e6 + 200.0, "right") - 1
        lost = np.zeros(len(cycles), dtype=bool)
        lost[row[row >= 0]] = True
        near = np.convolve(lost, np.ones(3), mode="same") > 0
        named = np.zeros(len(cycles), dtype=bool)
        named[found.cycles] = True
        beside = np.convolve(named, np.ones(3), mode="same") > 0
        yield (
            mark,
            Seen(
                true=1e3 * float(lost[use].mean()),
                low=found.low_per_thousand,
                told=found.per_thousand,
                high=found.high_per_thousand,
                singles=found.singles,
                misfires=int((lost & use).sum()),
                hit=int((lost & use & beside).sum()),
                named=len(found.cycles),
                right=int(near[found.cycles].sum()),
                onset_off=found.onset_deg - ONSET_DEG,
                u_onset=found.u_onset_deg,
            ),
        )


def line(name: str, seen: list[Seen]) -> str:
    """What a group of captures came to."""
    held = sum(each.low <= each.true <= each.high for each in seen)
    # The true share is itself counted in cycles, a few of which cannot be judged.
    width = float(np.median([(each.high - each.low) / max(each.true, 1.0) for each in seen]))
    off = float(np.median([each.told / each.true for each in seen if each.true > 0.0] or [np.nan]))
    singles = [each for each in seen if each.singles]
    misfires = sum(each.misfires for each in singles)
    hit = 100.0 * sum(each.hit for each in singles) / misfires if misfires else float("nan")
    false = sum(each.named - each.right for each in singles)
    text = (
        f"{name:24s} held {held:3d} of {len(seen):3d}  told/true {off:5.2f}"
        f"  width/true {width:5.2f}"
        f"  named in {len(singles):3d}: {hit:5.1f} % of {misfires}, {false} false"
    )
    known = np.array([(each.onset_off, each.u_onset) for each in seen if each.u_onset > 0.0])
    if len(known):
        inside = int((np.abs(known[:, 0]) < 2.0 * known[:, 1] + 0.25).sum())
        text += (
            f"  onset {len(known)}: {known[:, 0].mean():+.2f} ± {known[:, 0].std():.2f}"
            f", within 2u {inside}, latest {known[:, 0].max():+.1f}"
        )
    return text


def main(seeds: int, first: int) -> None:
    """Print the table."""
    groups: dict[str, list[Seen]] = defaultdict(list)
    for kind in kinds():
        for seed in range(first, first + seeds):
            for mark, seen in see(kind, seed):
                how = "mark" if mark else "spark"
                what = "sweep" if kind.swept else "hold"
                beat = "same" if kind.slot else "any"
                if kind.skew:
                    beat = "skew"
                groups[f"{how:5s} {what:5s} {beat:4s} {kind.rate:5.3f}"].append(seen)
                dense = "dense" if seen.true > 60.0 else "sound" if not seen.true else "sparse"
                groups[f"{how:5s} {dense}"].append(seen)
                groups[f"{how:5s} {kind.cylinders} {dense}"].append(seen)
    for name in sorted(groups):
        print(line(name, groups[name]), flush=True)


if __name__ == "__main__":
    numbers = [int(each) for each in sys.argv[1:]]
    main(numbers[0] if numbers else 2, numbers[1] if len(numbers) > 1 else 9000)
