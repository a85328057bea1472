"""Times and counts that the firmware sends, against the edges and voltages it was given.

The thresholds are those of two trials on an emulated chip (spark within 0.75 us, no sample
lost); mutants of the firmware show that these very checks see what they should.
"""

from __future__ import annotations

from pathlib import Path

import both_decoders
import numpy as np
import pytest
from harness import BUTTON, COIL, MARK, SPARK, TICK_NS, Bench, Stimulus, replace
from truth import check_body, check_pulses, check_samples, tick_ns

RUN_NS = 12_000_000_000
WRAP_NS = 65536 * TICK_NS  # of the 16-bit timer
LAST_FLUSH_NS = 60_000_000  # what comes later may still wait in the chip when the run ends


@pytest.fixture(scope="module")
def zero_ns(bench: Bench) -> int:
    """Emulated time of tick 0; the start-up code takes a while before it."""
    return bench.run(Stimulus(end_ns=20_000_000)).zero_ns[0]


@pytest.fixture(scope="module")
def hard(zero_ns: int) -> Stimulus:
    """Edges aimed at the timer's wraps, sparks and marks in the same microseconds, random voltages.

    From slow running to 6000 rpm of four cylinders; the coil lead has its own edges.
    """
    rng = np.random.default_rng(20)
    wraps = zero_ns + WRAP_NS * np.arange(2, (RUN_NS - LAST_FLUSH_NS) // WRAP_NS)
    spark = wraps + rng.integers(-9_000, 9_000, len(wraps))
    mark = np.where(rng.random(len(wraps)) < 0.5, spark, wraps) + rng.integers(0, 40, len(wraps))
    free = wraps[:-1, None] + np.array([7, 15, 23]) * 1_000_000
    mark = np.concatenate([mark, (free + rng.integers(-(10**6), 10**6, free.shape)).ravel()])
    coil = np.arange(40_000_000, RUN_NS - LAST_FLUSH_NS, 5_000_000)
    coil = coil + rng.integers(0, 3_000_000, len(coil))
    return Stimulus(
        end_ns=RUN_NS,
        falls_ns={SPARK: spark, MARK: mark, COIL: coil},
        pressure_mv=rng.integers(0, 5000, RUN_NS // 10**6),
        body_mv=rng.integers(0, 5000, RUN_NS // 10**6),
    )


def check(bench: Bench, stimulus: Stimulus, firmware: Path) -> dict[tuple[str, int], np.ndarray]:
    """Everything that must hold of a run without losses; returns the errors by pin."""
    run = bench.run(stimulus, firmware)
    stream = both_decoders.decode(run.data)
    assert (len(stream.boots), stream.bad_frames, stream.lost_frames) == (1, 0, 0)
    boot, zero = stream.boots[0], run.zero_ns[0]
    assert (boot.tick_ns, boot.adc_bits, boot.dropped) == (TICK_NS, 10, (0, 0, 0))
    assert boot.hellos == RUN_NS // 10**9  # at boot, then once a second
    delivered, missing = check_samples(boot, stimulus, zero)
    assert missing == 0
    assert delivered >= (RUN_NS - LAST_FLUSH_NS) // 10**6
    assert check_body(boot, stimulus, zero) == 0
    return {pin: check_pulses(boot, pin, stimulus.falls_ns[pin], zero) for pin in stimulus.falls_ns}


def test_times_and_counts(bench: Bench, hard: Stimulus) -> None:
    errors = check(bench, hard, bench.firmware())
    assert len(errors[SPARK]) > 300
    assert len(errors[MARK]) > 1200
    assert len(errors[COIL]) > 2000
    assert np.median(errors[MARK]) < 2.5


def test_it_sleeps_between(bench: Bench) -> None:
    """Idle sleep keeps the converter's supply quiet, and makes the emulation fast."""
    second = Stimulus(end_ns=1_000_000_000)
    assert bench.run(second).asleep_share > 0.8
    busy = bench.firmware(patch=replace("main.c", "if (!ms_unseen)", "if (0)"), tag="busy")
    assert bench.run(second, busy).asleep_share == 0


def test_two_runs_are_equal(bench: Bench, hard: Stimulus) -> None:
    assert bench.run(hard).data == bench.run(hard).data


MUTANTS = {
    "no wrap race": replace("ticks.h", "if ((TIFR1 & _BV(TOV1)) && low < 0x8000)", "if (0)"),
    "late edges always wrap": replace("ticks.h", " && low < 0x8000)", ")"),
    "wrong edge of the spark": replace("pulses.c", "_BV(ICNC1);", "_BV(ICES1);"),
    "wrong edge of the mark": replace("pulses.c", "_BV(ISC01)", "_BV(ISC00) | _BV(ISC01)"),
    "timer instead of capture": replace("pulses.c", "ticks_extend(ICR1)", "ticks_now()"),
    "wrong period": replace("sampling.c", "OCR0A = 249;", "OCR0A = 250;"),
    "wrong period on the wire": replace("board.h", "TICKS_PER_MS 2000", "TICKS_PER_MS 2001"),
    "input not switched back": replace(
        "sampling.c", "body_running = false;\n\t\tADMUX = INPUT_PRESSURE;", "body_running = false;"
    ),
    "body never read": replace("board.h", "#define BODY_EVERY_MS 20", "#define BODY_EVERY_MS 0"),
    "sequence stands still": replace("frames.c", "put_u8(sequence++);", "put_u8(sequence);"),
    "sum in the wrong order": replace(
        "frames.c", "stuff(sum >> 8);\n\tstuff(sum);", "stuff(sum);\n\tstuff(sum >> 8);"
    ),
    "kinds mixed up": replace("events.h", "EVENT_COIL = 2,", "EVENT_COIL = 3,"),
}


@pytest.mark.parametrize("name", MUTANTS)
def test_a_mutant_is_caught(bench: Bench, hard: Stimulus, name: str) -> None:
    firmware = bench.firmware(patch=MUTANTS[name], tag=name.replace(" ", "_"))
    with pytest.raises(AssertionError):
        check(bench, hard, firmware)


def test_the_32_bit_tick_wraps(bench: Bench) -> None:
    """Booted 131 ms before the wrap; on the bench it comes once in 2147 s."""
    high = 0xFFFC
    spark = np.arange(30_000_000, 900_000_000, 7_770_000)
    stimulus = Stimulus(
        end_ns=1_000_000_000, falls_ns={SPARK: spark}, pressure_mv=np.arange(1000) * 5
    )
    run = bench.run(stimulus, bench.firmware(f"TICK_HIGH_AT_BOOT={high:#x}"))
    boot = both_decoders.decode(run.data).boots[0]
    ticks = [tick for tick, _ in boot.samples]
    assert ticks[0] > 0xFFFC0000 and ticks[-1] < 2_000_000
    assert check_samples(boot, stimulus, run.zero_ns[0], first_tick=high << 16)[1] == 0
    check_pulses(boot, SPARK, spark, run.zero_ns[0], first_tick=high << 16)


def test_the_button_is_told_once_although_it_bounces(bench: Bench) -> None:
    press_ns, long_press_ns = 200_000_000, 500_000_000
    bounce = [(press_ns + i * 700_000, BUTTON, i % 2) for i in range(9)]  # ends pressed
    release = [(300_000_000 + i * 700_000, BUTTON, 1 - i % 2) for i in range(9)]
    held = [(long_press_ns, BUTTON, 0), (long_press_ns + 1_500_000_000, BUTTON, 1)]
    run = bench.run(Stimulus(end_ns=2_500_000_000, levels=bounce + release + held))
    boot = both_decoders.decode(run.data).boots[0]
    late_ms = tick_ns(boot.of_kind(5), run.zero_ns[0]) / 1e6 - np.array([200, 500])
    assert late_ms.min() >= 0 and late_ms.max() < 2


@pytest.mark.parametrize(("mv", "counts"), [(0, 0), (5000, 1023), (5600, 1023)])
def test_a_sensor_at_a_rail_is_sent_as_it_is(bench: Bench, mv: int, counts: int) -> None:
    run = bench.run(Stimulus(end_ns=500_000_000, pressure_mv=[mv]))
    boot = both_decoders.decode(run.data).boots[0]
    assert {c for _, c in boot.samples} == {counts}
    assert len(boot.samples) >= 440


def test_pins_with_nothing_on_them_are_quiet(bench: Bench) -> None:
    boot = both_decoders.decode(bench.run(Stimulus(end_ns=2_000_000_000)).data).boots[0]
    assert {kind for kind, _, _ in boot.events} == {4}
