"""The decoder of text lines: grammar, ticks, and the same answer however the text is cut."""

from __future__ import annotations

import random

import numpy as np
import pytest
from crccheck.crc import Crc16Ibm3740
from hypothesis import example, given, settings
from hypothesis import strategies as st
from wire_cases import (
    by_bytes,
    counts,
    cuts_of,
    gap_kinds,
    gaps,
    only,
    pulses,
    run,
    ticks,
)

from vaclog.wire.columns import coalesce, same_messages
from vaclog.wire.line_grammar import Record, parse_line
from vaclog.wire.line_table import parse_table
from vaclog.wire.lines import MAX_LINE, LinesDecoder
from vaclog.wire.messages import GapKind, Hello, Marker, Pressure
from vaclog.wire.ticks import CONFIRMING, MAX_HELD

HEADER = b"# vaclog-lines 1 tick_ns=500 adc_bits=10 device=hand\n"
SECOND = 2_000_000  # ticks
WRAP = 1 << 32


def checked(line: str) -> bytes:
    """A line with its checksum, by another library."""
    return f"{line} *{Crc16Ibm3740.calc(line.encode()):04X}\n".encode()


def samples(start: int, count: int = 8, *, step: int = 2000, first: int = 0) -> bytes:
    """Pressure lines whose counts tell which they are."""
    return b"".join(b"P %d %d\n" % ((start + n * step) % WRAP, first + n) for n in range(count))


def test_every_record_of_the_contract_arrives() -> None:
    text = HEADER + (
        b"P 4294967290 0\nP 100 1023\r\nB 110 -70000\nB 120 +5\nS 130\nC 140\nR 150\n"
        b"# a comment\n\nM 160\nM 170 hose *off*, said he\n"
    )
    decoder = LinesDecoder()
    messages = coalesce(run(decoder, text))
    assert messages[0] == Hello(version=1, boot=0, tick_ns=500, adc_bits=10, device="hand")
    assert list(zip(ticks(messages), counts(messages), strict=True)) == [
        (4294967290, 0),
        (100, 1023),
    ]
    assert pulses(messages) == [
        (4, 110, -70000),
        (4, 120, 5),
        (1, 130, 0),
        (2, 140, 0),
        (3, 150, 0),
    ]
    assert only(Marker, messages) == [
        Marker(tick=160),
        Marker(tick=170, text="hose *off*, said he"),
    ]
    assert not gaps(messages)
    assert (decoder.lines, decoder.lines_skipped, decoder.gaps) == (12, 0, 0)


SKIPPED = {
    b"P 1 2 3": GapKind.CONTENT,  # extra field
    b"S 1 2": GapKind.CONTENT,
    b"P 1": GapKind.CONTENT,
    b"P": GapKind.CONTENT,
    b"P  1 2": GapKind.CONTENT,  # two spaces
    b"P 1 2 ": GapKind.CONTENT,
    b" P 1 2": GapKind.CONTENT,
    b"P\t1\t2": GapKind.CONTENT,
    b"p 1 2": GapKind.CONTENT,
    b"X 1 2": GapKind.CONTENT,
    b"P -1 2": GapKind.CONTENT,
    b"P 1.0 2": GapKind.CONTENT,
    b"P 0x10 2": GapKind.CONTENT,
    b"P 1_0 2": GapKind.CONTENT,
    b"P 1 2e1": GapKind.CONTENT,
    b"P \xd9\xa1 2": GapKind.CONTENT,  # a digit of another script
    b"P 4294967296 2": GapKind.CONTENT,  # no 32-bit counter
    b"P 99999999999999999999 2": GapKind.CONTENT,
    b"P 1 1024": GapKind.RANGE,
    b"P 1 -1": GapKind.RANGE,
    b"P 1 99999999999999999999": GapKind.RANGE,
    b"B 1 2147483648": GapKind.RANGE,
    b"B 1 -": GapKind.CONTENT,
    b"B 1 --5": GapKind.CONTENT,
    b"\xff\xfe\x00": GapKind.CONTENT,
    b"garbage": GapKind.CONTENT,
    b"M": GapKind.CONTENT,
    b"M x": GapKind.CONTENT,
    b"P 1 2 *0000": GapKind.CHECKSUM,
    b"S 1 *12G4": GapKind.CONTENT,  # no checksum: an extra field
    b"S 1 *123": GapKind.CONTENT,
    b"P 1" + b"1" * 600: GapKind.CONTENT,
}


