"""The serial source on real pseudo-terminals, and on made ports for what those cannot do."""

from __future__ import annotations

import errno
import os
import pty
import termios
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import pytest

from vaclog.errors import (
    PortBusyError,
    PortDeniedError,
    PortError,
    PortMissingError,
)
from vaclog.records import Chunk, ClockTick, PortClosed, PortOpened, Record
from vaclog.sources.ports import PortInfo, find_again, identify, list_ports
from vaclog.sources.serial_port import BACKOFF_S, TICK_US, OpenPort, SerialSource, open_serial
from vaclog.sources.virtual_port import VirtualPort


@dataclass
class Pty:
    """Both ends of a pseudo-terminal; the name is a link, as after a device is renamed."""

    master: int
    slave: int
    name: str
    ends: list[int]

    def unplug(self) -> None:
        for end in self.ends:
            os.close(end)
        self.ends.clear()


@pytest.fixture
def port() -> Iterator[Pty]:
    master, slave = pty.openpty()
    made = Pty(master, slave, os.ttyname(slave), [master, slave])
    yield made
    made.unplug()


def take(records: Iterator[Record], kind: type) -> Record:
    """Return the next record that is not merely a tick, which must be of a kind."""
    for record in records:
        if not isinstance(record, ClockTick):
            assert isinstance(record, kind), record
            return record
    raise AssertionError("the source ended")


def test_bytes_come_as_they_were_sent(port: Pty) -> None:
    """All values, also those that a terminal would change or act upon."""
    stop = threading.Event()
    records = SerialSource(port.name).read_records(stop)
    opened = take(records, PortOpened)
    assert opened == PortOpened(at_us=opened.at_us or 0, name=port.name, identity="")
    sent = bytes(range(256)) * 4
    os.write(port.master, sent)
    got, last_us = b"", 0
    while len(got) < len(sent):
        chunk = take(records, Chunk)
        assert isinstance(chunk, Chunk) and chunk.at_us is not None
        assert chunk.at_us >= last_us
        got, last_us = got + chunk.data, chunk.at_us
    assert got == sent
    stop.set()
    rest = list(records)
    assert [type(r) for r in rest] == [PortClosed]
    assert rest[0] == PortClosed(at_us=rest[0].at_us or 0)


def test_the_port_is_raw_and_held_exclusively(port: Pty) -> None:
    held = open_serial(port.name, 500_000)
    flags = termios.tcgetattr(port.slave)
    assert not flags[3] & (termios.ECHO | termios.ICANON | termios.ISIG)
    assert not flags[0] & (termios.ICRNL | termios.IXON)
    with pytest.raises(PortBusyError) as caught:
        open_serial(port.name, 500_000)
    assert port.name in str(caught.value)
    assert "Another program" in caught.value.cause and "modem manager" in caught.value.cause
    held.close()
    open_serial(port.name, 500_000).close()


def test_a_port_that_is_not_there(tmp_path: Path) -> None:
    name = str(tmp_path / "ttyNONE")
    with pytest.raises(PortMissingError) as caught:
        next(iter(SerialSource(name).read_records(threading.Event())))
    assert name in str(caught.value) and "vaclog ports" in caught.value.step


def test_a_file_is_no_port(tmp_path: Path) -> None:
    path = tmp_path / "file"
    path.write_bytes(b"x")
    with pytest.raises(PortError, match="cannot be used as a serial port") as caught:
        open_serial(str(path), 500_000)
    assert type(caught.value) is PortError


class RefusingSerial:
    """Stands in for pyserial's port where the system would refuse it."""

    error: Exception

    def __init__(self) -> None:
        self.settings: dict[str, object] = {}

    def __setattr__(self, name: str, value: object) -> None:
        super().__setattr__(name, value)

    def open(self) -> None:
        raise self.error

    def close(self) -> None:
        pass


@pytest.mark.parametrize(
    ("error", "kind", "said"),
    [
        (OSError(errno.EACCES, "Permission denied"), PortDeniedError, "dialout"),
        (OSError(errno.EPERM, "Not permitted"), PortDeniedError, "dialout"),
        (OSError(errno.EBUSY, "Busy"), PortBusyError, "serial monitor"),
        (OSError(errno.EAGAIN, "Locked"), PortBusyError, "serial monitor"),
        (OSError(errno.ENOENT, "No such file"), PortMissingError, "plugged in"),
        (OSError(errno.ENXIO, "No such device"), PortMissingError, "plugged in"),
        (
            OSError("could not open port 'COM9': FileNotFoundError(2, ...)"),
            PortMissingError,
            "name",
        ),
        (
            OSError("could not open port 'COM9': PermissionError(13, ...)"),
            PortDeniedError,
            "Windows",
        ),
        (OSError(errno.EINVAL, "Invalid argument"), PortError, "baud rate"),
        (ValueError("Not a valid baudrate: 0"), PortError, "baud rate"),
    ],
)
def test_missing_denied_and_busy_are_told_apart(
    monkeypatch: pytest.MonkeyPatch, error: Exception, kind: type[PortError], said: str
) -> None:
    RefusingSerial.error = error
    monkeypatch.setattr("serial.Serial", RefusingSerial)
    with pytest.raises(PortError) as caught:
        open_serial("PORT7", 500_000)
    assert type(caught.value) is kind
    assert "PORT7" in str(caught.value) and said in str(caught.value)


