"""Faults made on purpose: resets, a line that is too slow or noisy, a host that hangs or leaves."""

from __future__ import annotations

from pathlib import Path

import both_decoders
import harness
import numpy as np
import pytest
from harness import COIL, MARK, SPARK, Bench, Stimulus, replace
from truth import check_body, check_pulses, check_samples

S = 1_000_000_000
MS = 1_000_000
LAST_FLUSH_NS = 60 * MS


def steady(run_ns: int, seed: int = 1, **more: object) -> Stimulus:
    """An idling engine's pins: irregular sparks and marks, random voltages."""
    rng = np.random.default_rng(seed)
    spark = np.cumsum(rng.integers(60 * MS, 140 * MS, run_ns // (60 * MS)))
    mark = np.cumsum(rng.integers(30 * MS, 70 * MS, run_ns // (30 * MS)))
    falls = {SPARK: spark, MARK: mark}
    fields: dict = {
        "falls_ns": {pin: ns[ns < run_ns - LAST_FLUSH_NS] for pin, ns in falls.items()},
        "pressure_mv": rng.integers(0, 5000, run_ns // MS),
        "body_mv": rng.integers(0, 5000, run_ns // MS),
    }
    return Stimulus(end_ns=run_ns, **(fields | more))


def test_a_reset_in_mid_stream_is_a_new_boot(bench: Bench) -> None:
    resets = [1_234_700_000, 3_001_002_003]
    stimulus = steady(5 * S, resets_ns=resets)
    run = bench.run(stimulus)
    stream = both_decoders.decode(run.data)
    first = stream.boots[0].number
    assert [boot.number - first for boot in stream.boots] == [0, 1, 2]
    assert stream.bad_frames <= len(resets)  # the frame that was cut short
    edges_ns = [0, *resets, stimulus.end_ns]
    for boot, zero, begin, end in zip(
        stream.boots, run.zero_ns, edges_ns[:-1], edges_ns[1:], strict=True
    ):
        assert check_samples(boot, stimulus, zero)[1] == 0
        for pin, falls in stimulus.falls_ns.items():
            inside = falls[(falls > zero) & (falls < end)]
            # What waited in the chip when it was reset is gone, and nothing else.
            safe = inside[inside < end - LAST_FLUSH_NS]
            check_pulses(boot, pin, inside, zero, all_of_them=False)
            assert len(boot.of_kind(1 if pin == SPARK else 3)) >= len(safe)
        assert zero - begin < 20 * MS  # back within a moment


def check_blocked_line(bench: Bench, firmware: Path) -> None:
    """At 244 baud for 8.5 s: samples, events and whole status frames find no room.

    What is missing is counted, exactly, and nothing else is missing.
    """
    stimulus = steady(13 * S, slow_line_ns=(2 * S, 10 * S + 500 * MS))
    run = bench.run(stimulus, firmware)
    stream = both_decoders.decode(run.data)
    boot, zero = stream.boots[0], run.zero_ns[0]
    assert (stream.bad_frames, stream.lost_frames) == (0, 0)  # a frame goes whole or not at all
    lost_events, lost_samples, lost_frames = boot.dropped
    assert lost_samples > 7000 and lost_events > 500 and lost_frames >= 4
    delivered, missing = check_samples(boot, stimulus, zero)
    assert missing == lost_samples
    assert delivered + missing >= 13_000 - LAST_FLUSH_NS // MS
    lost_pulses = check_body(boot, stimulus, zero)
    for pin, falls in stimulus.falls_ns.items():
        errors = check_pulses(boot, pin, falls, zero, all_of_them=False)
        lost_pulses += len(falls) - len(errors)
    assert lost_pulses == lost_events
    assert boot.hellos + lost_frames // 2 == 13


def test_a_blocked_line_loses_what_is_counted_and_nothing_else(bench: Bench) -> None:
    check_blocked_line(bench, bench.firmware())


BLOCK_FULL = "if (next_block(filling) == oldest)"
MISCOUNTS = {
    "events not counted": replace("events.h", "event_lost++;", ";"),
    "samples not counted": replace("sampling.c", "lost++;", ";"),
    "frames not counted": replace("main.c", "frames_lost += 2;", "frames_lost += 0;"),
    "queue overwrites itself": replace("events.h", "if (next == event_tail)", "if (0)"),
    "block overwrites itself": replace("sampling.c", BLOCK_FULL, "if (0)"),
    "frame without room": replace("frames.c", "return serial_room() >=", "return 1000 >="),
}


@pytest.mark.parametrize("name", MISCOUNTS)
def test_a_miscount_is_caught(bench: Bench, name: str) -> None:
    firmware = bench.firmware(patch=MISCOUNTS[name], tag=name.replace(" ", "_"))
    with pytest.raises(AssertionError):
        check_blocked_line(bench, firmware)


def test_more_pulses_than_the_line_carries_are_counted(bench: Bench) -> None:
    """1500 edges 100 us apart on one pin: 70 kB/s of events on a line of 50 kB/s."""
    burst = 500 * MS + np.arange(1500) * 100_000
    stimulus = steady(2 * S, falls_ns={SPARK: burst}, pulse_ns=30_000)
    run = bench.run(stimulus)
    boot = both_decoders.decode(run.data).boots[0]
    delivered = len(check_pulses(boot, SPARK, burst, run.zero_ns[0], all_of_them=False))
    lost_bodies = check_body(boot, stimulus, run.zero_ns[0])
    assert boot.dropped[0] == len(burst) - delivered + lost_bodies > 100
    assert check_samples(boot, stimulus, run.zero_ns[0])[1] == boot.dropped[1] == 0


def test_ringing_is_reported_edge_by_edge(bench: Bench) -> None:
    """The host tells ringing from multiple sparks, so it must see every edge."""
    sparks = 100 * MS + np.arange(30) * 60 * MS
    rings = np.array([0, 60_000, 130_000, 250_000, 700_000, 1_400_000])
    falls = (sparks[:, None] + rings).ravel()
    stimulus = steady(2 * S, falls_ns={SPARK: falls})
    run = bench.run(stimulus)
    boot = both_decoders.decode(run.data).boots[0]
    check_pulses(boot, SPARK, falls, run.zero_ns[0])
    assert boot.dropped == (0, 0, 0)


def test_ringing_is_left_out_by_a_dead_time(bench: Bench) -> None:
    sparks = 100 * MS + np.arange(30) * 60 * MS
    rings = np.array([0, 60_000, 700_000, 2_900_000])
    stimulus = steady(2 * S, falls_ns={SPARK: (sparks[:, None] + rings).ravel()})
    run = bench.run(stimulus, bench.firmware("SPARK_DEAD_TICKS=6000"))
    boot = both_decoders.decode(run.data).boots[0]
    check_pulses(boot, SPARK, sparks, run.zero_ns[0])


def test_missed_pulses_are_not_invented(bench: Bench) -> None:
    rng = np.random.default_rng(5)
    every = 70 * MS + np.arange(100) * 70 * MS
    some = every[rng.random(100) < 0.6]
    run = bench.run(Stimulus(end_ns=8 * S, falls_ns={SPARK: some, COIL: every}))
    boot = both_decoders.decode(run.data).boots[0]
    check_pulses(boot, SPARK, some, run.zero_ns[0])
    check_pulses(boot, COIL, every, run.zero_ns[0])


def test_close_and_reopen(bench: Bench) -> None:
    """Opening throws away what waits; what comes afterwards is sound and in place."""
    stimulus = steady(6 * S)
    run = bench.run(stimulus, reopen_after=[5000, 12_000])
    stream = both_decoders.decode(run.data)
    boot, zero = stream.boots[0], run.zero_ns[0]
    assert len(stream.boots) == 1
    assert stream.bad_frames <= 2
    check_samples(boot, stimulus, zero)
    assert boot.samples[-1][0] * 500 > 5.9 * S
    for pin, falls in stimulus.falls_ns.items():
        check_pulses(boot, pin, falls, zero, all_of_them=False)


def test_noise_on_the_line_costs_only_the_frames_it_touches(bench: Bench) -> None:
    rng = np.random.default_rng(9)
    inserts = [(int(ns), rng.bytes(int(rng.integers(1, 12)))) for ns in rng.integers(S, 5 * S, 20)]
    flips = [(int(ns), int(1 << rng.integers(8))) for ns in rng.integers(S, 5 * S, 20)]
    stimulus = steady(6 * S, inserts=inserts, flips=flips)
    clean = bench.run(steady(6 * S))
    run = bench.run(stimulus)
    stream = both_decoders.decode(run.data)
    whole = both_decoders.decode(clean.data)
    boot, zero = stream.boots[0], run.zero_ns[0]
    assert len(stream.boots) == 1
    # One flipped delimiter joins two frames, one that is made cuts one in two.
    assert 10 <= stream.lost_frames <= 2 * 40
    assert stream.good_frames + stream.lost_frames == whole.good_frames
    check_samples(boot, stimulus, zero)
    check_body(boot, stimulus, zero)
    for pin, falls in stimulus.falls_ns.items():
        check_pulses(boot, pin, falls, zero, all_of_them=False)


def test_a_host_that_hangs_loses_bytes_but_no_truth(bench: Bench) -> None:
    """Nobody reads until the run is over, and the line does not wait."""
    stimulus = steady(8 * S)
    run = bench.run(stimulus, None, "--lossy", read_late=True)
    assert run.bytes_lost > 1000 and len(run.data) > 1000
    stream = both_decoders.decode(run.data)
    boot = stream.boots[0]
    check_samples(boot, stimulus, run.zero_ns[0])
    for pin, falls in stimulus.falls_ns.items():
        check_pulses(boot, pin, falls, run.zero_ns[0], all_of_them=False)


@pytest.mark.parametrize("tool", ["gcc", "avr-gcc"])
def test_a_missing_tool_fails_and_does_not_skip(
    tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch, tool: str
) -> None:
    bench = Bench(tmp_path_factory.mktemp("bare"))
    monkeypatch.setenv("PATH", "")
    with pytest.raises(RuntimeError, match=f"Install .*{tool.replace('avr-gcc', 'gcc-avr')}"):
        bench.runner() if tool == "gcc" else bench.firmware()


def test_a_missing_emulator_fails_and_does_not_skip(
    tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(harness, "LIBRARIES", ("-lno-such-emulator",))
    with pytest.raises(RuntimeError, match="libsimavr-dev"):
        Bench(tmp_path_factory.mktemp("bare")).runner()