@pytest.mark.parametrize("line", SKIPPED)
@pytest.mark.parametrize("crowd", [1, 60], ids=["few lines", "many lines"])
def test_a_line_that_cannot_be_used_is_counted_and_named(line: bytes, crowd: int) -> None:
    """Both where lines are read one by one and where they are read as columns."""
    text = HEADER + samples(0, crowd) + line + b"\n" + samples(0, crowd, first=100)
    decoder = LinesDecoder()
    messages = run(decoder, text)
    assert counts(messages) == [*range(crowd), *range(100, 100 + crowd)]
    assert gap_kinds(messages) == [SKIPPED[line]]
    assert gaps(messages)[0].line == crowd + 2
    assert gaps(messages)[0].offset == len(HEADER + samples(0, crowd))
    assert decoder.lines_skipped == 1
    assert same_messages(messages, by_bytes(LinesDecoder(), text))


@pytest.mark.parametrize("crowd", [1, 60])
def test_checksums_are_taken_off_and_checked(crowd: int) -> None:
    # "S 123456789": the checksum of another library, so not this package's own opinion.
    lines = [checked(f"P {n * 100} {n}") for n in range(crowd)]
    lines += [checked("S 5"), checked("B 6 -7"), checked("M 8 a b"), checked("M 9")]
    text = HEADER + b"".join(lines) + checked("R 7").lower().replace(b"r", b"R")
    messages = coalesce(run(LinesDecoder(), text))
    assert counts(messages) == list(range(crowd))
    assert pulses(messages) == [(1, 5, 0), (4, 6, -7), (3, 7, 0)]
    assert only(Marker, messages) == [Marker(tick=8, text="a b"), Marker(tick=9)]
    assert not gaps(messages)


@given(st.integers(0, 40), st.integers(0, 7))
def test_a_flipped_bit_never_passes_a_checksum(place: int, bit: int) -> None:
    """A CRC-16 finds every single flipped bit."""
    line = bytearray(checked("P 123456 789")[:-1])
    line[place % len(line)] ^= 1 << bit
    text = HEADER + samples(123000) + bytes(line) + b"\n" + samples(124000)
    messages = run(LinesDecoder(), text)
    # The star or the space before it may be hit: then there is no checksum, but a field more.
    assert 789 not in counts(messages) or bytes(line).upper() == checked("P 123456 789")[:-1]


HEADERS = {
    b"# vaclog-lines 0 tick_ns=500 adc_bits=10\n": "begin with 1",
    b"# vaclog-lines 1 adc_bits=10\n": "tick_ns",
    b"# vaclog-lines 1 tick_ns=500\n": "adc_bits",
    b"# vaclog-lines 1 tick_ns=0 adc_bits=10\n": "tick_ns=0",
    b"# vaclog-lines 1 tick_ns=500 adc_bits=33\n": "adc_bits=33",
    b"# vaclog-lines 1 tick_ns=500 adc_bits=0\n": "adc_bits=0",
    b"# vaclog-lines 1 tick_ns=fast adc_bits=10\n": "tick_ns=fast",
}


@pytest.mark.parametrize("header", HEADERS)
def test_a_header_that_lacks_something_is_named(header: bytes) -> None:
    decoder = LinesDecoder()
    messages = run(decoder, header + samples(0, 3))
    assert HEADERS[header] in decoder.header_problem
    assert HEADERS[header] in gaps(messages)[0].detail
    assert gaps(messages)[0].line == 1
    assert not only(Pressure, messages)
    assert decoder.lines_skipped == 4


@pytest.mark.parametrize(
    "header",
    [
        b"# vaclog-lines 1 tick_ns=500 adc_bits=10\r\n",
        b"# vaclog-lines 1 adc_bits=10 tick_ns=500 colour=red\n",
        b"# vaclog-lines 1 adc_bits=2 tick_ns=1\n",
        b"\xef\xbb\xbf# vaclog-lines 1 tick_ns=500 adc_bits=10\n",  # saved by an editor
        checked("# vaclog-lines 1 tick_ns=500 adc_bits=10"),
        b"# a word before\n\n# vaclog-lines 1 tick_ns=500 adc_bits=10\n",
    ],
)
def test_headers_that_will_do(header: bytes) -> None:
    messages = run(LinesDecoder(), header + samples(0, 3))
    assert counts(messages) == [0, 1, 2]
    assert not gaps(messages)


