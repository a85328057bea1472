"""Content decides between frames and text lines."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from wire_cases import (
    binary_stream,
    by_bytes,
    counts,
    cuts_of,
    frame,
    gap_kinds,
    gaps,
    hello_body,
    pressure_body,
    run,
)

from vaclog.wire.columns import same_messages
from vaclog.wire.detect import StreamDecoder
from vaclog.wire.framing import MAX_FRAME
from vaclog.wire.lines import MAX_LINE
from vaclog.wire.messages import GapKind

HEADER = b"# vaclog-lines 1 tick_ns=500 adc_bits=10\n"
TEXT = HEADER + b"".join(b"P %d %d\n" % (n * 2000, n) for n in range(20))
BINARY = frame(1, 0, hello_body()) + b"".join(
    frame(2, n + 1, pressure_body(n * 2000, [n])) for n in range(20)
)
TWENTY = list(range(20))


@pytest.mark.parametrize(
    ("stream", "expected"),
    [
        (BINARY, "binary"),
        (b"\0" + BINARY, "binary"),
        (BINARY[5:], "binary"),
        (TEXT, "lines"),
        (TEXT.replace(b"\n", b"\r\n"), "lines"),
        (b"# vaclog-lines 1 tick_ns=500 adc_bits=10", "lines"),
        (b"# vaclog-lines 9 of the future\n", "lines"),
        (TEXT[len(HEADER) :], "lines"),
        (b"P 1 2\n", "lines"),
        (b"P 1 2", "lines"),
        (b"", None),
        (b"\0\0\0", None),
        (b"time,pressure\n1,2\n3,4\n", None),
        (b"P 1 2\nfoo\nP 1 2\nfoo\nP 3 4\nfoo\n", None),
        (bytes(range(256)) * 40, None),
    ],
)
def test_the_format_is_told_by_the_content(stream: bytes, expected: str | None) -> None:
    for feed in (run, by_bytes):
        decoder = StreamDecoder()
        messages = feed(decoder, stream)
        assert decoder.format == expected
        if expected is None and stream:
            assert gap_kinds(messages) == [GapKind.CONTENT]


def test_everything_from_the_first_evidence_on_is_decoded() -> None:
    for stream in (TEXT, BINARY):
        decoder = StreamDecoder()
        messages = run(decoder, stream)
        assert counts(messages) == TWENTY
        assert not gaps(messages)
        assert (decoder.lines, decoder.frames) in [(21, 0), (0, 21)]


def test_what_a_board_says_before_its_stream_is_reported_but_does_not_mislead() -> None:
    """A boot message of its loader, then text or frames; places still count from the start."""
    chatter = b"loader 3.1\r\nready\r\n\r\n"
    decoder = StreamDecoder()
    messages = run(decoder, chatter + TEXT + b"?\n")
    assert counts(messages) == TWENTY
    assert [(g.line, g.lost) for g in gaps(messages)] == [(1, 2), (25, 1)]
    assert decoder.lines_skipped == 3
    assert decoder.lines == 25
    assert gaps(messages)[1].offset == len(chatter + TEXT)
    assert gaps(messages)[0].detail == f"{len(chatter)} bytes before the first text line"

    noise = b"\x91\x92\0\x93\x94\0" + chatter + b"\0"
    decoder = StreamDecoder()
    messages = run(decoder, noise + BINARY + b"\x05\x11\0")
    assert counts(messages) == TWENTY
    assert [g.offset for g in gaps(messages)] == [0, len(noise + BINARY)]
    assert decoder.gaps == 2
    assert gaps(messages)[0].detail == f"{len(noise)} bytes before the first frame"


def test_nothing_is_counted_before_anything_is_known() -> None:
    decoder = StreamDecoder()
    decoder.feed(b"what is this?\n\0")
    assert (decoder.frames, decoder.lines, decoder.lines_skipped, decoder.gaps) == (0, 0, 0, 0)
    assert (decoder.format, decoder.future_version, decoder.header_problem) == (None, None, "")


def test_a_stream_that_begins_inside_a_frame_has_lost_nothing() -> None:
    decoder = StreamDecoder()
    messages = run(decoder, BINARY[7:])
    assert counts(messages) == TWENTY
    assert not gaps(messages)
    assert decoder.gaps == 0


def test_text_without_a_header_says_what_is_missing() -> None:
    decoder = StreamDecoder()
    messages = run(decoder, TEXT[len(HEADER) :])
    assert not counts(messages)
    assert decoder.lines_skipped == 20
    assert "header" in gaps(messages)[0].detail


def test_problems_of_the_header_and_newer_versions_show_outside() -> None:
    decoder = StreamDecoder()
    decoder.feed(b"# vaclog-lines 1 tick_ns=500\n")
    assert decoder.header_problem == "the header has no adc_bits"
    decoder = StreamDecoder()
    decoder.feed(b"# vaclog-lines 3\n")
    assert decoder.future_version == 3
    decoder = StreamDecoder()
    decoder.feed(frame(1, 0, hello_body(version=4)))
    assert decoder.future_version == 4


@given(st.data())
def test_any_chunking_gives_the_same_messages(data: st.DataObject) -> None:
    prefix = data.draw(st.binary(max_size=700))
    stream = data.draw(st.sampled_from([TEXT, b"".join(data.draw(binary_stream()))]))
    stream = prefix + stream
    whole, cut, single = StreamDecoder(), StreamDecoder(), StreamDecoder()
    messages = run(whole, stream)
    assert same_messages(messages, run(cut, stream, data.draw(cuts_of(len(stream)))))
    assert same_messages(messages, by_bytes(single, stream))
    assert (whole.format, whole.gaps, whole.lines_skipped) == (
        cut.format,
        cut.gaps,
        cut.lines_skipped,
    )


@settings(max_examples=20)
@given(st.integers(0, 1 << 30), st.sampled_from([b"", b"\0", b"\n", b"\0\n"]))
def test_memory_stays_bounded_on_endless_garbage(seed: int, without: bytes) -> None:
    rng = random.Random(seed)
    decoder = StreamDecoder()
    for _ in range(150):
        decoder.feed(rng.randbytes(rng.randint(0, 200)).translate(None, without))
        assert decoder.buffered <= 3 * (MAX_LINE + 1) + MAX_FRAME
    assert counts(decoder.feed(b"\0\n" + BINARY)) == TWENTY
