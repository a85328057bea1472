"""COBS and CRC against published vectors and other libraries."""

from __future__ import annotations

import crccheck
import fastcrc
import pytest
from hypothesis import given
from hypothesis import strategies as st
from wire_cases import stuff

from vaclog.wire.framing import MAX_FRAME, MAX_PAYLOAD, crc16, frame, unframe
from vaclog.wire.messages import GapKind

# S. Cheshire, M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM ToN 7(2), 1999: the
# worked example of the paper (its last line) and the vectors that follow from its rules.
COBS_VECTORS = [
    ("", "01"),
    ("00", "01 01"),
    ("00 00", "01 01 01"),
    ("11 22 00 33", "03 11 22 02 33"),
    ("11 00 00 00", "02 11 01 01 01"),
    (
        "45 00 00 2C 4C 79 00 00 40 06 4F 37",
        "02 45 01 04 2C 4C 79 01 05 40 06 4F 37",
    ),
    (bytes(range(1, 0xFF)).hex(" "), "FF " + bytes(range(1, 0xFF)).hex(" ")),
    (bytes(range(0xFF)).hex(" "), "01 FF " + bytes(range(1, 0xFF)).hex(" ")),
    (bytes(range(1, 0x100)).hex(" "), "FF " + bytes(range(1, 0xFF)).hex(" ") + " 02 FF"),
]

# CRC-16/IBM-3740 (alias CCITT-FALSE): check value 0x29B1 of "123456789" from the catalogue of
# parametrised CRC algorithms (G. Cook); the others are the test values of the AUTOSAR CRC
# specification for CRC16 (origin from memory; values agree with fastcrc and crccheck).
CRC_VECTORS = [
    (b"123456789", 0x29B1),
    (bytes.fromhex("00000000"), 0x84C0),
    (bytes.fromhex("F20183"), 0xD374),
    (bytes.fromhex("0FAA0055"), 0x2023),
    (bytes.fromhex("00FF5511"), 0xB8F9),
    (bytes.fromhex("926B55"), 0x0745),
    (bytes.fromhex("FFFFFFFF"), 0x1D0F),
]


@pytest.mark.parametrize(("plain", "encoded"), COBS_VECTORS)
def test_the_tests_own_cobs_gives_the_published_vectors(plain: str, encoded: str) -> None:
    assert stuff(bytes.fromhex(plain)) == bytes.fromhex(encoded)


@given(st.binary(max_size=MAX_PAYLOAD))
def test_a_frame_is_cobs_of_payload_and_big_endian_crc(payload: bytes) -> None:
    """The package's frame against COBS written from the paper and the CRC of fastcrc."""
    crc = fastcrc.crc16.ibm_3740(payload).to_bytes(2, "big")
    assert frame(payload) == stuff(payload + crc) + b"\0"


@pytest.mark.parametrize(("data", "crc"), CRC_VECTORS)
def test_crc_gives_the_published_values(data: bytes, crc: int) -> None:
    assert crc16(data) == crc


@given(st.binary(max_size=300))
def test_crc_agrees_with_two_other_libraries(data: bytes) -> None:
    assert crc16(data) == fastcrc.crc16.ibm_3740(data)
    assert crc16(data) == crccheck.crc.Crc16Ibm3740.calc(data)


@given(st.binary(max_size=300))
def test_crc_over_data_and_crc_is_zero(data: bytes) -> None:
    assert crc16(data + crc16(data).to_bytes(2, "big")) == 0


@given(st.binary(min_size=2, max_size=MAX_PAYLOAD))
def test_a_frame_can_be_taken_apart(payload: bytes) -> None:
    piece = frame(payload)
    assert b"\0" not in piece[:-1]
    content = unframe(piece[:-1])
    assert isinstance(content, bytes)
    assert content[:-2] == payload


@pytest.mark.parametrize(
    ("piece", "kind"),
    [
        ("05 11 22", GapKind.FRAMING),  # code points past the end
        ("03 11 00", GapKind.FRAMING),  # a zero inside
        ("01", GapKind.FRAMING),  # decodes to nothing
        ("03 1D 0F", GapKind.FRAMING),  # too short to be type, sequence and checksum
        ("05 01 02 03 04", GapKind.CHECKSUM),
    ],
)
def test_malformed_pieces(piece: str, kind: GapKind) -> None:
    assert unframe(bytes.fromhex(piece)) == kind


def test_the_longest_payload_fits_and_one_byte_more_does_not() -> None:
    assert len(frame(b"\x55" * MAX_PAYLOAD)) == MAX_FRAME + 1
    with pytest.raises(ValueError, match="at most 250"):
        frame(b"\x55" * (MAX_PAYLOAD + 1))
    too_long = stuff(b"\x55" * MAX_FRAME)
    assert unframe(too_long) == GapKind.FRAMING