def test_fine_converters_are_cut_to_sixteen_bits() -> None:
    text = b"# vaclog-lines 1 tick_ns=500 adc_bits=24\nP 1 16777215\nP 2 256\nP 3 255\n"
    messages = run(LinesDecoder(), text)
    assert only(Hello, messages)[0].adc_bits == 16
    assert counts(messages) == [65535, 1, 0]


def test_a_newer_version_is_said_once() -> None:
    decoder = LinesDecoder()
    messages = run(decoder, b"# vaclog-lines 2 whatever\n" + samples(0, 3))
    assert gap_kinds(messages) == [GapKind.VERSION]
    assert decoder.future_version == 2


def test_a_second_header_is_a_comment() -> None:
    other = b"# vaclog-lines 1 tick_ns=1000 adc_bits=12\n"
    messages = run(LinesDecoder(), HEADER + samples(0, 3) + other + samples(6000, 3, first=3))
    assert [h.tick_ns for h in only(Hello, messages)] == [500]
    assert counts(messages) == [0, 1, 2, 3, 4, 5]


def test_lines_before_the_header_are_skipped() -> None:
    decoder = LinesDecoder()
    messages = run(decoder, b"23 55\nP 5 6\n" + HEADER + samples(0, 3))
    assert counts(messages) == [0, 1, 2]
    assert [g.line for g in gaps(messages)] == [1, 2]
    assert decoder.lines_skipped == 2


def test_the_last_line_counts_if_it_can_be_read() -> None:
    assert counts(run(LinesDecoder(), HEADER + samples(0, 3) + b"P 6000 77")) == [0, 1, 2, 77]
    cut = run(LinesDecoder(), HEADER + samples(0, 3) + b"P 6000 ")
    assert counts(cut) == [0, 1, 2]
    assert gap_kinds(cut) == [GapKind.CONTENT]
    # Cut inside the tick: it can be read, but lies far from its neighbours.
    cut = run(LinesDecoder(), HEADER + samples(900_000_000, 3) + b"S 9000")
    assert not pulses(cut)
    assert gap_kinds(cut) == [GapKind.TICK]


# Ticks ------------------------------------------------------------------------------------


def boots(messages: list[object]) -> list[int]:
    return [m.boot for m in messages if isinstance(m, Hello)]


@pytest.mark.parametrize("crowd", [5, 100])
@pytest.mark.parametrize("offset", [SECOND + 3000, -SECOND - 3000, 1 << 31, 77 * SECOND])
def test_a_single_odd_tick_is_skipped(crowd: int, offset: int) -> None:
    start = 3_000_000_000
    odd = b"P %d 999\n" % ((start + crowd * 2000 + offset) % WRAP)
    text = HEADER + samples(start, crowd) + odd + samples(start + crowd * 2000, crowd)
    decoder = LinesDecoder()
    messages = run(decoder, text)
    assert counts(messages) == [*range(crowd), *range(crowd)]
    assert [(g.kind, g.line) for g in gaps(messages)] == [(GapKind.TICK, crowd + 2)]
    assert boots(messages) == [0]
    assert decoder.lines_skipped == 1


@pytest.mark.parametrize("many", range(2, CONFIRMING + 1))
def test_a_burst_of_odd_ticks_alike_is_skipped(many: int) -> None:
    """Two or three lines with the same digit lost agree with each other; still no pause."""
    text = HEADER + samples(0, 20) + samples(50 * SECOND, many, first=500) + samples(40_000, 20)
    messages = run(LinesDecoder(), text)
    assert counts(messages) == [*range(20), *range(20)]
    assert gap_kinds(messages) == [GapKind.TICK] * many
    assert boots(messages) == [0]


