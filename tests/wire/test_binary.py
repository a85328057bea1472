"""The binary decoder, fed with streams made from the protocol's text."""

from __future__ import annotations

import random
import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from wire_cases import (
    binary_stream,
    by_bytes,
    counts,
    cuts_of,
    events_body,
    frame,
    gap_kinds,
    gaps,
    hello_body,
    only,
    pressure_body,
    pulses,
    run,
    stuff,
    ticks,
)

from vaclog.wire.binary import BinaryDecoder
from vaclog.wire.columns import coalesce, same_messages
from vaclog.wire.framing import MAX_FRAME
from vaclog.wire.messages import DeviceLoss, GapKind, Hello, Marker, Pressure

HELLO = frame(1, 0, hello_body())


def block(sequence: int, first: int = 0) -> bytes:
    """A pressure frame of two samples whose counts tell which it is."""
    return frame(2, sequence, pressure_body(sequence * 4000, [first + sequence, 512]))


def test_every_field_of_the_protocol_arrives() -> None:
    stream = b"".join(
        [
            b"\0",
            frame(1, 250, struct.pack("<BHHB", 1, 0xBEEF, 500, 10) + b"bench rig"),
            frame(4, 251, struct.pack("<HHH", 1, 2, 65535)),
            frame(2, 252, struct.pack("<IH3H", 0xFFFFFFFE, 2, 0, 511, 1023)),
            frame(3, 253, events_body([(1, 5, 0), (2, 6, 0), (3, 7, 0), (4, 8, -300)])),
            frame(3, 254, events_body([(5, 0xFFFFFFFF, 0)])),
            frame(2, 255, struct.pack("<IHH", 6, 2, 7)),
            frame(9, 0, b"a type of the future"),
            frame(3, 1, events_body([(77, 1, 1), (1, 9, 0)])),
        ]
    )
    decoder = BinaryDecoder()
    messages = coalesce(run(decoder, stream))
    assert messages[0] == Hello(
        version=1, boot=0xBEEF, tick_ns=500, adc_bits=10, device="bench rig"
    )
    assert counts(messages) == [0, 511, 1023, 7]
    assert ticks(messages) == [0xFFFFFFFE, 0, 2, 6]  # ticks run through the wrap
    assert pulses(messages) == [(1, 5, 0), (2, 6, 0), (3, 7, 0), (4, 8, -300), (1, 9, 0)]
    assert only(Marker, messages) == [Marker(tick=0xFFFFFFFF)]
    assert only(DeviceLoss, messages) == [DeviceLoss(events=1, samples=2, frames=65535)]
    assert not gaps(messages)
    assert (decoder.frames, decoder.gaps) == (8, 0)


def test_equal_hellos_and_counters_are_said_once_and_a_boot_parts_the_data() -> None:
    dropped = struct.pack("<HHH", 0, 0, 3)
    stream = b"".join(
        [
            HELLO,
            frame(4, 1, dropped),
            block(2),
            frame(1, 3, hello_body()),
            frame(4, 4, dropped),
            block(5),
            b"\x05\x11\0",  # cut by the reset
            frame(1, 0, hello_body(boot=8)),
            frame(4, 1, dropped),
            block(2, 100),
        ]
    )
    messages = run(BinaryDecoder(), stream)
    kinds = [type(m).__name__ for m in messages]
    assert kinds == ["Hello", "Pressure", "DeviceLoss", "Gap", "Hello", "Pressure", "DeviceLoss"]
    assert counts(messages[:4]) == [2, 512, 5, 512]
    assert counts(messages[4:]) == [102, 512]
    assert gap_kinds(messages) == [GapKind.FRAMING]  # the reset itself loses no frame


def test_data_before_the_first_hello_are_kept() -> None:
    messages = run(BinaryDecoder(), b"\x33\x44\0" + block(5) + frame(1, 6, hello_body()))
    assert [type(m).__name__ for m in messages] == ["Pressure", "Gap", "Hello"]
    assert gaps(messages)[0].lost == 0  # a stream may begin inside a frame


