"""How well misfires are found, over simulated captures with known truth.

Run as ``python tests/bench/misfire_bench.py [SEEDS]``. Prints, per class of engine, with and
without a crank mark: share of misfiring cycles found and false alarms per ten minutes (both
within a cycle: a stroke at the end of one shows in the next), area under the receiver operating
characteristic of the score, verdict on "always the same beat", and for sweeps the error of the
onset.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace

import numpy as np

from vaclog import cards
from vaclog.analysis.misfire.find import find_misfires, roc_area
from vaclog.analysis.misfire.stumble import score
from vaclog.analysis.phases.find import find_phases
from vaclog.analysis.phases.usable import idle_cycles
from vaclog.cards import EngineCard
from vaclog.signals.chain import SignalChain
from vaclog.signals.tables import Background, CycleTable
from vaclog.simulator import EngineSpec, MisfireSpec, Recording, RigSpec, Script, simulate
from vaclog.simulator.emit import messages
from vaclog.simulator.script import Hold, Turn

ORDERS = {4: (1, 3, 4, 2), 6: (1, 5, 3, 6, 2, 4), 8: (1, 8, 4, 3, 6, 5, 7, 2)}
HOLD_S = 300.0


@dataclass(frozen=True, kw_only=True)
class Class:
    """A kind of engine and of misfire; ``share`` is of cycles, ``onset_deg`` makes a sweep."""

    cylinders: int
    scatter: float
    share: float = 0.01
    slot: int | None = None
    skew: float = 0.0
    onset_deg: float | None = None

    def spec(self) -> EngineSpec:
        """The engine."""
        liters = 0.4 * self.cylinders
        per_event = self.share if self.slot else self.share / self.cylinders
        if self.onset_deg is not None:
            misfire = MisfireSpec(onset_deg=self.onset_deg, per_deg=0.015, slot=self.slot)
        else:
            misfire = MisfireSpec(base=per_event, slot=self.slot)
        return EngineSpec(
            cylinders=self.cylinders,
            firing_order=ORDERS[self.cylinders],
            displacement_l=liters,
            manifold_l=0.75 * liters,
            inertia_kg_m2=0.12 * liters,
            scatter=self.scatter,
            scatter_skew=self.skew,
            misfire=misfire,
        )

    def script(self) -> Script:
        """Five minutes of idle, or a sweep there and back past the onset."""
        if self.onset_deg is None:
            return Script(start_deg=12.0, segments=(Hold(seconds=HOLD_S),))
        top = self.onset_deg + 6.0
        segments = (
            Hold(seconds=10.0),
            Turn(to_deg=top, rate_deg_s=0.5),
            Hold(seconds=5.0),
            Turn(to_deg=10.0, rate_deg_s=0.5),
            Hold(seconds=10.0),
        )
        return Script(start_deg=10.0, segments=segments)


CLASSES = (
    Class(cylinders=4, scatter=0.05),
    Class(cylinders=4, scatter=0.08),
    Class(cylinders=6, scatter=0.06),
    Class(cylinders=6, scatter=0.08),
    Class(cylinders=4, scatter=0.06, slot=3, share=0.02),
    Class(cylinders=6, scatter=0.08, slot=5, share=0.02),
    Class(cylinders=4, scatter=0.08, share=0.0),
    Class(cylinders=6, scatter=0.08, share=0.0),
    Class(cylinders=4, scatter=0.06, skew=0.3),
    Class(cylinders=8, scatter=0.06),
    Class(cylinders=4, scatter=0.12, share=0.02),
    Class(cylinders=8, scatter=0.12, share=0.02),
    Class(cylinders=4, scatter=0.06, onset_deg=28.0),
    Class(cylinders=6, scatter=0.08, onset_deg=24.0),
)


def tables(recording: Recording) -> tuple[CycleTable, Background, EngineCard, int]:
    """The signals room's tables of a recording."""
    engine = cards.engine_card(recording.engine_card_toml)
    chain = SignalChain(engine, cards.rig_card(recording.rig_card_toml))
    for boot in recording.boots:
        chain.feed(messages(boot, recording.rig))
    chain.finish()
    return chain.cycles(), chain.background(), engine, chain.report().duration_us


