"""Compares what was decoded with the pin edges and voltages that the chip was given.

Enters: one decoded boot, the emulated time of its tick 0, the stimulus. Leaves: assertions.
"""

from __future__ import annotations

import numpy as np
from harness import COIL, MARK, SPARK, TICK_NS, Stimulus, counts_of_mv
from plain_decoder import Boot

KIND = {SPARK: 1, COIL: 2, MARK: 3}
BODY_KIND = 4

# Error of a tick in microseconds. Spark: hardware capture, a tick is 0.5 us and is rounded
# down, injection is at most 3 cycles late. Mark: the handler saves registers first (1.4 us) and
# may wait for another handler (9.3 us). Coil lead: it may wait for the mark's handler as well.
ERROR_US = {SPARK: (-0.75, 0.75), MARK: (1.0, 11.0), COIL: (1.0, 18.0)}
PERIOD_TICKS = 2000
# From the start of a conversion until the emulated input is taken (see runner.c).
APERTURE_NS = 12_000


def tick_ns(ticks: list[int] | np.ndarray, zero_ns: int, first_tick: int = 0) -> np.ndarray:
    """Emulated time of raw ticks; only for runs shorter than the wrap of 2147 s."""
    since = (np.asarray(ticks, dtype=np.int64) - first_tick) % 2**32
    return since * TICK_NS + zero_ns


def check_pulses(
    boot: Boot,
    pin: tuple[str, int],
    falls_ns: np.ndarray,
    zero_ns: int,
    *,
    first_tick: int = 0,
    all_of_them: bool = True,
) -> np.ndarray:
    """Each event belongs to an edge and each edge has one event; returns the errors in us.

    With ``all_of_them`` False edges may be missing, but nothing may be invented or doubled.
    """
    falls_ns = np.sort(np.asarray(falls_ns, dtype=np.int64))
    got_ns = np.sort(tick_ns(boot.of_kind(KIND[pin]), zero_ns, first_tick))
    if all_of_them:
        assert len(got_ns) == len(falls_ns)
    low, high = ERROR_US[pin]
    at = np.searchsorted(falls_ns, got_ns - low * 1000, side="right") - 1
    assert (at >= 0).all()
    assert len(np.unique(at)) == len(at)
    error_us = (got_ns - falls_ns[at]) / 1000
    assert len(error_us) == 0 or (error_us.min() >= low and error_us.max() <= high)
    return error_us


def check_samples(
    boot: Boot, stimulus: Stimulus, zero_ns: int, *, first_tick: int = 0
) -> tuple[int, int]:
    """Every sample has its input's counts and stands in the 1 kHz; returns (delivered, missing)."""
    assert boot.samples
    ticks, counts = (np.array(column) for column in zip(*boot.samples, strict=True))
    at_ns = tick_ns(ticks, zero_ns, first_tick) + APERTURE_NS
    slot_us = at_ns % stimulus.grid_ns / 1000
    # The table steps in the middle between two samples, so the count must be exact.
    assert slot_us.min() > 100 and slot_us.max() < stimulus.grid_ns / 1000 - 100
    table = np.asarray(stimulus.pressure_mv)
    index = np.minimum(at_ns // stimulus.grid_ns, len(table) - 1)
    np.testing.assert_array_equal(counts, counts_of_mv(table[index]))
    steps = np.diff(np.sort(at_ns)) / (PERIOD_TICKS * TICK_NS)
    whole = np.round(steps)
    assert (whole >= 1).all()
    assert np.abs(steps - whole).max() < 0.02  # a handler's latency, 20 us
    assert abs(np.median(steps) - 1) < 1e-4  # within a block: the period that the frame names
    return len(counts), int((whole - 1).sum())


def check_body(boot: Boot, stimulus: Stimulus, zero_ns: int) -> int:
    """Every body reading has its input's counts and a place in the 50 Hz; returns the missing."""
    readings = [(tick, value) for kind, tick, value in boot.events if kind == BODY_KIND]
    assert readings
    ticks, counts = (np.array(column) for column in zip(*readings, strict=True))
    at_ns = tick_ns(ticks, zero_ns) + APERTURE_NS
    table = np.asarray(stimulus.body_mv)
    index = np.minimum(at_ns // stimulus.grid_ns, len(table) - 1)
    np.testing.assert_array_equal(counts, counts_of_mv(table[index]))
    steps = np.diff(np.sort(at_ns)) / 20e6
    whole = np.round(steps)
    assert (whole >= 1).all() and np.abs(steps - whole).max() < 0.01
    return int((whole - 1).sum())