BAD = {
    "bit flipped": (b"".join([HELLO, block(1)]) + bytes([block(2)[0], block(2)[1] ^ 8]))
    + block(2)[2:]
    + block(3),
    "byte lost": HELLO + block(1) + block(2)[:4] + block(2)[5:] + block(3),
    "byte doubled": HELLO + block(1) + block(2)[:5] + block(2)[4:] + block(3),
    "cut short": HELLO + block(1) + block(2)[:6] + b"\0" + block(3),
    "zero inside": HELLO + block(1) + block(2)[:6] + b"\0" + block(2)[7:] + block(3),
    "code past the end": HELLO + block(1) + b"\x05\x11\x22\0" + block(3),
    "too short": HELLO + block(1) + stuff(b"\x1d\x0f") + b"\0" + block(3),
    "too long": HELLO + block(1) + b"\x22" * 400 + b"\0" + block(3),
}


@pytest.mark.parametrize("name", BAD)
def test_a_damaged_frame_costs_itself_alone(name: str) -> None:
    """Frame 2 is gone, 1 and 3 are there, and the jump of the number is not counted twice."""
    for messages in (run(BinaryDecoder(), BAD[name]), by_bytes(BinaryDecoder(), BAD[name])):
        assert counts(messages) == [1, 512, 3, 512]
        assert set(gap_kinds(messages)) <= {GapKind.FRAMING, GapKind.CHECKSUM}
        assert len(gaps(messages)) == (2 if name == "zero inside" else 1)


CONTENT = {
    "hello too short": (1, b"\x01\x02"),
    "hello without tick": (1, struct.pack("<BHHB", 1, 9, 0, 10)),
    "hello with no bits": (1, struct.pack("<BHHB", 1, 9, 500, 0)),
    "hello with too long a name": (1, hello_body(name=b"n" * 25)),
    "hello of version 0": (1, hello_body(version=0)),
    "pressure without samples": (2, pressure_body(1, [])),
    "pressure with half a sample": (2, pressure_body(1, [5]) + b"\x01"),
    "pressure without head": (2, b"\x01"),
    "pressure with 101 samples": (2, pressure_body(1, [5] * 101)),
    "events, none": (3, b""),
    "events, half of one": (3, events_body([(1, 2, 0)]) + b"\x01"),
    "events, 31": (3, events_body([(1, 2, 0)] * 31)),
    "dropped too long": (4, b"1234567"),
}


@pytest.mark.parametrize("name", CONTENT)
def test_sound_frames_with_impossible_content(name: str) -> None:
    kind, body = CONTENT[name]
    messages = run(BinaryDecoder(), HELLO + block(1) + frame(kind, 2, body) + block(3))
    assert counts(messages) == [1, 512, 3, 512]
    assert gap_kinds(messages) == [GapKind.CONTENT]
    assert len(only(Hello, messages)) == 1


def test_a_count_beyond_the_converter_is_a_gap() -> None:
    bad = frame(2, 2, pressure_body(1, [5, 1024]))
    messages = run(BinaryDecoder(), HELLO + block(1) + bad + block(3))
    assert counts(messages) == [1, 512, 3, 512]
    assert gap_kinds(messages) == [GapKind.RANGE]
    fine = frame(1, 0, hello_body(bits=16)) + frame(2, 1, pressure_body(1, [5, 65535]))
    assert counts(run(BinaryDecoder(), fine)) == [5, 65535]


def test_a_boot_with_another_converter_has_its_own_range() -> None:
    """Also where both boots come in one feed."""
    fine = frame(1, 0, hello_body(boot=1, bits=12)) + frame(2, 1, pressure_body(1, [4095]))
    coarse = frame(1, 0, hello_body(boot=2)) + frame(2, 1, pressure_body(1, [1024]))
    messages = run(BinaryDecoder(), fine + coarse)
    assert counts(messages) == [4095]
    assert gap_kinds(messages) == [GapKind.RANGE]
    assert counts(run(BinaryDecoder(), coarse + fine)) == [4095]


