"""What a decoder yields: messages in the device's own raw ticks.

Enters: nothing. Leaves: the records that every decoder produces and every encoder takes.

A decoder's ``feed`` returns a list of these. To stay fast on an hour of data, pressure
samples and pulses are *columnar*: one :class:`Pressure` (and one :class:`Pulses`) message
carries all samples (pulses) between two barriers. Barriers are a changed :class:`Hello` (a
boot) and the end of a feed; within them pressure and pulses may be in any relative order,
since each carries its ticks. :func:`coalesce` joins neighbours, so that messages of any
chunking compare equal.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray


class PulseKind(IntEnum):
    """What a pulse came from; the values are those of the binary protocol."""

    SPARK = 1  # pickup on the No. 1 lead
    COIL = 2  # pickup on the coil lead
    MARK = 3  # crank mark sensor
    BODY = 4  # body angle reading; the value is its counts


@dataclass(frozen=True, slots=True, kw_only=True)
class Hello:
    """The device says who it is; sent at boot and repeated, equal, about once a second.

    Attributes
    ----------
    version
        Protocol version.
    boot
        A number that changes with each boot; 0 in text lines.
    tick_ns
        Length of one device tick in nanoseconds.
    adc_bits
        Resolution of the pressure counts.
    device
        Its name, may be empty.
    """

    version: int
    boot: int
    tick_ns: int
    adc_bits: int
    device: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pressure:
    """Pressure samples.

    Attributes
    ----------
    ticks
        uint32 [n], raw device ticks at the *start of conversion*; wraps at 2**32.
    counts
        uint16 [n].
    """

    ticks: NDArray[np.uint32]
    counts: NDArray[np.uint16]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pulses:
    """Sparks, marks and body angle readings.

    Attributes
    ----------
    kinds
        uint8 [n], values of :class:`PulseKind`.
    ticks
        uint32 [n], raw device ticks; wraps at 2**32.
    values
        int32 [n], body counts for BODY, else 0.
    """

    kinds: NDArray[np.uint8]
    ticks: NDArray[np.uint32]
    values: NDArray[np.int32]


@dataclass(frozen=True, slots=True, kw_only=True)
class Marker:
    """The marker button, or an ``M`` line with its text."""

    tick: int
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceLoss:
    """The device's own cumulative counters since boot of what it had to drop (mod 2**16)."""

    events: int
    samples: int
    frames: int


class GapKind(IntEnum):
    """Why something was skipped."""

    FRAMING = 1  # malformed COBS, or a frame longer than the protocol allows
    CHECKSUM = 2
    SEQUENCE = 3  # frame numbers jumped: whole frames are missing
    CONTENT = 4  # a sound frame with impossible content, or an unreadable line
    RANGE = 5  # a count outside the ADC's range
    TICK = 6  # a tick that neither neighbours nor followers confirm
    VERSION = 7  # a hello of a newer protocol version


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """Something on the wire was lost or skipped.

    Attributes
    ----------
    kind
        Why.
    offset
        Byte offset in the stream at which it was noticed.
    line
        Line number from 1 in text lines, 0 in binary streams.
    lost
        How many frames or lines are known lost (at least).
    detail
        A short phrase for people.
    """

    kind: GapKind
    offset: int
    line: int = 0
    lost: int = 1
    detail: str = ""


Message: TypeAlias = Hello | Pressure | Pulses | Marker | DeviceLoss | Gap
