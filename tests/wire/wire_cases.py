"""What the tests of the wire share: streams made from the protocol's text alone, strategies.

The frame builder here follows firmware_notes/protocol.md and the COBS paper and uses fastcrc;
it shares no code with the package.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import Any

import fastcrc
import numpy as np
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from vaclog.wire.messages import Gap, GapKind, Hello, Marker, Message, Pressure, Pulses


def stuff(data: bytes) -> bytes:
    """COBS by the paper: each code byte counts the bytes up to the next zero."""
    out = bytearray()
    block = bytearray()
    full = False  # a block of 254 implies no zero, so none may follow at the very end
    for byte in data:
        full = False
        if byte:
            block.append(byte)
            if len(block) == 254:
                out += b"\xff" + block
                block.clear()
                full = True
        else:
            out += bytes((len(block) + 1,)) + block
            block.clear()
    return bytes(out if full else out + bytes((len(block) + 1,)) + block)


def frame(kind: int, sequence: int, body: bytes) -> bytes:
    """One frame by the protocol's text."""
    payload = bytes((kind, sequence & 0xFF)) + body
    crc = fastcrc.crc16.ibm_3740(payload)
    return stuff(payload + struct.pack(">H", crc)) + b"\0"


def hello_body(*, version: int = 1, boot: int = 7, bits: int = 10, name: bytes = b"rig") -> bytes:
    return struct.pack("<BHHB", version, boot, 500, bits) + name


def pressure_body(tick: int, counts: Sequence[int], period: int = 2000) -> bytes:
    return struct.pack(f"<IH{len(counts)}H", tick & 0xFFFFFFFF, period, *counts)


def events_body(events: Iterable[tuple[int, int, int]]) -> bytes:
    return b"".join(struct.pack("<BIh", kind, tick, value) for kind, tick, value in events)


def run(decoder: Any, data: bytes, cuts: Iterable[int] | None = None) -> list[Message]:
    """Feed `data` cut at the given places, or whole."""
    edges = [0, *sorted(cuts or ()), len(data)]
    messages: list[Message] = []
    for start, end in pairwise(edges):
        messages += decoder.feed(data[start:end])
    return messages + decoder.finish()


def by_bytes(decoder: Any, data: bytes) -> list[Message]:
    return run(decoder, data, range(1, len(data)))


def gaps(messages: Iterable[Message]) -> list[Gap]:
    return [m for m in messages if isinstance(m, Gap)]


def gap_kinds(messages: Iterable[Message]) -> list[GapKind]:
    return [gap.kind for gap in gaps(messages)]


def counts(messages: Iterable[Message]) -> list[int]:
    return [int(c) for m in messages if isinstance(m, Pressure) for c in m.counts]


def ticks(messages: Iterable[Message]) -> list[int]:
    return [int(t) for m in messages if isinstance(m, Pressure) for t in m.ticks]


def pulses(messages: Iterable[Message]) -> list[tuple[int, int, int]]:
    return [
        (int(kind), int(tick), int(value))
        for m in messages
        if isinstance(m, Pulses)
        for kind, tick, value in zip(m.kinds, m.ticks, m.values, strict=True)
    ]


def only(kind: type, messages: Iterable[Message]) -> list[Any]:
    return [m for m in messages if isinstance(m, kind)]


def cuts_of(length: int) -> st.SearchStrategy[list[int]]:
    """Places at which to cut a stream."""
    return st.lists(st.integers(0, length), max_size=12)


VERSIONS = st.sampled_from([1, 1, 1, 2])


@st.composite
def binary_stream(draw: st.DrawFn, min_frames: int = 1, max_frames: int = 12) -> list[bytes]:
    """Frames of a device that runs well: hello, pressure, events, dropped, unknown types."""
    sequence = draw(st.integers(0, 255))
    tick = draw(st.integers(0, 0xFFFFFFFF))
    frames = [frame(1, sequence, hello_body())]
    for number in range(draw(st.integers(min_frames, max_frames))):
        kind = draw(st.sampled_from([1, 2, 2, 2, 3, 3, 4, 9]))
        if kind == 1:
            body = hello_body(boot=draw(st.sampled_from([7, 7, 8])), version=draw(VERSIONS))
        elif kind == 2:
            values = draw(st.lists(st.integers(0, 1023), min_size=1, max_size=20))
            body = pressure_body(tick + number * 40000, values)
        elif kind == 3:
            body = events_body(
                (draw(st.integers(0, 7)), (tick + number * 40000) & 0xFFFFFFFF, value)
                for value in draw(
                    st.lists(st.integers(-(1 << 15), (1 << 15) - 1), min_size=1, max_size=30)
                )
            )
        elif kind == 4:
            body = struct.pack("<HHH", 0, draw(st.integers(0, 65535)), 0)
        else:
            body = draw(st.binary(max_size=40))
        frames.append(frame(kind, sequence + 1 + number, body))
    return frames


@st.composite
def timed_messages(draw: st.DrawFn) -> list[Message]:
    """A hello, then pressure, pulses and markers in order of time within half a second steps."""
    start = draw(st.integers(0, 0xFFFFFFFF))
    count = draw(st.integers(2, 30))
    steps = draw(hnp.arrays(np.int64, count, elements=st.integers(1, 50_000)))
    at = ((start + np.cumsum(steps)) & 0xFFFFFFFF).astype(np.uint32)
    values = draw(hnp.arrays(np.uint16, count, elements=st.integers(0, 1023)))
    kinds = draw(hnp.arrays(np.uint8, count, elements=st.integers(1, 4)))
    body = draw(hnp.arrays(np.int32, count, elements=st.integers(-(1 << 15), (1 << 15) - 1)))
    text = draw(st.sampled_from(["", "tap", "hose back on"]))
    return [
        Hello(version=1, boot=0, tick_ns=500, adc_bits=10, device="rig"),
        Pressure(ticks=at, counts=values),
        Pulses(kinds=kinds, ticks=at, values=np.where(kinds == 4, body, 0).astype(np.int32)),
        Marker(tick=int(at[0]), text=text),
    ]