def test_missing_frames_are_counted_across_the_wrap_of_the_number() -> None:
    stream = HELLO + b"".join(block(n & 0xFF) for n in [1, 2, 5, 254, 3])
    messages = run(BinaryDecoder(), stream)
    assert [(g.kind, g.lost) for g in gaps(messages)] == [
        (GapKind.SEQUENCE, 2),
        (GapKind.SEQUENCE, 248),
        (GapKind.SEQUENCE, 4),
    ]


def test_a_gap_names_the_byte_where_it_was_noticed() -> None:
    stream = HELLO + block(1) + b"\x05\x11\0" + block(3) + block(9)
    messages = run(BinaryDecoder(offset=1000), stream)
    at = 1000 + len(HELLO + block(1))
    assert [g.offset for g in gaps(messages)] == [at, at + 3 + len(block(3))]


def test_a_cut_in_mid_frame_is_a_gap_at_the_end() -> None:
    messages = run(BinaryDecoder(), HELLO + block(1) + block(2)[:-1])
    assert counts(messages) == [1, 512]
    assert [(g.kind, g.offset) for g in gaps(messages)] == [
        (GapKind.FRAMING, len(HELLO + block(1)))
    ]


def test_a_newer_version_is_said_once_and_its_data_are_left_alone() -> None:
    newer = frame(1, 2, hello_body(version=2) + b"of a new sort")
    again = frame(1, 4, hello_body(version=2, boot=9))
    stream = HELLO + block(1) + newer + block(3) + again + block(5)
    decoder = BinaryDecoder()
    messages = run(decoder, stream)
    assert counts(messages) == [1, 512]
    assert gap_kinds(messages) == [GapKind.VERSION]
    assert decoder.future_version == 2
    decoder = BinaryDecoder()
    messages = run(decoder, stream + frame(1, 6, hello_body(boot=10)) + block(7))
    assert counts(messages) == [1, 512, 7, 512]
    assert decoder.future_version is None


@given(st.data())
def test_any_chunking_gives_the_same_messages(data: st.DataObject) -> None:
    frames = data.draw(binary_stream())
    for _ in range(data.draw(st.integers(0, 3))):  # some damage
        place = data.draw(st.integers(0, len(frames) - 1))
        frames[place] = data.draw(st.binary(max_size=300))
    stream = b"".join(frames)
    whole = run(BinaryDecoder(), stream)
    assert same_messages(whole, run(BinaryDecoder(), stream, data.draw(cuts_of(len(stream)))))
    assert same_messages(whole, by_bytes(BinaryDecoder(), stream))


@given(st.data())
def test_any_single_damage_loses_at_most_the_frames_it_touches(data: st.DataObject) -> None:
    """All frames outside the damaged bytes arrive, whatever the damage is."""
    frames = [HELLO, *(block(n) for n in range(1, 12))]
    stream = b"".join(frames)
    start = data.draw(st.integers(0, len(stream) - 1))
    end = data.draw(st.integers(start + 1, min(len(stream), start + 40)))
    new = data.draw(st.binary(max_size=60))
    edges = [0]
    for one in frames:
        edges.append(edges[-1] + len(one))
    # The 0x00 in front of a frame belongs to what it needs.
    whole = {n for n in range(1, 12) if edges[n + 1] <= start or edges[n] - 1 >= end}
    messages = run(BinaryDecoder(), stream[:start] + new + stream[end:])
    arrived = [count for count in counts(messages) if count != 512]
    assert whole <= set(arrived)
    assert arrived == sorted(arrived)
    if arrived and arrived[-1] == 11:  # what came before the first frame cannot be known
        missing = 12 - arrived[0] - len(arrived)
        assert sum(gap.lost for gap in gaps(messages)) >= missing