def test_ticks_within_a_second_either_way_are_in_order_enough() -> None:
    at = [0, 5000, 1000, SECOND, 3000, SECOND // 2]
    text = HEADER + b"".join(b"P %d %d\n" % (t, n) for n, t in enumerate(at))
    messages = run(LinesDecoder(), text)
    assert ticks(messages) == at
    assert not gaps(messages)


def test_an_odd_tick_that_a_neighbour_shares_is_kept() -> None:
    """Just beyond a second after a pause, with the next line out of order in between."""
    text = (
        HEADER
        + samples(0, 3)
        + b"P %d 7\nP %d 8\nP %d 9\n"
        % (
            4000 + SECOND + 1,
            4000 + SECOND - 1,
            4000 + SECOND + 2000,
        )
    )
    messages = run(LinesDecoder(), text)
    assert counts(messages) == [0, 1, 2, 7, 8, 9]
    assert not gaps(messages)


def test_the_counter_wraps_without_a_break() -> None:
    start = WRAP - 5 * 2000
    messages = run(LinesDecoder(), HEADER + samples(start, 100))
    assert ticks(messages) == [(start + n * 2000) % WRAP for n in range(100)]
    assert boots(messages) == [0]
    assert not gaps(messages)


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (1000 * SECOND, 1003 * SECOND),
        (1000 * SECOND, 1500 * SECOND),
        (WRAP - SECOND, 2 * SECOND),  # a pause through the wrap
    ],
)
def test_a_pause_goes_on_in_the_same_boot(before: int, after: int) -> None:
    text = HEADER + samples(before, 20) + samples(after, 20, first=100)
    messages = run(LinesDecoder(), text)
    assert counts(messages) == [*range(20), *range(100, 120)]
    assert boots(messages) == [0]
    assert not gaps(messages)


@pytest.mark.parametrize("before", [30 * SECOND, 1800 * SECOND])
def test_a_reset_begins_a_new_boot(before: int) -> None:
    """Also from a counter so high that the way to zero is shorter forwards."""
    text = HEADER + samples(before, 20) + samples(4000, 20, first=100)
    messages = coalesce(run(LinesDecoder(), text))
    assert boots(messages) == [0, 1]
    first, second = only(Pressure, messages)
    assert first.counts.tolist() == list(range(20))
    assert second.counts.tolist() == list(range(100, 120))
    assert not gaps(messages)


def test_a_reset_with_pulses_and_markers_in_it() -> None:
    """Whatever is held back while the reset is being confirmed belongs to the new boot."""
    text = HEADER + samples(30 * SECOND, 5) + b"S 5000\nM 5500 new\nR 6000\n"
    text += samples(7000, 5, first=50)
    for messages in (run(LinesDecoder(), text), by_bytes(LinesDecoder(), text)):
        joined = coalesce(messages)
        kinds = [type(m).__name__ for m in joined]
        assert kinds == ["Hello", "Pressure", "Hello", "Pressure", "Pulses", "Marker"]
        assert pulses(joined) == [(1, 5000, 0), (3, 6000, 0)]


def test_a_stream_may_begin_and_end_with_an_odd_tick() -> None:
    odd = b"P 3000000000 999\n"
    messages = run(LinesDecoder(), HEADER + odd + samples(0, 20) + odd)
    assert counts(messages) == list(range(20))
    assert [g.line for g in gaps(messages)] == [2, 23]


def test_a_lone_record_has_no_neighbours_to_be_off() -> None:
    assert counts(run(LinesDecoder(), HEADER + b"P 5 6\n")) == [6]


def test_a_stream_that_ends_soon_after_a_pause_is_kept() -> None:
    messages = run(LinesDecoder(), HEADER + samples(0, 20) + samples(9 * SECOND, 2, first=100))
    assert counts(messages) == [*range(20), 100, 101]


def test_short_stretches_between_pauses_are_kept() -> None:
    """At the end, and at the beginning before a pause is confirmed."""
    parts = [samples(n * 5 * SECOND, 3, first=10 * n) for n in range(4)]
    expected = [10 * n + k for n in range(4) for k in range(3)]
    for text in (b"".join(parts), b"".join(parts) + samples(20 * SECOND, 20, first=200)):
        messages = run(LinesDecoder(), HEADER + text)
        assert counts(messages)[:12] == expected
        assert not gaps(messages)


