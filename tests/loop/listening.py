"""``vaclog listen`` on the emulated chip: pin edges in, capture and result out.

Enters: a stimulus and two cards. Leaves: a capture file as the program wrote it, the result
that it gave, and the times of the chip's tick 0.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from harness import Bench, Line, Stimulus

from vaclog import daemon
from vaclog.capture.writer import CaptureWriter
from vaclog.records import Chunk, PortOpened, Record
from vaclog.result import Result
from vaclog.session import Session
from vaclog.sources.carded import Carded
from vaclog.sources.serial_port import SerialSource


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """What ``listen`` made of a run."""

    result: Result
    capture: Path
    zero_ns: tuple[int, ...]


class _OneRun:
    """The program's own serial source, which starts the chip once the port is open and ends
    when every byte that the chip sent has come."""

    def __init__(self, line: Line) -> None:
        self.line = line
        self.source = SerialSource(line.port)

    def read_records(self, stop: threading.Event) -> Iterator[Record]:
        """Pass the source's records on."""
        received = 0
        for record in self.source.read_records(stop):
            yield record
            if isinstance(record, PortOpened):
                self.line.start()
            elif isinstance(record, Chunk):
                received += len(record.data)
            if self.line.end is not None and received >= self.line.end[0]:
                stop.set()


def listen(
    bench: Bench, stimulus: Stimulus, engine: Path, rig: Path, capture: Path, *flags: str
) -> Heard:
    """Record a run into ``capture`` and analyse it, as the command does."""
    with bench.line(stimulus, None, *flags) as line:
        result = daemon.listen(
            Carded(_OneRun(line), engine=engine, rig=rig),
            CaptureWriter(capture),
            Session(capture=capture.name),
            stop=threading.Event(),
            on_event=lambda event: None,
        )
        return Heard(result=result, capture=capture, zero_ns=tuple(line.zero_ns))
