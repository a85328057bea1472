"""The bytes of a capture file, version 1.

Enters: records, or bytes of a file. Leaves: bytes, or records. No input or output here.

    file   = MAGIC  item*                     the first item is the header
    item   = SYNC  type u8  length u32  at_us i64  payload[length]  crc u32

Integers are little-endian. ``crc`` is the CRC-32 of zlib over type to payload. ``at_us`` is
-2**63 where a record has no host time. A payload is the bytes of a chunk as they came, or
else a JSON object in UTF-8. A reader passes over types that it does not know, and after
damage looks for the next SYNC that begins a sound item: a file is readable up to where it was
cut, and past a damaged place.
"""

from __future__ import annotations

import json
import struct
import zlib
from dataclasses import asdict, dataclass
from typing import Any

from vaclog.errors import CaptureError
from vaclog.records import (
    CardText,
    Chunk,
    ClockTick,
    OperatorInput,
    PortClosed,
    PortOpened,
    Record,
)

VERSION = 1

MAGIC = b"\x93vaclog-capture\r\n\x1a\n"
"""The first byte is no ASCII, and both line ends are there: a transfer that changes text
shows at once (the same idea as in the PNG signature)."""

SYNC = b"\xc5\x9a"
HEAD = struct.Struct("<2sBIq")
CRC = struct.Struct("<I")

MAX_PAYLOAD = 1 << 24
"""No read from a port comes near 16 MB; a longer length is damage."""

NO_TIME = -(1 << 63)

HEADER = 0
CHUNK = 1
_JSON_TYPES: dict[int, type[Record]] = {
    2: ClockTick,
    3: OperatorInput,
    4: CardText,
    5: PortOpened,
    6: PortClosed,
}
_TYPE_OF: dict[type[Record], int] = {made: number for number, made in _JSON_TYPES.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """What the first item of a capture says about it."""

    version: int
    program: str
    about: dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One sound item; `end` is where the next one begins."""

    type: int
    at_us: int
    payload: bytes
    end: int


def pack_header(program: str, about: dict[str, Any]) -> bytes:
    """Return the beginning of a capture: magic and header."""
    header = {**about, "format": "vaclog capture", "version": VERSION, "program": program}
    return MAGIC + _pack(HEADER, 0, json.dumps(header).encode())


def pack(record: Record) -> bytes:
    """Return one record as an item."""
    if isinstance(record, Chunk):
        at_us = NO_TIME if record.at_us is None else record.at_us
        return _pack(CHUNK, at_us, record.data)
    fields = asdict(record)
    at_us = fields.pop("at_us")
    payload = json.dumps(fields, ensure_ascii=False).encode() if fields else b""
    return _pack(_TYPE_OF[type(record)], at_us, payload)


def _pack(kind: int, at_us: int, payload: bytes) -> bytes:
    head = HEAD.pack(SYNC, kind, len(payload), at_us)
    crc = zlib.crc32(payload, zlib.crc32(head[len(SYNC) :]))
    return head + payload + CRC.pack(crc)


def unpack(data: bytes | memoryview, at: int) -> Item | None:
    """Return the item that begins at `at`, or None if there is no sound one."""
    if len(data) - at < HEAD.size + CRC.size:
        return None
    sync, kind, length, at_us = HEAD.unpack_from(data, at)
    end = at + HEAD.size + length + CRC.size
    if sync != SYNC or length > MAX_PAYLOAD or end > len(data):
        return None
    checked = data[at + len(SYNC) : end - CRC.size]
    if zlib.crc32(checked) != CRC.unpack_from(data, end - CRC.size)[0]:
        return None
    payload = bytes(data[at + HEAD.size : end - CRC.size])
    return Item(type=kind, at_us=at_us, payload=payload, end=end)


def to_record(item: Item) -> Record | None:
    """Return the record in an item; None for a type that this version does not know.

    Raises
    ------
    CaptureError
        The checksum is right, but the content is not that of its type.
    """
    if item.type == CHUNK:
        return Chunk(at_us=None if item.at_us == NO_TIME else item.at_us, data=item.payload)
    made = _JSON_TYPES.get(item.type)
    if made is None:
        return None
    try:
        fields = json.loads(item.payload) if item.payload else {}
        known = {name: fields[name] for name in made.__slots__ if name in fields}
        return made(at_us=item.at_us, **known)
    except (ValueError, TypeError) as error:
        raise CaptureError(f"A {made.__name__} in the capture cannot be read: {error}.") from error


def to_header(item: Item) -> Header | None:
    """Return the header in the first item, None if it is none."""
    if item.type != HEADER:
        return None
    try:
        fields = json.loads(item.payload)
        version, program = int(fields.pop("version")), str(fields.pop("program"))
    except (ValueError, KeyError, TypeError, AttributeError):
        return None
    return Header(version=version, program=program, about=fields)
