"""Reads single frames, mostly those in which everything is as it should be.

Enters: a frame's body. Leaves: its message, or None: for an impossible hello, and for pressure and
pulses that are not plain, which are left to the tables of :mod:`vaclog.wire.batch`.
"""

from __future__ import annotations

import numpy as np

from vaclog.wire.binary_layout import (
    EVENT,
    HELLO,
    MARKER_KIND,
    MAX_EVENTS,
    MAX_NAME,
    MAX_SAMPLES,
    PRESSURE_HEAD,
    VERSION,
)
from vaclog.wire.messages import (
    Hello,
    Message,
    Pressure,
    Pulses,
)

_UP_TO_MOST = np.arange(MAX_SAMPLES, dtype=np.uint32)


def plain_pressure(body: bytes, hello: Hello | None) -> Pressure | None:
    """Read a pressure frame in which everything is as it should be, else None."""
    size, odd = divmod(len(body) - PRESSURE_HEAD.size, 2)
    if odd or not 1 <= size <= MAX_SAMPLES:
        return None
    counts = np.frombuffer(body, "<u2", offset=PRESSURE_HEAD.size).astype(np.uint16)
    if hello is not None and counts.max() >= 1 << hello.adc_bits:
        return None
    tick, period = PRESSURE_HEAD.unpack_from(body)
    ticks = _UP_TO_MOST[:size] * np.uint32(period) + np.uint32(tick)
    return Pressure(ticks=ticks, counts=counts)


def plain_pulses(body: bytes) -> Pulses | None:
    """Read an event frame that holds only pulses of known kinds, else None."""
    count, rest = divmod(len(body), EVENT.itemsize)
    if rest or not 1 <= count <= MAX_EVENTS:
        return None
    events = np.frombuffer(body, EVENT)
    kinds = events["kind"]
    if kinds.min() < 1 or kinds.max() >= MARKER_KIND:
        return None
    return Pulses(
        kinds=kinds.copy(),
        ticks=events["tick"].astype(np.uint32),
        values=events["value"].astype(np.int32),
    )


def are_pressure_and_pulses(messages: list[Message]) -> bool:
    """Whether two messages are one of each, in the order of columns."""
    messages.sort(key=lambda each: isinstance(each, Pulses))
    return isinstance(messages[0], Pressure) and isinstance(messages[1], Pulses)


def read_hello(body: bytes) -> Hello | None:
    """Return the hello of version 1, or None if it is impossible."""
    name = body[HELLO.size :]
    if len(body) < HELLO.size or len(name) > MAX_NAME:
        return None
    version, boot, tick_ns, adc_bits = HELLO.unpack_from(body)
    if version != VERSION or tick_ns == 0 or not 1 <= adc_bits <= 16:
        return None
    return Hello(
        version=version,
        boot=boot,
        tick_ns=tick_ns,
        adc_bits=adc_bits,
        device=name.decode("ascii", "replace"),
    )
