"""What records say, as plain lists."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from vaclog.records import Chunk, Record
from vaclog.wire.detect import StreamDecoder
from vaclog.wire.messages import Hello, Marker, Pressure, PulseKind, Pulses


@dataclass
class Decoded:
    """Ticks, counts and pulses of a stream."""

    hello: Hello | None = None
    pressure: list[tuple[int, int]] = field(default_factory=list)
    pulses: dict[PulseKind, list[tuple[int, int]]] = field(default_factory=dict)
    markers: list[tuple[int, str]] = field(default_factory=list)
    lines_skipped: int = 0


def decode(records: Iterable[Record]) -> Decoded:
    """Decode the chunks among records."""
    decoder, out = StreamDecoder(), Decoded()
    messages = []
    for record in records:
        assert isinstance(record, Chunk)
        assert record.at_us is None
        messages += decoder.feed(record.data)
    for message in messages + decoder.finish():
        if isinstance(message, Hello):
            out.hello = message
        elif isinstance(message, Pressure):
            out.pressure += zip(message.ticks.tolist(), message.counts.tolist(), strict=True)
        elif isinstance(message, Pulses):
            for kind, tick, value in zip(
                message.kinds.tolist(), message.ticks.tolist(), message.values.tolist(), strict=True
            ):
                out.pulses.setdefault(PulseKind(kind), []).append((tick, value))
        elif isinstance(message, Marker):
            out.markers.append((message.tick, message.text))
    out.lines_skipped = decoder.lines_skipped
    return out