def test_of_two_runs_that_interleave_the_longer_is_kept() -> None:
    odd = [b"P 2000000000 900\n", b"P 2000000001 901\n"]
    good = [b"P %d %d\n" % (n * 2000, n) for n in range(20)]
    text = HEADER + odd[0] + good[0] + odd[1] + b"".join(good[1:])
    messages = run(LinesDecoder(), text)
    assert counts(messages) == list(range(20))
    assert [g.line for g in gaps(messages)] == [2, 4]


def test_two_resets_at_once_keep_their_markers() -> None:
    text = HEADER + samples(900 * SECOND, 20)
    text += b"M 100 first\nS 200\n" + b"S 4000000000\nM 4000000500 second\n"
    messages = run(LinesDecoder(), text)
    kinds = [type(m).__name__ for m in messages]
    assert kinds == ["Hello", "Pressure", "Hello", "Pulses", "Marker", "Hello", "Pulses", "Marker"]
    assert [m.text for m in only(Marker, messages)] == ["first", "second"]


def test_ticks_without_any_order_hold_back_only_a_few() -> None:
    rng = random.Random(1)
    text = HEADER + b"".join(b"P %d 1\n" % rng.randrange(WRAP) for _ in range(500))
    decoder = LinesDecoder()
    messages = decoder.feed(text)
    assert decoder.lines_skipped + len(counts(messages)) >= 500 - MAX_HELD
    assert len(counts(messages)) < 10


def test_thousandths_of_a_second_as_ticks() -> None:
    text = b"# vaclog-lines 1 tick_ns=1000000 adc_bits=10\n"
    text += b"".join(b"P %d %d\n" % (n * 10, n) for n in range(50)) + b"P 99999 7\nP 500 50\n"
    messages = run(LinesDecoder(), text)
    assert counts(messages) == list(range(51))
    assert gap_kinds(messages) == [GapKind.TICK]


# Any text ---------------------------------------------------------------------------------

FIELD = st.one_of(
    st.integers(0, 1200).map(str),
    st.integers(0, WRAP + 5).map(str),
    st.sampled_from(["", "-5", "+5", "007", "0000000000012", "1x", "*29B1", "-", "x y"]),
)
LINE = st.one_of(
    st.builds(
        lambda letter, fields: " ".join([letter, *fields]),
        st.sampled_from("PPPBSCRMX#"),
        st.lists(FIELD, max_size=3),
    ).map(str.encode),
    st.binary(max_size=30).map(lambda b: b.replace(b"\n", b"")),
)


@st.composite
def checked_or_not(draw: st.DrawFn) -> bytes:
    line = draw(LINE)
    if draw(st.booleans()):
        line += b" *%04X" % Crc16Ibm3740.calc(line)
    return line + draw(st.sampled_from([b"", b"\r"]))