@settings(max_examples=30)
@given(st.integers(0, 1 << 30), st.booleans())
def test_memory_stays_bounded_on_endless_garbage(seed: int, zeros: bool) -> None:
    decoder = BinaryDecoder()
    rng = random.Random(seed)
    for _ in range(200):
        piece = rng.randbytes(rng.randint(0, 90))
        messages = decoder.feed(piece if zeros else piece.replace(b"\0", b"\1"))
        assert decoder.buffered <= MAX_FRAME
        assert len(messages) <= len(piece) + 1
    assert decoder.gaps >= (10 if zeros else 1)
    after = decoder.feed(b"\0" + HELLO + block(1))
    assert counts(after) == [1, 512]


def test_sound_streams_take_the_fast_way(monkeypatch: pytest.MonkeyPatch) -> None:
    """All frames of a feed in one call; piece by piece only where something is wrong."""
    for module in ("binary", "batch"):
        name = f"vaclog.wire.{module}.unframe"
        monkeypatch.setattr(name, lambda _: pytest.fail("piece by piece"))
    stream = HELLO + b"".join(block(n) for n in range(1, 90))
    assert len(counts(run(BinaryDecoder(), b"\0" + stream + b"\0\0"))) == 2 * 89
    with pytest.raises(pytest.fail.Exception):
        run(BinaryDecoder(), stream + b"\x05\x11\0")


def test_a_long_stream_in_one_feed_is_one_pressure_message() -> None:
    stream = HELLO + b"".join(
        frame(2, n + 1, pressure_body(n * 4000, [n % 1024] * (1 + n % 3))) for n in range(3000)
    )
    messages = run(BinaryDecoder(), stream)
    assert len(only(Pressure, messages)) == 1
    assert counts(messages) == [n % 1024 for n in range(3000) for _ in range(1 + n % 3)]
    assert ticks(messages) == [n * 4000 + k * 2000 for n in range(3000) for k in range(1 + n % 3)]


@pytest.mark.parametrize("reads", [1, 2, 3])
def test_a_few_frames_a_read_tell_what_all_at_once_do(reads: int) -> None:
    """Small reads go a way of their own: the edges of what is plain, frame by frame."""
    frames = [
        HELLO,
        block(1),
        frame(3, 2, events_body([(1, 5, 0), (4, 6, -3)])),
        frame(2, 3, pressure_body(0xFFFFFFF0, [1023, 0], period=9)),
        frame(2, 4, pressure_body(7, [1024, 0])),  # beyond the converter
        frame(3, 5, events_body([(2, 7, 0), (5, 8, 0)])),  # a marker among pulses
        frame(3, 6, events_body([(3, 9, 0)])),
        block(7),
        frame(1, 8, hello_body()),
        frame(2, 10, pressure_body(3, [5] * 100)),  # one frame is missing
        frame(2, 11, b"\1\2\3\4\5\6"),  # no sample
        frame(4, 12, struct.pack("<HHH", 0, 0, 3)),
        frame(4, 13, struct.pack("<HHH", 0, 0, 3)),
        frame(3, 14, events_body([(1, 11, 0)])),
        frame(2, 15, pressure_body(4, [6, 7])),
    ]
    at_once, little = BinaryDecoder(), BinaryDecoder()
    whole = at_once.feed(b"".join(frames)) + at_once.finish()
    parts = [b"".join(frames[i : i + reads]) for i in range(0, len(frames), reads)]
    some = [message for part in parts for message in little.feed(part)] + little.finish()
    assert same_messages(coalesce(some), coalesce(whole))
    assert [g.offset for g in gaps(some)] == [g.offset for g in gaps(whole)]
    assert gap_kinds(some) == [GapKind.RANGE, GapKind.SEQUENCE, GapKind.CONTENT]
    assert (little.frames, little.gaps) == (at_once.frames, at_once.gaps) == (15, 3)