def test_control_lines_are_set_before_the_port_is_opened(monkeypatch: pytest.MonkeyPatch) -> None:
    class Watching(RefusingSerial):
        error = OSError(errno.ENOENT, "gone")

        def open(self) -> None:
            for name in ("dtr", "rts", "exclusive", "port", "baudrate", "timeout"):
                seen[name] = getattr(self, name)
            super().open()

    seen: dict[str, object] = {}
    monkeypatch.setattr("serial.Serial", Watching)
    with pytest.raises(PortMissingError):
        open_serial("PORT7", 115_200)
    assert seen["dtr"] is True and seen["rts"] is True and seen["exclusive"] is True
    assert (seen["port"], seen["baudrate"]) == ("PORT7", 115_200)
    assert isinstance(seen["timeout"], float) and 0 < seen["timeout"] <= 0.1


# Unplugging -------------------------------------------------------------------------------


def test_a_real_terminal_that_goes_away_and_comes_back(tmp_path: Path, port: Pty) -> None:
    """The name stays the same, as by a rule of the system; what is behind it is another."""
    name = tmp_path / "board"
    name.symlink_to(port.name)
    stop = threading.Event()
    waits: list[float] = []

    def pause(_: threading.Event, seconds: float) -> bool:
        waits.append(seconds)
        clock.now_us += round(seconds * 1e6)
        return stop.is_set()

    clock = Clock()
    source = SerialSource(str(name), clock_us=clock, pause=pause)
    records = source.read_records(stop)
    take(records, PortOpened)
    os.write(port.master, b"before")
    assert take(records, Chunk) == Chunk(at_us=0, data=b"before")
    port.unplug()
    closed = take(records, PortClosed)
    assert isinstance(closed, PortClosed) and "gone" in closed.reason
    name.unlink()
    for _ in range(8):  # it stays away for a while
        assert isinstance(next(records), ClockTick)
    master, slave = pty.openpty()
    name.symlink_to(os.ttyname(slave))
    assert isinstance(take(records, PortOpened), PortOpened)
    os.write(master, b"after")
    got = take(records, Chunk)
    assert isinstance(got, Chunk) and got.data == b"after"
    stop.set()
    assert [type(r) for r in records if not isinstance(r, ClockTick)] == [PortClosed]
    assert max(waits) <= TICK_US / 1e6
    os.close(master)
    os.close(slave)


class Clock:
    """A clock that goes only when told."""

    def __init__(self) -> None:
        self.now_us = 5_000_000

    def __call__(self) -> int:
        return self.now_us


@dataclass
class Listed:
    """An entry of the system's list."""

    device: str
    vid: int | None = 0x1A86
    pid: int | None = 0x7523
    serial_number: str | None = None
    location: str | None = None
    description: str = "board"


class MadePort:
    """A port that gives what it is told to; an error ends it."""

    def __init__(self, clock: Clock, script: list[bytes | Exception]) -> None:
        self.clock = clock
        self.script = script
        self.closed = False

    def read(self, size: int) -> bytes:
        assert not self.closed and size > 0
        self.clock.now_us += 20_000
        step = self.script.pop(0) if self.script else b""
        if isinstance(step, Exception):
            raise step
        return step

    def close(self) -> None:
        self.closed = True


@dataclass
class Made:
    """A source on made ports: `ports` by name; what is not in it cannot be opened."""

    clock: Clock
    ports: dict[str, MadePort]
    listed: list[Listed]
    opened: list[tuple[str, int]]
    waits: list[float]
    stop: threading.Event

    def source(self, name: str) -> SerialSource:
        return SerialSource(
            name,
            clock_us=self.clock,
            opener=self.open,
            listed=lambda: self.listed,
            pause=self.pause,
        )

    def open(self, name: str, baud: int) -> OpenPort:
        self.opened.append((name, self.clock.now_us))
        if name not in self.ports:
            raise PortDeniedError(f"{name} is not ready.")
        return self.ports[name]

    def pause(self, stop: threading.Event, seconds: float) -> bool:
        assert stop is self.stop
        self.waits.append(seconds)
        self.clock.now_us += round(seconds * 1e6)
        return stop.is_set()


@pytest.fixture
def made() -> Made:
    clock = Clock()
    return Made(clock, {}, [], [], [], threading.Event())


def test_ticks_come_also_when_nothing_else_does(made: Made) -> None:
    made.ports["A"] = MadePort(made.clock, [])
    records = made.source("A").read_records(made.stop)
    times = [next(records).at_us for _ in range(20)]
    assert times[0] == 0
    steps = [b - a for a, b in pairwise(times)]  # type: ignore[operator]
    assert max(steps) <= 500_000
    assert min(steps) >= TICK_US


