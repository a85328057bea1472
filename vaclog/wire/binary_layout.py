"""How the frames of the binary protocol, version 1, are laid out: types, limits, fields.

Leaves: constants for the decoder and the encoder. See firmware_notes/protocol.md.
"""

from __future__ import annotations

import struct

import numpy as np

VERSION = 1

TYPE_HELLO = 0x01
TYPE_PRESSURE = 0x02
TYPE_EVENTS = 0x03
TYPE_DROPPED = 0x04

MARKER_KIND = 5
"""Event kind of the marker button; 0 and kinds above it are not known and skipped."""

MAX_SAMPLES = 100
MAX_EVENTS = 30
MAX_NAME = 24

HELLO = struct.Struct("<BHHB")
PRESSURE_HEAD = struct.Struct("<IH")
DROPPED = struct.Struct("<HHH")
EVENT = np.dtype([("kind", "u1"), ("tick", "<u4"), ("value", "<i2")])

HEAD, CRC = 2, 2  # bytes before and after the body of a decoded frame