@settings(max_examples=150)
@given(st.lists(checked_or_not(), min_size=1, max_size=12))
@example([b"\r", b"", b" ", b"P ", b"P 1 ", b"S ", b"\r\r", b"P 1 2 *"])
def test_reading_as_columns_agrees_with_reading_line_by_line(lines: list[bytes]) -> None:
    """The fast way must accept nothing that the grammar does not, and read it the same."""
    lines = lines * (1 + 60 // len(lines))  # enough that columns are worth while
    block = b"".join(line + b"\n" for line in lines)
    table, skipped, count = parse_table(
        block, first_line=1, offset=0, count_limit=1024, max_line=MAX_LINE
    )
    assert count == len(lines)
    expected = [parse_line(line.removesuffix(b"\r"), 1024) for line in lines]
    records = [(n, r) for n, r in enumerate(expected, 1) if isinstance(r, Record)]
    assert table.lines.tolist() == [n for n, _ in records]
    assert table.kinds.tolist() == [r.kind for _, r in records]
    assert table.ticks.tolist() == [r.tick for _, r in records]
    assert table.values.tolist() == [r.value for _, r in records]
    assert len(skipped) + len(records) + sum(r is None for r in expected) == count


def test_clean_lines_take_the_fast_way(monkeypatch: pytest.MonkeyPatch) -> None:
    """Only what does not fit the mould is read line by line."""
    monkeypatch.setattr("vaclog.wire.line_table.parse_line", lambda *_: pytest.fail("slow"))
    clean = b"P 1 2\nB 4294967295 -77\nS 3\r\nC 4\nR 5\n" + checked("P 1 1023") + checked("R 0")
    for line in (b"", b"M 1 x\n"):
        block = clean * 10 + line
        options = {"first_line": 1, "offset": 0, "count_limit": 1024, "max_line": MAX_LINE}
        if line:
            with pytest.raises(pytest.fail.Exception):
                parse_table(block, **options)
        else:
            table, skipped, count = parse_table(block, **options)
            assert (len(table), len(skipped), count) == (70, 0, 70)
            assert table.values[:2].tolist() == [2, -77]


def test_texts_go_with_their_lines() -> None:
    block = b"M 1 a\nM 2\nP 3 4\nM 5 b\n"
    table, _, _ = parse_table(block, first_line=7, offset=0, count_limit=1024, max_line=MAX_LINE)
    assert table.texts == {7: "a", 10: "b"}
    assert table.pick([2, 3]).texts == {10: "b"}
    assert table.pick([]).texts == {}


@st.composite
def rough_text(draw: st.DrawFn) -> bytes:
    """Text with jumps, resets, odd ticks, garbage and markers."""
    at = draw(st.integers(0, WRAP - 1))
    lines = [HEADER] if draw(st.booleans()) else [b"# hello\n", b"P 1 2\n", HEADER]
    for _ in range(draw(st.integers(1, 25))):
        event = draw(st.integers(0, 20))
        at += draw(st.integers(-3000, 5000))
        if event == 0:
            at = draw(st.sampled_from([0, at + 5 * SECOND, at - 5 * SECOND, at + (1 << 31)]))
        shown = (at + (draw(st.integers(0, WRAP)) if event == 1 else 0)) % WRAP
        if event == 2:
            lines.append(draw(st.binary(max_size=40)) + b"\n")
        elif event == 3:
            lines.append(b"M %d here\r\n" % shown)
        elif event == 4:
            lines.append(b"z" * draw(st.integers(505, 530)) + b"\n")
        else:
            lines.append(b"%c %d\n" % (draw(st.sampled_from(b"SCR")), shown))
    return b"".join(lines)[: -1 if draw(st.booleans()) else None]


@given(st.data())
def test_any_chunking_gives_the_same_messages(data: st.DataObject) -> None:
    text = data.draw(rough_text())
    decoder, other = LinesDecoder(), LinesDecoder()
    whole = run(decoder, text)
    cut = run(other, text, data.draw(cuts_of(len(text))))
    assert same_messages(whole, cut)
    assert same_messages(whole, by_bytes(LinesDecoder(), text))
    assert (decoder.lines, decoder.lines_skipped) == (other.lines, other.lines_skipped)
    assert decoder.lines_skipped == sum(g.lost for g in gaps(whole) if g.kind != GapKind.VERSION)


@given(st.integers(0, 199), st.binary(max_size=60), st.integers(0, 30))
def test_damage_loses_at_most_the_lines_it_touches(place: int, new: bytes, cut: int) -> None:
    """Lines outside the damage arrive; a damaged line may read as another by bad luck."""
    lines = [b"S %d\n" % (1_000_000_000 + n * 2000) for n in range(200)]
    start = len(HEADER) + place * len(lines[0])
    text = HEADER + b"".join(lines)
    text = text[:start] + new + text[start + cut :]
    touched = range(place - 1, place + cut // len(lines[0]) + 2)
    arrived = {tick for _, tick, _ in pulses(run(LinesDecoder(), text))}
    for n in range(200):
        if n not in touched:
            assert 1_000_000_000 + n * 2000 in arrived


@settings(max_examples=20)
@given(st.integers(0, 1 << 30), st.booleans())
def test_memory_stays_bounded_on_endless_garbage(seed: int, ends: bool) -> None:
    rng = np.random.default_rng(seed)
    decoder = LinesDecoder()
    decoder.feed(HEADER)
    for _ in range(100):
        piece = rng.bytes(int(rng.integers(0, 400)))
        decoder.feed(piece if ends else piece.replace(b"\n", b" "))
        assert decoder.buffered <= MAX_LINE
    assert decoder.lines_skipped >= 1
    assert counts(decoder.feed(b"\n" + samples(0, 10))) == list(range(10))