def test_a_device_is_followed_by_its_identity(made: Made) -> None:
    """It comes back under another name, while another board takes the old one."""
    gone = OSError(errno.EIO, "Input/output error")
    first = made.ports["/dev/ttyUSB0"] = MadePort(made.clock, [b"one", gone])
    made.listed = [Listed("/dev/ttyUSB0", serial_number="AB12")]
    records = made.source("/dev/ttyUSB0").read_records(made.stop)
    opened = take(records, PortOpened)
    assert isinstance(opened, PortOpened) and opened.identity == "usb:1a86:7523:AB12"
    assert take(records, Chunk) == Chunk(at_us=20_000, data=b"one")
    assert isinstance(take(records, PortClosed), PortClosed)
    assert first.closed  # before it is looked for
    made.ports["/dev/ttyUSB0"] = MadePort(made.clock, [b"a stranger"])
    made.ports["/dev/ttyUSB1"] = MadePort(made.clock, [b"two"])
    made.listed = [
        Listed("/dev/ttyUSB0", serial_number="ZZ99"),
        Listed("/dev/ttyUSB1", serial_number="AB12"),
    ]
    opened = take(records, PortOpened)
    assert isinstance(opened, PortOpened)
    assert (opened.name, opened.identity) == ("/dev/ttyUSB1", "usb:1a86:7523:AB12")
    got = take(records, Chunk)
    assert isinstance(got, Chunk) and got.data == b"two"
    assert [name for name, _ in made.opened] == ["/dev/ttyUSB0", "/dev/ttyUSB1"]


def test_looks_for_a_lost_device_grow_rarer_while_ticks_go_on(made: Made) -> None:
    made.ports["A"] = MadePort(made.clock, [OSError(errno.EIO, "gone")])
    made.listed = [Listed("A", serial_number="1")]
    records = made.source("A").read_records(made.stop)
    take(records, PortOpened)
    closed = take(records, PortClosed)
    del made.ports["A"]  # listed, but not ready to be opened
    times = [closed.at_us, *(next(records).at_us for _ in range(60))]
    looks = [at for _, at in made.opened[1:]]
    steps = [b - a for a, b in pairwise(looks)]
    expected = [*BACKOFF_S[1:], *[BACKOFF_S[-1]] * 20]
    assert steps == [round(s * 1e6) for s in expected[: len(steps)]]
    assert len(steps) > 5
    assert max(b - a for a, b in pairwise(times)) <= 500_000  # type: ignore[operator]
    made.stop.set()
    assert list(records) == []


def test_stopping_closes_the_port_also_when_the_reader_is_dropped(made: Made) -> None:
    port = made.ports["A"] = MadePort(made.clock, [b"x"] * 9)
    records = made.source("A").read_records(made.stop)
    next(records)
    records.close()  # type: ignore[attr-defined]
    assert port.closed


# Which port is which ----------------------------------------------------------------------


def test_identities() -> None:
    def listed() -> list[Listed]:
        return [
            Listed("/dev/ttyUSB1", location="1-2", description="b"),
            Listed("/dev/ttyACM0", serial_number="55", description="a"),
            Listed("/dev/ttyS0", vid=None, pid=None, description="n/a"),
            Listed("/dev/ttyS1", vid=None),
        ]

    assert list_ports(listed) == [
        PortInfo(name="/dev/ttyACM0", identity="usb:1a86:7523:55", description="a"),
        PortInfo(name="/dev/ttyS0", identity="", description="n/a"),
        PortInfo(name="/dev/ttyS1", identity="", description="board"),
        PortInfo(name="/dev/ttyUSB1", identity="usb:1a86:7523:at 1-2", description="b"),
    ]
    assert identify("/dev/ttyACM0", listed) == "usb:1a86:7523:55"
    assert identify("/dev/pts/99", listed) == ""
    assert find_again("/dev/ttyUSB7", "usb:1a86:7523:at 1-2", listed) == "/dev/ttyUSB1"
    assert find_again("/dev/ttyUSB1", "usb:1a86:7523:at 1-2", listed) == "/dev/ttyUSB1"
    assert find_again("/dev/ttyUSB1", "usb:dead:beef:1", listed) is None


def test_a_link_to_a_port_has_its_identity(tmp_path: Path) -> None:
    link = tmp_path / "by-id"
    link.symlink_to("/dev/null")
    assert identify(str(link), lambda: [Listed("/dev/null", serial_number="9")]).endswith(":9")


def test_the_systems_own_list_can_be_read() -> None:
    assert all(port.name for port in list_ports())


def test_a_device_that_goes_while_it_is_opened(monkeypatch: pytest.MonkeyPatch) -> None:
    """termios has an error of its own kind for it, which pyserial lets through."""

    def gone(*_given: object) -> None:
        raise termios.error(errno.EIO, "Input/output error")

    with VirtualPort() as there:
        monkeypatch.setattr(termios, "tcsetattr", gone)
        with pytest.raises(PortMissingError, match="nothing behind it"):
            open_serial(there.name, 500_000)
        assert not there.is_open