@dataclass(kw_only=True)
class Tally:
    """Sums over the seeds of a class."""

    true: int = 0
    hit: int = 0
    false: int = 0
    minutes: float = 0.0
    areas: list[float]
    verdicts: list[int]
    rates: list[tuple[float, float, float, float, bool]]
    onsets: list[tuple[float, float]]


def run(kind: Class, seed: int, *, mark: bool, tally: Tally) -> None:
    """One capture."""
    recording = simulate(kind.spec(), kind.script(), RigSpec(), seed)
    cycles, background, engine, duration_us = tables(recording)
    if not mark:
        cycles = replace(cycles, turn_us=np.full_like(cycles.turn_us, np.nan))
    phases, _ = find_phases(cycles, background, engine, duration_us)
    use = idle_cycles(cycles, phases)
    found = find_misfires(cycles, use, engine)
    scores = score(cycles, use, engine.cylinders)
    if scores is None:
        return
    known = np.isfinite(scores.z[:, 0])
    row = np.searchsorted(cycles.start_us, recording.truth.misfire_s * 1e6 + 200.0, "right") - 1
    true = np.zeros(len(cycles), dtype=bool)
    true[row[row >= 0]] = True
    true &= known
    near = np.convolve(true, np.ones(3), mode="same") > 0
    best = scores.z.max(axis=1)
    calm = known & ~(np.convolve(true, np.ones(9), mode="same") > 0)
    if true.any() and calm.any():
        tally.areas.append(roc_area(best[true], best[calm]))
    tally.true += int(true.sum())
    alarm = np.zeros(len(cycles), dtype=bool)
    alarm[found.cycles] = True
    close = np.convolve(alarm, np.ones(3), mode="same") > 0
    tally.hit += int((true & close).sum())
    tally.false += int((~near[found.cycles]).sum())
    tally.minutes += float(known.sum()) * scores.features.cycle_s / 60.0
    tally.verdicts.append(found.slot)
    share = 1e3 * float(true.sum() / known.sum())
    low, high = found.low_per_thousand, found.high_per_thousand
    tally.rates.append((share, found.per_thousand, low, high, found.singles))
    tally.onsets.append((found.onset_deg, found.u_onset_deg))


def line(kind: Class, mark: bool, tally: Tally) -> str:
    """One line of the table."""
    share = 100.0 * tally.hit / tally.true if tally.true else float("nan")
    rates = np.array(tally.rates, dtype=np.float64)
    covered = int(np.sum((rates[:, 2] <= rates[:, 0]) & (rates[:, 0] <= rates[:, 3])))
    want = kind.slot or 0
    right = sum(verdict == want for verdict in tally.verdicts)
    unknown = sum(verdict == -1 for verdict in tally.verdicts)
    text = (
        f"{kind.cylinders} cyl {100 * kind.scatter:3.0f} % skew {kind.skew:3.1f}"
        f" {'mark ' if mark else 'spark'} {'same' if kind.slot else 'any ':4s}"
        f" true {tally.true:4d} found {share:5.1f} %"
        f" false/10 min {10 * tally.false / max(tally.minutes, 1e-9):4.1f}"
        f" AUC {np.mean(tally.areas) if tally.areas else float('nan'):6.4f}"
        f" rate {rates[:, 1].mean():5.1f} of {rates[:, 0].mean():5.1f}"
        f" covered {covered}/{len(rates)}"
        f" singles {int(rates[:, 4].sum())}"
        f" beat right {right} unknown {unknown}"
    )
    if kind.onset_deg is not None:
        off = np.array([onset for onset, _ in tally.onsets]) - kind.onset_deg
        known = np.isfinite(off)
        text += f" onset {off[known].mean():+.2f} ± {off[known].std():.2f} ({known.sum()})"
    return text


def main(seeds: int) -> None:
    """Print the table."""
    for kind in CLASSES:
        for mark in (True, False):
            tally = Tally(areas=[], verdicts=[], rates=[], onsets=[])
            for seed in range(seeds):
                run(kind, 1000 + seed, mark=mark, tally=tally)
            print(line(kind, mark, tally), flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10)
