"""Joins columnar messages, so that the results of any chunking compare equal.

Enters: lists of messages. Leaves: the same content with one Pressure and one Pulses per
stretch between two Hellos, in a fixed order.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from vaclog.wire.messages import Hello, Message, Pressure, Pulses


def coalesce(messages: Iterable[Message]) -> list[Message]:
    """Join neighbours: per stretch a Hello, one Pressure, one Pulses, then all others in order."""
    joined: list[Message] = []
    stretch: list[Message] = []
    for message in messages:
        if isinstance(message, Hello):
            joined += _join(stretch)
            joined.append(message)
            stretch = []
        else:
            stretch.append(message)
    return joined + _join(stretch)


def same_messages(left: Sequence[Message], right: Sequence[Message]) -> bool:
    """Whether two lists carry the same messages, however they were chunked."""
    a, b = coalesce(left), coalesce(right)
    return len(a) == len(b) and all(map(_same, a, b))


def _join(stretch: list[Message]) -> list[Message]:
    pressure = [m for m in stretch if isinstance(m, Pressure)]
    pulses = [m for m in stretch if isinstance(m, Pulses)]
    joined: list[Message] = []
    if pressure:
        joined.append(
            Pressure(
                ticks=np.concatenate([m.ticks for m in pressure]),
                counts=np.concatenate([m.counts for m in pressure]),
            )
        )
    if pulses:
        joined.append(
            Pulses(
                kinds=np.concatenate([m.kinds for m in pulses]),
                ticks=np.concatenate([m.ticks for m in pulses]),
                values=np.concatenate([m.values for m in pulses]),
            )
        )
    return joined + [m for m in stretch if not isinstance(m, Pressure | Pulses)]


def _same(a: Message, b: Message) -> bool:
    if isinstance(a, Pressure) and isinstance(b, Pressure):
        return np.array_equal(a.ticks, b.ticks) and np.array_equal(a.counts, b.counts)
    if isinstance(a, Pulses) and isinstance(b, Pulses):
        return (
            np.array_equal(a.kinds, b.kinds)
            and np.array_equal(a.ticks, b.ticks)
            and np.array_equal(a.values, b.values)
        )
    return a == b
