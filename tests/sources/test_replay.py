"""Replay at a pace, the simulator as a source, and a virtual port that pyserial opens."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator

import pytest

from vaclog.records import CardText, Chunk, ClockTick, PortClosed, PortOpened, Record
from vaclog.sources.replay import ReplaySource
from vaclog.sources.serial_port import SerialSource, open_serial
from vaclog.sources.simulated import simulated_records
from vaclog.sources.virtual_port import VirtualPort


class LateClock:
    """A clock on which every wait takes 3 ms longer than asked for."""

    def __init__(self) -> None:
        self.now_us = 77

    def __call__(self) -> int:
        return self.now_us

    def pause(self, stop: threading.Event, seconds: float) -> bool:
        self.now_us += round(seconds * 1e6) + 3000
        return stop.is_set()


RECORDS: list[Record] = [
    CardText(at_us=1_000_000, which="rig", toml=""),
    *(Chunk(at_us=1_000_000 + n * 10_000, data=b"%d" % n) for n in range(500)),
    Chunk(at_us=None, data=b"without time"),
    ClockTick(at_us=9_000_000),
]


def test_unpaced_replay_gives_everything_at_once() -> None:
    clock = LateClock()
    source = ReplaySource(RECORDS, clock_us=clock, pause=clock.pause)
    assert list(source.read_records(threading.Event())) == RECORDS
    assert clock.now_us == 77


@pytest.mark.parametrize("speed", [0.5, 1.0, 20.0])
def test_paced_replay_keeps_to_the_start(speed: float) -> None:
    """Late waits do not add up: no record is later than one wait's own delay."""
    clock = LateClock()
    source = ReplaySource(RECORDS, speed=speed, clock_us=clock, pause=clock.pause)
    got = []
    for record in source.read_records(threading.Event()):
        got.append(record)
        if record.at_us is not None:
            due_us = 77 + (record.at_us - 1_000_000) / speed
            assert -1 <= clock.now_us - due_us <= 3001
    assert got == RECORDS


def test_replay_stops_when_told() -> None:
    for speed in (None, 1.0):
        clock, stop = LateClock(), threading.Event()
        source = ReplaySource(RECORDS, speed=speed, clock_us=clock, pause=clock.pause)
        records = source.read_records(stop)
        assert [next(records), next(records)] == RECORDS[:2]
        stop.set()
        assert list(records) == []


def test_a_pace_must_be_a_pace() -> None:
    with pytest.raises(ValueError, match="speed"):
        ReplaySource(RECORDS, speed=0)


def test_a_virtual_port_is_read_by_the_serial_source() -> None:
    """Nothing is sent until somebody listens; then all of it, in order."""
    chunks = [(n * 1000, bytes([n]) * 5 + b"\n\r\0\x03") for n in range(100)]
    sent = b"".join(data for _, data in chunks)
    with VirtualPort() as port:
        assert not port.is_open
        assert port.send(b"to nobody") == 0
        stop = threading.Event()
        records = SerialSource(port.name).read_records(stop)
        assert isinstance(next(records), PortOpened)
        assert port.is_open
        player = threading.Thread(
            target=port.play, args=(chunks,), kwargs={"stop": stop, "speed": 50}
        )
        player.start()
        got = b""
        for record in records:
            if isinstance(record, Chunk):
                got += record.data
            if len(got) >= len(sent):
                stop.set()
        player.join()
        assert got == sent
        assert not port.is_open


def test_a_virtual_port_waits_for_a_listener_and_can_be_stopped() -> None:
    looks = []

    def pause(stop: threading.Event, seconds: float) -> bool:
        looks.append(seconds)
        return len(looks) == 5

    with VirtualPort() as port:
        port.play([(0, b"x")], stop=threading.Event(), pause=pause)
        assert len(looks) == 5


def test_what_a_listener_does_not_take_is_lost_and_blocks_nobody() -> None:
    with VirtualPort() as port:
        held = open_serial(port.name, 500_000)
        sizes = [port.send(b"x" * 1000) for _ in range(200)]
        assert sizes[0] == 1000
        assert sizes[-1] == 0
        held.close()


class MadeRecording:
    """What is used of a simulated recording."""

    engine_card_toml = "cylinders = 4\n"
    rig_card_toml = "[mark]\n"
    chunks = ((10, b"a"), (20, b"b"))


def test_a_simulated_recording_reads_like_a_live_one() -> None:
    records: Iterator[Record] = simulated_records(MadeRecording())  # type: ignore[arg-type]
    assert list(records) == [
        CardText(at_us=0, which="engine", toml="cylinders = 4\n"),
        CardText(at_us=0, which="rig", toml="[mark]\n"),
        PortOpened(at_us=0, name="simulator"),
        Chunk(at_us=10, data=b"a"),
        Chunk(at_us=20, data=b"b"),
        PortClosed(at_us=20),
    ]


def test_the_name_of_a_virtual_port_is_a_terminal() -> None:
    with VirtualPort() as port:
        assert os.path.exists(port.name)  # noqa: PTH110
    assert not os.path.exists(port.name)  # noqa: PTH110
