"""How long one hour of data takes to decode, beside a typed columnar CSV read of the same.

    python tests/bench/decode_bench.py [--runs N] [--minutes N]

The hour is what the reference rig sends of an engine at 850 rpm: 3.6 million pressure samples
in 180 000 frames, a spark every 720° and a crank mark every turn with the frame of the same
20 ms, hello and dropped counters each second. It is fed in blocks of 256 kB, as files are read.
The CSV holds tick and counts of the same samples and nothing else (no framing, no checksum),
and is read by the C engine of pandas and by pyarrow (one thread, and all threads) with the
column types given. Prints the best and the median of the runs, all in one process, and the
least processor time, by which the limit is judged: it does not count other programs' turns.
"""

from __future__ import annotations

import argparse
import io
import statistics
import sys
import time
from collections.abc import Callable

import numpy as np

from vaclog.wire.binary import BinaryDecoder
from vaclog.wire.columns import coalesce
from vaclog.wire.encode import BinaryEncoder, LinesEncoder
from vaclog.wire.lines import LinesDecoder
from vaclog.wire.messages import DeviceLoss, Hello, Message, Pressure, PulseKind, Pulses

SAMPLE_HZ = 1000
TICK_HZ = 2_000_000
RPM = 850
BLOCK = 1 << 18  # as vaclog.capture.open reads
LIMIT_MS = 100.0


def make_idle(minutes: int) -> list[Message]:
    """Return messages of an engine idling at 40 kPa with pulsation and noise."""
    rng = np.random.default_rng(1)
    n = minutes * 60 * SAMPLE_HZ
    ticks = np.arange(n, dtype=np.int64) * (TICK_HZ // SAMPLE_HZ)
    swing = 15 * np.sin(2 * np.pi * np.arange(n) * RPM / 30 / SAMPLE_HZ)
    counts = np.clip(123 + swing + rng.normal(0, 2, n), 0, 1023).astype(np.uint16)
    marks = np.arange(0, n / SAMPLE_HZ * TICK_HZ, TICK_HZ * 60 / RPM).astype(np.int64)
    sparks = marks[::2] + TICK_HZ // 200
    kinds = np.r_[np.full(len(marks), PulseKind.MARK), np.full(len(sparks), PulseKind.SPARK)]
    pulse_ticks = np.r_[marks, sparks]
    order = np.argsort(pulse_ticks, kind="stable")
    return [
        Hello(version=1, boot=1, tick_ns=500, adc_bits=10, device="bench"),
        DeviceLoss(events=0, samples=0, frames=0),
        Pressure(ticks=(ticks & 0xFFFFFFFF).astype(np.uint32), counts=counts),
        Pulses(
            kinds=kinds[order].astype(np.uint8),
            ticks=(pulse_ticks[order] & 0xFFFFFFFF).astype(np.uint32),
            values=np.zeros(len(order), np.int32),
        ),
    ]


def decode(decoder: BinaryDecoder | LinesDecoder, data: bytes) -> list[Message]:
    """Feed `data` in blocks, as a file is read."""
    messages: list[Message] = []
    for start in range(0, len(data), BLOCK):
        messages += decoder.feed(data[start : start + BLOCK])
    return messages + decoder.finish()


def csv_of(pressure: Pressure) -> bytes:
    """Return tick,counts lines."""
    pairs = zip(pressure.ticks.tolist(), pressure.counts.tolist(), strict=True)
    return b"tick,counts\n" + b"".join(b"%d,%d\n" % pair for pair in pairs)


def read_pandas(csv: bytes) -> object:
    import pandas as pd

    types = {"tick": np.uint32, "counts": np.uint16}
    return pd.read_csv(io.BytesIO(csv), dtype=types, engine="c")


def read_pyarrow(csv: bytes, *, threads: bool) -> object:
    import pyarrow as pa
    from pyarrow import csv as pa_csv

    return pa_csv.read_csv(
        pa.py_buffer(csv),
        read_options=pa_csv.ReadOptions(use_threads=threads),
        convert_options=pa_csv.ConvertOptions(
            column_types={"tick": pa.uint32(), "counts": pa.uint16()}
        ),
    )


def clock(name: str, runs: int, work: Callable[[], object]) -> float:
    """Print times in milliseconds; return the best of the processor's."""
    walls, busy = [], []
    for _ in range(runs):
        wall, cpu = time.perf_counter(), time.process_time()
        work()
        walls.append((time.perf_counter() - wall) * 1e3)
        busy.append((time.process_time() - cpu) * 1e3)
    print(
        f"{name:<40} best {min(walls):7.1f} ms, median {statistics.median(walls):7.1f} ms,"
        f" processor {min(busy):7.1f} ms"
    )
    return min(busy)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=7)
    parser.add_argument("--minutes", type=int, default=60)
    options = parser.parse_args()
    runs, hour = options.runs, make_idle(options.minutes)
    limit_ms = LIMIT_MS * options.minutes / 60
    binary = BinaryEncoder().encode(hour)
    decoded = coalesce(decode(BinaryDecoder(), binary))
    pressure = next(m for m in decoded if isinstance(m, Pressure))
    assert np.array_equal(pressure.counts, hour[2].counts)
    csv = csv_of(pressure)
    size = f"binary {len(binary) / 1e6:.1f} MB, CSV {len(csv) / 1e6:.1f} MB"
    print(f"{options.minutes} minutes: {len(pressure.ticks)} samples, {size}")
    best = clock("binary protocol, all checks", runs, lambda: decode(BinaryDecoder(), binary))
    readers = {
        "CSV, pandas C engine, typed": lambda: read_pandas(csv),
        "CSV, pyarrow, typed, one thread": lambda: read_pyarrow(csv, threads=False),
        "CSV, pyarrow, typed, all threads": lambda: read_pyarrow(csv, threads=True),
    }
    for name, read in readers.items():
        try:
            clock(name, min(runs, 3), read)
        except ImportError as error:
            print(f"{name:<40} not measured: {error}")
    for check in (False, True):
        text = LinesEncoder(check=check).encode(hour)
        name = f"text lines{' with checksums' if check else ''} ({len(text) / 1e6:.0f} MB)"
        clock(name, min(runs, 3), lambda text=text: decode(LinesDecoder(), text))
    print(f"limit {limit_ms:.1f} ms: {'kept' if best <= limit_ms else 'MISSED'}")
    return 0 if best <= limit_ms else 1


if __name__ == "__main__":
    sys.exit(main())
