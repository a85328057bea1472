"""Frames: COBS around a payload and its checksum.

Enters: payloads, or the bytes between two 0x00. Leaves: frames, or payloads that passed the
checksum. See firmware_notes/protocol.md.

COBS: S. Cheshire, M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on
Networking 7(2), 1999. Checksum: CRC-16/IBM-3740 (alias CCITT-FALSE), polynomial 0x1021,
initial value 0xFFFF, no reflection, no final exclusive-or (catalogue of parametrised CRC
algorithms, G. Cook).
"""

from __future__ import annotations

from binascii import crc_hqx

from cobs import cobs

from vaclog.wire.messages import GapKind

MAX_PAYLOAD = 250
"""Longest payload of the protocol in bytes; keeps every COBS block below 255."""

MAX_FRAME = MAX_PAYLOAD + 2 + 1
"""Longest encoded frame without its 0x00: payload, checksum, one COBS code byte."""

MIN_FRAME_CONTENT = 4
"""Shortest decoded frame: type, sequence and two bytes of checksum."""

CRC_INIT = 0xFFFF


def crc16(data: bytes) -> int:
    """Return the CRC-16/IBM-3740 of `data`; of data + its big-endian CRC it is 0."""
    return crc_hqx(data, CRC_INIT)


def frame(payload: bytes) -> bytes:
    """Return `payload` with checksum, COBS-encoded and ended by 0x00.

    Raises
    ------
    ValueError
        If the payload is longer than the protocol allows: a mistake of the caller.
    """
    if len(payload) > MAX_PAYLOAD:
        raise ValueError(f"a payload has at most {MAX_PAYLOAD} bytes, this one {len(payload)}")
    encoded: bytes = cobs.encode(payload + crc16(payload).to_bytes(2, "big"))
    return encoded + b"\0"


def unframe(piece: bytes) -> bytes | GapKind:
    """Return the decoded frame (payload + checksum) in `piece`, or why it is none.

    Parameters
    ----------
    piece
        What stood between two 0x00; not empty.
    """
    if len(piece) > MAX_FRAME:
        return GapKind.FRAMING
    try:
        content: bytes = cobs.decode(piece)
    except cobs.DecodeError:
        return GapKind.FRAMING
    if len(content) < MIN_FRAME_CONTENT:
        return GapKind.FRAMING
    return GapKind.CHECKSUM if crc16(content) else content
