"""The encoders, read back by a reader written from the protocol's text."""

from __future__ import annotations

import struct

import fastcrc
import numpy as np
import pytest
from hypothesis import given
from wire_cases import by_bytes, timed_messages

from vaclog.wire.binary import BinaryDecoder
from vaclog.wire.columns import coalesce, same_messages
from vaclog.wire.detect import StreamDecoder
from vaclog.wire.encode import BinaryEncoder, LinesEncoder
from vaclog.wire.lines import LinesDecoder
from vaclog.wire.messages import DeviceLoss, Hello, Marker, Message, Pressure, Pulses

HELLO = Hello(version=1, boot=3, tick_ns=500, adc_bits=10, device="rig")


def unstuff(piece: bytes) -> bytes:
    """COBS by the paper, backwards."""
    out, at = bytearray(), 0
    while at < len(piece):
        code = piece[at]
        out += piece[at + 1 : at + code]
        at += code
        if code < 0xFF and at < len(piece):
            out.append(0)
    return bytes(out)


def payloads(stream: bytes) -> list[bytes]:
    """Frames of a stream, each checked by another library."""
    found = []
    for piece in stream.split(b"\0"):
        if piece:
            content = unstuff(piece)
            assert struct.unpack(">H", content[-2:])[0] == fastcrc.crc16.ibm_3740(content[:-2])
            found.append(content[:-2])
    return found


def pressure(start: int, count: int, step: int = 2000) -> Pressure:
    ticks = (start + np.arange(count) * step) % (1 << 32)
    return Pressure(ticks=ticks.astype(np.uint32), counts=np.arange(count).astype(np.uint16))


def spark(*at: int) -> Pulses:
    return Pulses(
        kinds=np.ones(len(at), np.uint8),
        ticks=np.array(at, np.uint32),
        values=np.zeros(len(at), np.int32),
    )


def test_frames_are_those_of_the_protocol() -> None:
    messages: list[Message] = [
        HELLO,
        DeviceLoss(events=1, samples=2, frames=3),
        pressure(1000, 45),
        spark(1500, 45_000),
        Marker(tick=90_000),
    ]
    found = payloads(BinaryEncoder(sequence=254).encode(messages))
    assert [p[1] for p in found] == [(254 + n) % 256 for n in range(len(found))]
    assert [p[0] for p in found] == [1, 4, 2, 3, 2, 3, 2, 3]
    assert found[0][2:] == struct.pack("<BHHB", 1, 3, 500, 10) + b"rig"
    assert found[1][2:] == struct.pack("<HHH", 1, 2, 3)
    assert found[2][2:] == struct.pack("<IH20H", 1000, 2000, *range(20))
    assert found[3][2:] == struct.pack("<BIh", 1, 1500, 0)
    assert found[4][2:] == struct.pack("<IH20H", 41000, 2000, *range(20, 40))
    assert found[5][2:] == struct.pack("<BIh", 1, 45000, 0)
    assert found[6][2:] == struct.pack("<IH5H", 81000, 2000, *range(40, 45))
    assert found[7][2:] == struct.pack("<BIh", 5, 90000, 0)


def test_hello_and_counters_are_repeated_each_second() -> None:
    messages = [HELLO, DeviceLoss(events=0, samples=0, frames=0), pressure(0, 3500)]
    kinds = [p[0] for p in payloads(BinaryEncoder().encode(messages))]
    assert kinds.count(1) == kinds.count(4) == 4
    assert np.diff(np.flatnonzero(np.array(kinds) == 1)).tolist() == [52, 52, 52]


def test_irregular_samples_are_cut_where_the_period_changes() -> None:
    at = [0, 10, 20, 25, 30, 100_000, 200_000, 150_000, 150_000]
    irregular = Pressure(ticks=np.array(at, np.uint32), counts=np.arange(9, dtype=np.uint16))
    stream = BinaryEncoder().encode([HELLO, irregular])
    assert same_messages(by_bytes(BinaryDecoder(), stream), [HELLO, irregular])


def test_text_lines_in_order_of_time_through_the_wrap() -> None:
    start = (1 << 32) - 3000
    messages: list[Message] = [
        HELLO,
        pressure(start, 3),
        Pulses(
            kinds=np.array([1, 4, 3], np.uint8),
            ticks=np.array([start + 1000, start + 2500, 500], np.uint32),
            values=np.array([0, -7, 0], np.int32),
        ),
        Marker(tick=200, text="hose\noff"),
    ]
    assert LinesEncoder().encode(messages).decode().splitlines() == [
        "# vaclog-lines 1 tick_ns=500 adc_bits=10 device=rig",
        "P 4294964296 0",
        "S 4294965296",
        "P 4294966296 1",
        "B 4294966796 -7",
        "M 200 hose off",
        "R 500",
        "P 1000 2",
    ]


def test_checksums_of_text_lines_are_those_of_another_library() -> None:
    for line in LinesEncoder(check=True).encode([HELLO, pressure(0, 5)]).splitlines():
        body, _, crc = line.rpartition(b" *")
        assert int(crc, 16) == fastcrc.crc16.ibm_3740(body)


@given(timed_messages())
def test_what_is_encoded_can_be_decoded(messages: list[Message]) -> None:
    """Both formats, told apart by content; texts of markers go as text only."""
    sent = [Marker(tick=m.tick) if isinstance(m, Marker) else m for m in messages]
    assert same_messages(by_bytes(StreamDecoder(), BinaryEncoder().encode(messages)), sent)
    for check in (False, True):
        text = LinesEncoder(check=check).encode(messages)
        got = coalesce(by_bytes(LinesDecoder(), text))
        # Equal ticks may change places between kinds; each column keeps its order.
        assert same_messages(got, messages)


def test_nothing_to_say_is_no_bytes() -> None:
    none = pressure(0, 0)
    assert BinaryEncoder().encode([]) == LinesEncoder().encode([]) == b""
    assert BinaryEncoder().encode([none, spark()]) == LinesEncoder().encode([none, spark()]) == b""


def test_what_cannot_be_said_is_refused() -> None:
    def body(counts: int) -> Pulses:
        return Pulses(
            kinds=np.array([4], np.uint8),
            ticks=np.array([1], np.uint32),
            values=np.array([counts], np.int32),
        )

    for counts in (-32769, 32768):
        with pytest.raises(ValueError, match="16-bit"):
            BinaryEncoder().encode([HELLO, body(counts)])
    for counts in (-32768, 32767):
        assert payloads(BinaryEncoder().encode([body(counts)]))[0].endswith(
            struct.pack("<h", counts)
        )
    with pytest.raises(ValueError, match="samples_per_frame"):
        BinaryEncoder(samples_per_frame=101)


def test_a_message_list_of_two_boots_stays_two() -> None:
    other = Hello(version=1, boot=4, tick_ns=500, adc_bits=10, device="rig")
    messages = [HELLO, pressure(0, 5), other, pressure(0, 6)]
    got = coalesce(by_bytes(BinaryDecoder(), BinaryEncoder().encode(messages)))
    assert same_messages(got, messages)
    assert not same_messages(got, messages[:2])
    assert not same_messages(got, [HELLO, pressure(0, 5), other, pressure(2, 6)])
    assert not same_messages(got, [HELLO, pressure(0, 5), other, spark(2)])
