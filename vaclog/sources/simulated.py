"""The simulator as a source.

Enters: a simulated recording. Leaves: its cards and the bytes that its device sent, as a
listener would have recorded them.
"""

from __future__ import annotations

from collections.abc import Iterator

from vaclog.records import CardText, Chunk, PortClosed, PortOpened, Record
from vaclog.simulator.recording import Recording


def simulated_records(recording: Recording) -> Iterator[Record]:
    """Yield the records of a recording."""
    yield CardText(at_us=0, which="engine", toml=recording.engine_card_toml)
    yield CardText(at_us=0, which="rig", toml=recording.rig_card_toml)
    yield PortOpened(at_us=0, name="simulator")
    at_us = 0
    for at_us, data in recording.chunks:
        yield Chunk(at_us=at_us, data=data)
    yield PortClosed(at_us=at_us)
