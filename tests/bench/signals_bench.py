"""What the advance costs in accuracy, by place of the mark and fault, and the chain in time.

    python tests/bench/signals_bench.py [--seeds N]

Engines of the simulator idle through a sweep of 10 → 34 → 10 degrees at 1.2 degrees a second
and, for the curve, a blip of the throttle. Each line gives the error of the advance of every
cycle against the truth (mean, standard deviation, largest), the error of the cycle's mean
pressure, and how often an edge stands more than 50 us from its spark. Then the processor time of
an hour of data in one feed, and of a live stream's feeds.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass, replace

import numpy as np

from vaclog.cards import EngineCard, MarkSensor, RigCard, engine_card, rig_card
from vaclog.signals.chain import SignalChain
from vaclog.signals.tables import CycleFlag
from vaclog.simulator import BodyRig, EngineSpec, Recording, RigSpec, Script, simulate
from vaclog.simulator.recording import rig_card as rig_toml
from vaclog.simulator.rig import pin_signals
from vaclog.simulator.script import Blip, Hold, Turn
from vaclog.wire.detect import StreamDecoder
from vaclog.wire.messages import Hello, Message, Pressure, Pulses

SWEEP = Script(
    start_deg=10.0,
    segments=(
        Hold(seconds=6.0),
        Turn(to_deg=34.0, rate_deg_s=1.2),
        Hold(seconds=4.0),
        Turn(to_deg=10.0, rate_deg_s=1.2),
        Hold(seconds=4.0),
    ),
)
BLIPS = Script(
    start_deg=10.0,
    segments=(Hold(seconds=3.0), Blip(), Hold(seconds=4.0), Blip(), Hold(seconds=3.0)),
)
EVEN, UNEVEN = EngineSpec(), EngineSpec(inertia_kg_m2=0.14)


@dataclass(frozen=True)
class Errors:
    """Errors of each cycle against the truth."""

    advance_deg: np.ndarray
    pressure_kpa: np.ndarray
    edge_us: np.ndarray


def chain_of(made: Recording) -> SignalChain:
    """The chain at the end of the binary stream, read by read."""
    chain = SignalChain(engine_card(made.engine_card_toml), rig_card(made.rig_card_toml))
    decoder = StreamDecoder()
    for at_us, data in made.chunks:
        chain.feed(decoder.feed(data), at_us)
    chain.feed(decoder.finish())
    chain.finish()
    return chain


def errors(made: Recording) -> Errors:
    """Compare the table with the truth."""
    table, truth, trace = chain_of(made).cycles(), made.truth, made.trace
    clock = 1.0 + made.rig.clock_ppm * 1e-6
    start, end = table.start_us * 1e-6 / clock, table.end_us * 1e-6 / clock
    mine = truth.spark_slot == 1
    if made.rig.pickup != "no1":
        mine |= truth.spark_slot == made.engine.spec.cylinders // 2 + 1
    spark_s, spark_deg = truth.spark_s[mine], truth.spark_advance_deg[mine]
    right = np.clip(np.searchsorted(spark_s, start), 1, len(spark_s) - 1)
    k = right - (start - spark_s[right - 1] < spark_s[right] - start)
    pieces = 0.5 * (trace.pressure_kpa[1:] + trace.pressure_kpa[:-1]) * np.diff(trace.time_s)
    area = np.concatenate(([0.0], np.cumsum(pieces)))
    grown = np.interp(end, trace.time_s, area) - np.interp(start, trace.time_s, area)
    known = np.isfinite(table.advance_deg) & ((table.flags & np.uint8(CycleFlag.GAP)) == 0)
    return Errors(
        advance_deg=(table.advance_deg - spark_deg[k])[known],
        pressure_kpa=(table.pressure_kpa - grown / (end - start))[known],
        edge_us=(start - spark_s[k])[known] * 1e6,
    )


def in_turn_swing(made: Recording) -> float:
    """Median of (fastest - slowest) / mean speed within a turn, at the first hold."""
    trace = made.trace
    first = (trace.time_s > 0.5) & (trace.time_s < 3.0)
    speed = np.gradient(trace.theta_deg[first], trace.time_s[first])
    turn = trace.theta_deg[first] // 360
    turns = [speed[turn == n] for n in np.unique(turn)[1:-1]]
    return float(np.median([np.ptp(s) / s.mean() for s in turns]))


def table_of(lines: list[tuple[str, EngineSpec, Script, RigSpec]], seeds: int) -> None:
    """One line per case, over all seeds."""
    print(
        f"{'case':34} {'swing':>6} {'cycles':>7} {'advance mean':>13} {'sd':>6} {'max':>6}"
        f" {'kPa mean':>9} {'sd':>6} {'edges off':>10}"
    )
    ran: dict[tuple[int, int, int], Recording] = {}
    for name, engine, script, rig in lines:
        parts = []
        for seed in range(seeds):
            key = (id(engine), id(script), seed)
            if key not in ran:
                ran[key] = simulate(engine, script, RigSpec(), seed)
            base = ran[key]
            rng = np.random.default_rng([seed, 2])
            made = replace(
                base,
                rig=rig,
                pins=pin_signals(base.trace, rig, engine.cylinders, rng),
                rig_card_toml=rig_toml(engine, script, rig),
            )
            parts.append(errors(made))
        swing = in_turn_swing(made)
        advance = np.concatenate([p.advance_deg for p in parts])
        kpa = np.concatenate([p.pressure_kpa for p in parts])
        edge = np.concatenate([p.edge_us for p in parts])
        print(
            f"{name:34} {100 * swing:5.1f}% {len(advance):7d} {advance.mean():+12.3f}° "
            f"{advance.std():5.3f}° {np.abs(advance).max():5.2f}° {np.nanmean(kpa):+9.4f} "
            f"{np.nanstd(kpa):6.4f} {100 * np.mean(np.abs(edge) > 50):9.2f}%"
        )


def timing() -> None:
    """Processor time of an hour at once, and of a live stream."""
    n, rpm = 3_600_000, 850.0
    ticks = np.arange(n, dtype=np.int64) * 2000
    rng = np.random.default_rng(1)
    counts = np.clip(123 + rng.normal(0, 4, n), 0, 1023).astype(np.uint16)
    marks = np.arange(0, n * 2000, 120e6 / rpm).astype(np.int64)
    sparks = marks[1::2] + 12_000
    pulse_ticks = np.concatenate((marks, sparks))
    kinds = np.concatenate((np.full(len(marks), 3), np.full(len(sparks), 1)))
    order = np.argsort(pulse_ticks, kind="stable")
    hello = Hello(version=1, boot=1, tick_ns=500, adc_bits=10)
    pressure = Pressure(ticks=(ticks % 2**32).astype(np.uint32), counts=counts)
    pulses = Pulses(
        kinds=kinds[order].astype(np.uint8),
        ticks=(pulse_ticks[order] % 2**32).astype(np.uint32),
        values=np.zeros(len(order), np.int32),
    )
    rig = RigCard(mark=MarkSensor(angle_deg=20.0))
    for label, block in (("in one feed", n), ("in feeds of 20 ms (10 min of it)", 20)):
        chain = SignalChain(EngineCard(), rig)
        feeds: list[list[Message]] = [[hello]]
        upto = n if block == n else 600_000
        ends = np.searchsorted(pulse_ticks[order], ticks[block - 1 : upto : block], side="right")
        before = 0
        for i, end in enumerate(ends.tolist()):
            a, b = slice(i * block, (i + 1) * block), slice(before, end)
            before = end
            feeds.append(
                [
                    Pressure(ticks=pressure.ticks[a], counts=pressure.counts[a]),
                    Pulses(kinds=pulses.kinds[b], ticks=pulses.ticks[b], values=pulses.values[b]),
                ]
            )
        begin = time.process_time()
        for feed in feeds:
            chain.feed(feed)
        chain.finish()
        taken = time.process_time() - begin
        each = f", {1e6 * taken / len(feeds):.0f} us a feed" if len(feeds) > 2 else ""
        share = 100 * taken / (upto / 1000)
        print(
            f"{label}: {len(chain.cycles())} cycles in {taken:.2f} s of processor time{each}, "
            f"{share:.2f} % of one core live"
        )


def main() -> int:
    """Print all tables."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--seeds", type=int, default=2)
    seeds = parser.parse_args().seeds
    lines = [
        (f"{kind}, mark at {mark}°, {what}", engine, script, RigSpec(mark_deg=float(mark)))
        for what, script in (("sweep", SWEEP), ("blips", BLIPS))
        for kind, engine in (("even", EVEN), ("uneven", UNEVEN))
        for mark in (0, 20, 60)
    ]
    faults = {
        "2 % of sparks and marks lost": RigSpec(drop_share=0.02, mark_drop_share=0.02),
        "half of the sparks ring": RigSpec(ring_share=0.5),
        "multi-spark box": RigSpec(multi_spark=4),
        "a stray in 2 s": RigSpec(spurious_per_s=0.5),
        "2 strays a second": RigSpec(spurious_per_s=2.0),
        "clock 300 ppm fast": RigSpec(clock_ppm=300.0),
        "ticks of 4 us": RigSpec(tick_ns=4000),
        "noise of 1 kPa": RigSpec(noise_kpa=1.0),
        "100 samples a second": RigSpec(sample_period_us=10_000),
        "wasted spark": RigSpec(pickup="wasted"),
        "coil lead": RigSpec(pickup="coil"),
        "body sensor": RigSpec(mark=False, body=BodyRig()),
    }
    lines += [(name, EVEN, SWEEP, rig) for name, rig in faults.items()]
    table_of(lines, seeds)
    timing()
    return 0


if __name__ == "__main__":
    sys.exit(main())
