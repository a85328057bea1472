"""From what the device recorded to bytes: binary frames in chunks, or text lines.

Enters: boots of :func:`vaclog.simulator.rig.record`. Leaves: bytes with the host's arrival
times, made by the wire room's encoders.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vaclog.simulator.rig import MARKER, Boot, RigSpec
from vaclog.wire.binary_layout import (
    DROPPED,
    EVENT,
    HELLO,
    MAX_EVENTS,
    PRESSURE_HEAD,
    TYPE_DROPPED,
    TYPE_EVENTS,
    TYPE_HELLO,
    TYPE_PRESSURE,
)
from vaclog.wire.encode import BinaryEncoder, LinesEncoder
from vaclog.wire.messages import Hello, Marker, Message, Pressure, Pulses

FRAME_SAMPLES = 20
BYTE_S = 10 / 500_000  # 8N1 at 500 000 baud
READ_S = 0.016  # a USB serial bridge hands bytes over about so often
NAME = "simulated-rig"
FIRST_BOOT = 4711
WRAP = 1 << 32

Chunks = list[tuple[int, bytes]]


def binary_chunks(boots: list[Boot], rig: RigSpec, rng: np.random.Generator) -> Chunks:
    """Frames of the binary protocol as a host's reads: (arrival in µs, bytes).

    Parameters
    ----------
    boots
        What the device recorded.
    rig
        For tick, sample period and resolution.
    rng
        For the delays of the host.
    """
    times: list[float] = []
    frames: list[bytes] = []
    for number, boot in enumerate(boots):
        encoder = BinaryEncoder()
        frames.append(b"\x00")
        times.append(boot.start_s)
        for at, kind, body in _frames(boot, rig, number):
            frames.append(encoder.frame(kind, body))
            times.append(at)
    return _reads(np.array(times), frames, rng)


def _frames(boot: Boot, rig: RigSpec, number: int) -> list[tuple[float, int, bytes]]:
    """All frames of one boot with the time at which the device has them ready."""
    tick_s = boot.seconds_per_tick

    def when(tick: int) -> float:
        return boot.true_start_s + (tick - boot.first_tick) * tick_s

    hello = HELLO.pack(1, FIRST_BOOT + number, rig.tick_ns, rig.adc_bits) + NAME.encode()
    lost = DROPPED.pack(0, 0, 0)
    out: list[tuple[float, int, bytes]] = []
    for second in np.arange(boot.start_s, boot.end_s, 1.0).tolist():
        out.append((second, TYPE_HELLO, hello))
        out.append((second, TYPE_DROPPED, lost))
    period = round(rig.sample_period_us * 1000 / rig.tick_ns)
    counts = boot.sample_counts.astype("<u2").tobytes()
    ticks = boot.sample_tick.tolist()
    events = np.zeros(len(boot.pulse_tick), dtype=EVENT)
    events["kind"] = boot.pulse_kind
    events["tick"] = (boot.pulse_tick % WRAP).astype(np.uint32)
    events["value"] = boot.pulse_value
    # Events wait for the end of the pressure frame in which they fall.
    ends = boot.sample_tick[FRAME_SAMPLES - 1 :: FRAME_SAMPLES] + 208
    upto = np.searchsorted(boot.pulse_tick, ends).tolist()
    done = 0
    for f, (end, stop) in enumerate(zip(ends.tolist(), upto, strict=True)):
        first = f * FRAME_SAMPLES
        ready = when(end)
        for begin in range(done, stop, MAX_EVENTS):
            part = events[begin : min(begin + MAX_EVENTS, stop)].tobytes()
            out.append((ready, TYPE_EVENTS, part))
        done = stop
        head = PRESSURE_HEAD.pack(ticks[first] % WRAP, period)
        body = head + counts[2 * first : 2 * (first + FRAME_SAMPLES)]
        out.append((ready, TYPE_PRESSURE, body))
    out.sort(key=lambda item: item[0])
    return out


def _reads(ready_s: NDArray[np.float64], frames: list[bytes], rng: np.random.Generator) -> Chunks:
    """Group frames into the reads of a host: a poll each 16 ms or so, now and then late."""
    sizes = np.array([len(f) for f in frames])
    sent = np.maximum.accumulate(ready_s + sizes * BYTE_S)
    # Polls wander against the frames, so that now and then one comes just after a frame.
    polls = int(sent[-1] / READ_S * 1.1) + 4
    edges = np.cumsum(READ_S * rng.uniform(0.8, 1.2, polls))
    edges = edges[: np.searchsorted(edges, sent[-1]) + 2]
    late = rng.exponential(0.0006, len(edges)) + np.where(
        rng.random(len(edges)) < 0.003, rng.uniform(0.0, 0.06, len(edges)), 0.0
    )
    arrive = np.maximum.accumulate(edges + late)
    which = np.searchsorted(edges, sent)
    chunks: Chunks = []
    cuts = np.flatnonzero(np.diff(which)) + 1
    for begin, end in zip([0, *cuts.tolist()], [*cuts.tolist(), len(frames)], strict=True):
        at = int(arrive[which[begin]] * 1e6)
        chunks.append((at, b"".join(frames[begin:end])))
    return chunks


def messages(boot: Boot, rig: RigSpec) -> list[Message]:
    """What the device recorded in one boot, as messages of the wire."""
    wanted = boot.pulse_kind != MARKER
    return [
        Hello(version=1, boot=0, tick_ns=rig.tick_ns, adc_bits=rig.adc_bits, device=NAME),
        Pressure(
            ticks=(boot.sample_tick % WRAP).astype(np.uint32),
            counts=boot.sample_counts.astype(np.uint16),
        ),
        Pulses(
            kinds=boot.pulse_kind[wanted].astype(np.uint8),
            ticks=(boot.pulse_tick[wanted] % WRAP).astype(np.uint32),
            values=boot.pulse_value[wanted].astype(np.int32),
        ),
        *(Marker(tick=t % WRAP) for t in boot.pulse_tick[~wanted].tolist()),
    ]


def text_lines(boots: list[Boot], rig: RigSpec) -> bytes:
    """Text lines version 1, in order of time; a restarted sketch prints its first line again."""
    return b"".join(LinesEncoder().encode(messages(boot, rig)) for boot in boots)
