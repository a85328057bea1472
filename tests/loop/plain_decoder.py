"""A second decoder of the wire protocol, written from firmware_notes/protocol.md alone.

Enters: all bytes of a stream. Leaves: what was in it. It shares no code with the package, is
as plain and slow as it can be, and exists to disagree with the package's decoder if either
reads the protocol wrongly.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(slots=True, kw_only=True)
class Boot:
    """What one boot of the device sent; ticks raw, as sent."""

    number: int
    name: str
    tick_ns: int
    adc_bits: int
    samples: list[tuple[int, int]] = field(default_factory=list)  # tick, counts
    events: list[tuple[int, int, int]] = field(default_factory=list)  # kind, tick, value
    dropped: tuple[int, int, int] = (0, 0, 0)  # events, samples, frames
    hellos: int = 1
    blocks: int = 0

    def of_kind(self, kind: int) -> list[int]:
        """Ticks of the events of one kind."""
        return [tick for k, tick, _ in self.events if k == kind]


@dataclass(slots=True, kw_only=True)
class Stream:
    """All boots, and what was wrong."""

    boots: list[Boot] = field(default_factory=list)
    good_frames: int = 0
    bad_frames: int = 0
    lost_frames: int = 0  # by the sequence numbers


def unstuff(frame: bytes) -> bytes | None:
    """Undo COBS; None if the frame is malformed."""
    out = bytearray()
    at = 0
    while at < len(frame):
        code = frame[at]
        if at + code > len(frame):
            return None
        out += frame[at + 1 : at + code]
        at += code
        if code != 255 and at < len(frame):
            out.append(0)
    return bytes(out)


def crc16(data: bytes) -> int:
    """CRC-16/IBM-3740, one bit after the other."""
    crc = 0xFFFF
    for byte in data:
        for bit in range(7, -1, -1):
            carry = crc >> 15 ^ (byte >> bit & 1)
            crc = crc << 1 & 0xFFFF
            if carry:
                crc ^= 0x1021
    return crc


def _number(data: bytes, *, signed: bool = False) -> int:
    return int.from_bytes(data, "little", signed=signed)


def decode(data: bytes) -> Stream:
    """Decode a whole stream; the piece after the last delimiter is left alone."""
    stream = Stream()
    expected: int | None = None
    for frame in data.split(b"\x00")[:-1]:
        if not frame:
            continue
        payload = unstuff(frame)
        if payload is None or len(payload) < 4 or crc16(payload) != 0:
            stream.bad_frames += 1
            continue
        kind, sequence, body = payload[0], payload[1], payload[2:-2]
        new_boot = kind == 1 and (not stream.boots or stream.boots[-1].number != _number(body[1:3]))
        if expected is not None and not new_boot:
            stream.lost_frames += (sequence - expected) % 256
        expected = (sequence + 1) % 256
        stream.good_frames += 1
        if new_boot:
            stream.boots.append(
                Boot(
                    number=_number(body[1:3]),
                    name=body[6:].decode("ascii"),
                    tick_ns=_number(body[3:5]),
                    adc_bits=body[5],
                )
            )
        elif kind == 1:
            stream.boots[-1].hellos += 1
        elif stream.boots:
            _take(stream.boots[-1], kind, body)
    return stream


def _take(boot: Boot, kind: int, body: bytes) -> None:
    if kind == 2:
        tick, period = _number(body[0:4]), _number(body[4:6])
        boot.blocks += 1
        for at in range(6, len(body), 2):
            boot.samples.append((tick, _number(body[at : at + 2])))
            tick = (tick + period) % 2**32
    elif kind == 3:
        for at in range(0, len(body), 7):
            boot.events.append(
                (
                    body[at],
                    _number(body[at + 1 : at + 5]),
                    _number(body[at + 5 : at + 7], signed=True),
                )
            )
    elif kind == 4:
        boot.dropped = (_number(body[0:2]), _number(body[2:4]), _number(body[4:6]))
