"""How much of the time the phases are right, over simulated captures with known truth.

Run as ``python tests/bench/phases_bench.py [RUNS]``. Prints a table: share of the time outside
a second of a true edge that has the right kind, what was taken for what, and how far the edges
of sweeps are off.

The truth is taken as the tool means it: inside nudge-and-wait the waits are holds, and the
first hold may be ``warming``.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from vaclog import cards
from vaclog.analysis.findings import Phase, Sweep
from vaclog.analysis.phases.find import find_phases
from vaclog.analysis.phases.hand import HESITATE_S
from vaclog.signals.chain import SignalChain
from vaclog.simulator.emit import messages
from vaclog.simulator.presets import PRESETS, preset, random_scenario
from vaclog.simulator.truth import Truth

EDGE_S, STEP_S = 1.0, 0.05


def true_kinds(truth: Truth) -> tuple[list[tuple[float, float, str]], float]:
    """Spans with the waits of a staircase as holds, and the end of the first hold."""
    spans: list[tuple[float, float, str]] = []
    for span in truth.phases:
        if span.kind not in ("advancing", "retarding"):
            spans.append((span.start_s, span.end_s, span.kind))
            continue
        at = span.start_s
        inside = [m for m in truth.moves if span.start_s <= m.start_s < span.end_s]
        for before, after in pairwise(inside):
            if after.start_s - before.end_s > HESITATE_S:
                spans.append((at, before.end_s, span.kind))
                spans.append((before.end_s, after.start_s, "hold"))
                at = after.start_s
        spans.append((at, span.end_s, span.kind))
    first = next((end for _, end, kind in spans if kind == "hold"), 0.0)
    return spans, first


def compare(truth: Truth, phases: Sequence[Phase]) -> tuple[float, float, Counter[str]]:
    """Seconds right, seconds judged, and seconds of what was taken for what."""
    spans, first_hold_s = true_kinds(truth)
    at = np.arange(0.0, phases[-1].end_us / 1e6, STEP_S)
    want = np.full(len(at), "?", dtype="<U10")
    far = np.ones(len(at), dtype=bool)
    for start, end, kind in spans:
        want[(at >= start) & (at < end)] = kind
        far &= (np.abs(at - start) > EDGE_S) & (np.abs(at - end) > EDGE_S)
    got = np.full(len(at), "?", dtype="<U10")
    for phase in phases:
        got[(at >= phase.start_us / 1e6) & (at < phase.end_us / 1e6)] = phase.kind
    judged = far & (want != "?")
    same = (got == want) | ((want == "hold") & (got == "warming") & (at < first_hold_s))
    # A warm-up that is over is a hold, by any sight.
    same |= (want == "warming") & (got == "hold")
    wrong = Counter(
        f"{w}>{g}" for w, g in zip(want[judged & ~same], got[judged & ~same], strict=True)
    )
    return float(same[judged].sum() * STEP_S), float(judged.sum() * STEP_S), wrong


def sweep_errors(truth: Truth, sweeps: Sequence[Sweep]) -> tuple[int, list[float]]:
    """How many sweeps too many or too few, and errors of the edges of the others, s."""
    if len(sweeps) != len(truth.sweeps):
        return len(sweeps) - len(truth.sweeps), []
    errors: list[float] = []
    for true, found in zip(truth.sweeps, sweeps, strict=True):
        errors += [found.start_us / 1e6 - true.start_s, found.end_us / 1e6 - true.end_s]
    return 0, errors


def main(runs: int) -> None:
    """Print the table."""
    rng = np.random.default_rng(7)
    scenarios = [preset(name) for name in PRESETS]
    scenarios += [random_scenario(rng, reach="any") for _ in range(max(0, runs - len(PRESETS)))]
    right = judged = 0.0
    wrong: Counter[str] = Counter()
    edges: list[float] = []
    for number, scenario in enumerate(scenarios[:runs]):
        recording = scenario.simulate(number)
        engine = cards.engine_card(recording.engine_card_toml)
        chain = SignalChain(engine, cards.rig_card(recording.rig_card_toml))
        for boot in recording.boots:
            chain.feed(messages(boot, recording.rig))
        chain.finish()
        duration_us = chain.report().duration_us
        phases, sweeps = find_phases(chain.cycles(), chain.background(), engine, duration_us)
        a, b, c = compare(recording.truth, phases)
        extra, errors = sweep_errors(recording.truth, sweeps)
        right, judged, wrong, edges = right + a, judged + b, wrong + c, edges + errors
        worst = max((abs(e) for e in errors), default=float("nan"))
        print(
            f"{scenario.name:15s} right {100 * a / b:6.2f} %  sweeps {extra:+d}"
            f"  worst edge {worst:5.2f} s  {dict(c) or ''}",
            flush=True,
        )
    print(f"all: {100 * right / judged:.2f} % of {judged:.0f} s in {len(scenarios[:runs])} runs")
    print({k: round(v * STEP_S, 1) for k, v in wrong.most_common()})
    if edges:
        within = np.mean(np.abs(edges) < EDGE_S)
        print(f"edges of sweeps: {100 * within:.1f} % of {len(edges)} within {EDGE_S} s")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 40)
