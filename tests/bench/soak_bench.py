"""What a listener costs after hours: does a read of the eighth hour cost what the first ones did?

Feeds a session, with somebody who leads and without, as fast as it goes: ten minutes of idle with
a sweep there and back, again and again, by a device whose clock goes on. Prints, for the first and
the last ten minutes of the same run, milliseconds per read (mean and 99th percentile), the share
of one core that they are, memory, and the capture's size; then how long the answer takes at the
end, and time and memory of ``vaclog replay`` of that capture.

    python tests/bench/soak_bench.py [--hours 8] [--no-replay]
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from vaclog.capture.writer import CaptureWriter
from vaclog.cards import EngineCard, RigCard, engine_card, rig_card
from vaclog.guidance.guide import Guide
from vaclog.guidance.scene import Options
from vaclog.records import CardText, Chunk, PortOpened, Record
from vaclog.session import Leader, Session
from vaclog.simulator.emit import FRAME_SAMPLES, binary_chunks
from vaclog.simulator.presets import knobs, sweep_script
from vaclog.simulator.recording import Recording
from vaclog.simulator.rig import Boot

BLOCK_S = 600.0


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """What one block cost."""

    mean_ms: float
    p99_ms: float
    worst_ms: float
    core: float
    memory_mb: float


def one_block(seconds: float = BLOCK_S, seed: int = 2) -> Recording:
    """A long idle, a sweep there and back, a long idle."""
    hold_s = (seconds - 40.0) / 2.34
    script = sweep_script("there-and-back", 10.0, 30.0, rate_deg_s=1.0, hold_s=hold_s)
    return replace(knobs(), script=script).simulate(seed)


def again(boot: Boot, recording: Recording, number: int) -> tuple[Boot, int]:
    """The block once more, when the device's clock has gone on; and the host's time of it, µs."""
    period = round(recording.rig.sample_period_us * 1000 / recording.rig.tick_ns)
    samples = len(boot.sample_tick) // FRAME_SAMPLES * FRAME_SAMPLES
    length = samples * period
    shift = number * length
    within = boot.pulse_tick < boot.first_tick + length
    shifted = replace(
        boot,
        sample_tick=boot.sample_tick[:samples] + shift,
        sample_counts=boot.sample_counts[:samples],
        pulse_tick=boot.pulse_tick[within] + shift,
        pulse_kind=boot.pulse_kind[within],
        pulse_value=boot.pulse_value[within],
        first_tick=boot.first_tick + shift,
    )
    return shifted, round(shift * boot.seconds_per_tick * 1e6)


def blocks(recording: Recording, count: int) -> Iterator[list[Chunk]]:
    """The reads of each block."""
    boot = recording.boots[0]
    for number in range(count):
        shifted, host_us = again(boot, recording, number)
        made = binary_chunks([shifted], recording.rig, np.random.default_rng([7, number]))
        yield [Chunk(at_us=host_us + at_us, data=data) for at_us, data in made]


def resident_mb() -> float:
    """Memory of this process."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def feed(session: Session, chunks: list[Chunk], seconds: float) -> Stretch:
    """Feed one block; what it cost."""
    took = np.empty(len(chunks))
    for k, chunk in enumerate(chunks):
        start = time.perf_counter_ns()
        session.feed(chunk)
        took[k] = time.perf_counter_ns() - start
    took /= 1e6
    return Stretch(
        mean_ms=float(took.mean()),
        p99_ms=float(np.quantile(took, 0.99)),
        worst_ms=float(took.max()),
        core=float(took.sum() / 1e3 / seconds),
        memory_mb=resident_mb(),
    )


def first_records(recording: Recording) -> list[Record]:
    """Cards and port."""
    return [
        CardText(at_us=0, which="engine", toml=recording.engine_card_toml),
        CardText(at_us=0, which="rig", toml=recording.rig_card_toml),
        PortOpened(at_us=0, name="soak"),
    ]


def lead(engine: EngineCard, rig: RigCard, options: Options) -> Leader:
    """Who leads."""
    return Guide(engine, rig, options)


def soak(
    recording: Recording, count: int, *, led: bool, seconds: float = BLOCK_S
) -> tuple[list[Stretch], float]:
    """Cost of each block, and seconds that the answer took."""
    engine = engine_card(recording.engine_card_toml)
    session = Session(
        engine=engine, rig=rig_card(recording.rig_card_toml), lead=lead if led else None
    )
    stretches = [feed(session, chunks, seconds) for chunks in blocks(recording, count)]
    start = time.perf_counter()
    session.finish()
    return stretches, time.perf_counter() - start


def record(recording: Recording, count: int, path: Path) -> float:
    """Write the capture of the same run; its size in MB."""
    with CaptureWriter(path) as writer:
        for each in first_records(recording):
            writer.write(each)
        for chunks in blocks(recording, count):
            for chunk in chunks:
                writer.write(chunk)
    return path.stat().st_size / 1e6


def replayed(path: Path) -> tuple[float, float]:
    """Seconds and MB of `vaclog replay` in a process of its own."""
    start = time.perf_counter()
    subprocess.run(
        [sys.executable, "-m", "vaclog", "replay", str(path), "--json"],
        check=True,
        stdout=subprocess.DEVNULL,
    )
    took = time.perf_counter() - start
    return took, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1e3


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=8.0)
    parser.add_argument("--no-replay", action="store_true")
    given = parser.parse_args()
    count = max(2, round(given.hours * 3600 / BLOCK_S))
    recording = one_block()
    print(f"{count} blocks of ten minutes at 1 kHz and {knobs().engine.cylinders} cylinders")
    print("led   minutes          ms/read  99 %   worst   core    memory MB")
    for led in (False, True):
        stretches, answer_s = soak(recording, count, led=led)
        for number in sorted({0, count // 2, count - 1}):
            s = stretches[number]
            print(
                f"{'yes' if led else 'no ':4}  {10 * number:4} to {10 * number + 10:4}    "
                f"{s.mean_ms:8.3f} {s.p99_ms:6.2f} {s.worst_ms:7.1f} {s.core:6.1%} "
                f"{s.memory_mb:9.0f}",
                flush=True,
            )
        grown = (stretches[-1].memory_mb - stretches[0].memory_mb) / (count - 1) * 6
        print(
            f"      last to first {stretches[-1].mean_ms / stretches[0].mean_ms:.2f}; memory "
            f"{grown:.1f} MB/h; the answer took {answer_s:.1f} s",
            flush=True,
        )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "soak.vaclog"
        size = record(recording, count, path)
        print(f"capture {size:.1f} MB, {size / count * 6:.1f} MB/h")
        if not given.no_replay:
            took, memory = replayed(path)
            print(f"replay {took:.1f} s, {memory:.0f} MB")


if __name__ == "__main__":
    main()
