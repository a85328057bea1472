"""Decodes a stream twice, with the package and with the plain decoder, and insists that they agree.

Enters: bytes. Leaves: the plain decoder's view, once the package has given the same.
"""

from __future__ import annotations

import numpy as np
import plain_decoder

from vaclog.wire.binary import BinaryDecoder
from vaclog.wire.messages import DeviceLoss, Gap, GapKind, Hello, Marker, Message, Pressure, Pulses

MARKER_KIND = 5


def decode(data: bytes, *, chunk: int = 1000) -> plain_decoder.Stream:
    """Decode with both; raise AssertionError where they differ."""
    plain = plain_decoder.decode(data)
    decoder = BinaryDecoder()
    messages: list[Message] = []
    for at in range(0, len(data), chunk):
        messages += decoder.feed(data[at : at + chunk])
    assert decoder.frames == plain.good_frames
    bad = (GapKind.FRAMING, GapKind.CHECKSUM)
    assert sum(isinstance(m, Gap) and m.kind in bad for m in messages) == plain.bad_frames
    stretches: list[list[Message]] = []
    for message in messages:
        if isinstance(message, Hello):
            stretches.append([])
        if stretches:
            stretches[-1].append(message)
    assert len(stretches) == len(plain.boots)
    for boot, stretch in zip(plain.boots, stretches, strict=True):
        _same(boot, stretch)
    return plain


def _same(boot: plain_decoder.Boot, stretch: list[Message]) -> None:
    hello = stretch[0]
    assert isinstance(hello, Hello)
    assert (hello.boot, hello.device) == (boot.number, boot.name)
    assert (hello.tick_ns, hello.adc_bits) == (boot.tick_ns, boot.adc_bits)
    blocks = [m for m in stretch if isinstance(m, Pressure)]
    if boot.samples:
        ticks, counts = (np.array(column) for column in zip(*boot.samples, strict=True))
        np.testing.assert_array_equal(np.concatenate([b.ticks for b in blocks]), ticks)
        np.testing.assert_array_equal(np.concatenate([b.counts for b in blocks]), counts)
    else:
        assert not blocks
    pulses = [
        (int(kind), int(tick), int(value))
        for m in stretch
        if isinstance(m, Pulses)
        for kind, tick, value in zip(m.kinds, m.ticks, m.values, strict=True)
    ]
    markers = [m.tick for m in stretch if isinstance(m, Marker)]
    assert pulses == [event for event in boot.events if event[0] != MARKER_KIND]
    assert markers == boot.of_kind(MARKER_KIND)
    losses = [(m.events, m.samples, m.frames) for m in stretch if isinstance(m, DeviceLoss)]
    assert (losses[-1] if losses else (0, 0, 0)) == boot.dropped
