"""Real processes on a real terminal, killed, stopped, starved: what was read is in the capture.

Every byte that the listener's own ``os.read`` returned is written down by a spy before the
listener sees it; that is what the capture is held against.
"""

from __future__ import annotations

import fcntl
import os
import select
import signal
import socket
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from vaclog.capture.reader import read_capture
from vaclog.errors import PortDeniedError
from vaclog.records import Chunk, PortOpened
from vaclog.simulator.presets import knobs, sweep_script
from vaclog.sources.serial_port import open_serial
from vaclog.sources.virtual_port import VirtualPort

ROOT = Path(__file__).parents[2]
PATIENCE_S = 60.0
LISTENING: list[subprocess.Popen[bytes]] = []

SPY = textwrap.dedent(
    """
    import os, sys
    from vaclog.sources import serial_port

    read_log = os.open(sys.argv.pop(1), os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    real = os.read

    class Spy:
        def __getattr__(self, name):
            return getattr(os, name)

        def read(self, file, size):
            data = real(file, size)
            os.write(read_log, data)
            return data

    serial_port.os = Spy()
    from vaclog.cli.main import main
    main()
    """
)


@pytest.fixture(scope="module")
def stream() -> bytes:
    """Twenty-five seconds: idle, a sweep, idle."""
    script = sweep_script("one-way", 10.0, 30.0, rate_deg_s=1.5, hold_s=6.0)
    return replace(knobs(), script=script).simulate(4).binary


def hears_hang_ups() -> None:
    """Let a hang-up do what it does at first."""
    signal.signal(signal.SIGHUP, signal.SIG_DFL)


class Listener:
    """``vaclog listen`` in a process of its own, on a terminal of ours."""

    def __init__(self, port: VirtualPort, folder: Path, *more: str, **how: Any) -> None:
        self.port, self.capture = port, folder / "heard.vaclog"
        self.spied = Path(f"{folder}.read")
        command = [sys.executable, "-c", SPY, str(self.spied), "listen", port.name, "--json"]
        command += ["--capture", str(self.capture), "--no-page", *more]
        # Whatever started the tests may itself ignore a hang-up, and that is inherited.
        how = {
            "stdout": subprocess.PIPE,
            "stderr": subprocess.PIPE,
            "preexec_fn": hears_hang_ups,
            **how,
        }
        env = {**os.environ, "PYTHONPATH": str(ROOT)}
        self.process = subprocess.Popen(command, env=env, **how)
        LISTENING.append(self.process)
        self.until(lambda: self.is_open() or self.process.poll() is not None)

    def is_open(self) -> bool:
        """Whether it has the port; what was sent before the line was emptied would be lost."""
        if not (self.port.is_open and self.capture.exists()):
            return False
        return any(isinstance(each, PortOpened) for each in read_capture(self.capture).records)

    def until(self, true: Callable[[], bool]) -> None:
        """Wait until it is true."""
        end = time.monotonic() + PATIENCE_S
        while not true():
            assert time.monotonic() < end, "it never came about"
            select.select([], [], [], 0.005)

    def send(self, data: bytes) -> None:
        """Send as fast as it is taken."""
        file = self.port._master
        while data:
            assert select.select([], [file], [], PATIENCE_S)[1], "nobody reads"
            data = data[os.write(file, data) :]

    def sent_and_kept(self, data: bytes) -> None:
        """Send, and wait until all of it stands in the capture."""
        before = len(self.read())
        self.send(data)
        self.until(lambda: len(self.read()) >= before + len(data))
        self.until(lambda: self.kept() == self.read())

    def read(self) -> bytes:
        """What the process has read."""
        return self.spied.read_bytes() if self.spied.exists() else b""

    def kept(self) -> bytes:
        """What the capture holds."""
        return kept(self.capture)

    def end(self, number: int = signal.SIGTERM) -> tuple[bytes, bytes]:
        """Send a signal; what was said until it ended."""
        self.process.send_signal(number)
        return self.process.communicate(timeout=PATIENCE_S)


def kept(path: Path) -> bytes:
    """The bytes of the port in a capture."""
    return b"".join(r.data for r in read_capture(path).records if isinstance(r, Chunk))


def replay(path: Path) -> bytes:
    """The answer of a replay."""
    command = [sys.executable, "-m", "vaclog", "replay", str(path), "--json"]
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.run(command, env=env, check=True, stdout=subprocess.PIPE).stdout


@pytest.fixture
def port() -> Iterator[VirtualPort]:
    """A port of its own; whoever still listens afterwards would take the next one's bytes."""
    with VirtualPort() as made:
        yield made
    while LISTENING:
        process = LISTENING.pop()
        process.kill()
        process.wait()


# Killed and asked to stop -----------------------------------------------------------------


@pytest.mark.parametrize("seed", range(2))
def test_a_killed_listener_has_kept_what_it_read(
    port: VirtualPort, tmp_path: Path, stream: bytes, seed: int
) -> None:
    """At any instant of a stream at full speed: only what came within that instant may miss."""
    listener = Listener(port, tmp_path)
    rested = int(np.random.default_rng([11, seed]).integers(12_000, len(stream) // 2))
    listener.sent_and_kept(stream[:rested])
    listener.send(stream[rested : rested + 12_000])
    listener.until(lambda: len(listener.read()) > rested)
    listener.process.kill()
    listener.process.communicate()
    read, stood = listener.read(), listener.kept()
    assert len(stood) >= rested
    assert read.startswith(stood) and stream.startswith(read)
    assert b'"schema": 1' in replay(listener.capture)


def test_a_killed_listener_at_rest_has_lost_nothing(
    port: VirtualPort, tmp_path: Path, stream: bytes
) -> None:
    """Not a second of it, not a record."""
    listener = Listener(port, tmp_path)
    listener.sent_and_kept(stream[:50_000])
    listener.process.kill()
    listener.process.communicate()
    assert listener.kept() == listener.read() == stream[:50_000]


@pytest.mark.parametrize("numbers", [(15,), (2,), (1,), (1, 15, 1)], ids=str)
def test_any_signal_ends_it_with_the_answer(
    port: VirtualPort, tmp_path: Path, stream: bytes, numbers: tuple[int, ...]
) -> None:
    """TERM, Ctrl-C, a hang-up, and what a closed session sends at once; a replay says the same."""
    listener = Listener(port, tmp_path)
    listener.send(stream[:45_000])
    for number in numbers[1:]:
        listener.process.send_signal(number)
    out, err = listener.end(numbers[0])
    assert listener.process.returncode == 0, err
    assert listener.kept() == listener.read()
    assert not list(read_capture(listener.capture).losses)
    assert out == replay(listener.capture)


TWICE = """
import threading
from vaclog.cli.listen_says import stop_on_signals

stop = threading.Event()
stop_on_signals(stop)
print("ready", flush=True)
stop.wait()
print("asked", flush=True)
threading.Event().wait()
"""


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_second_signal_ends_the_program(number: int) -> None:
    """While the first one's answer is still being worked on, say; a hang-up between is nothing."""
    process = subprocess.Popen(
        [sys.executable, "-c", TWICE],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    process.send_signal(number)
    assert process.stdout.readline() == "asked\n"
    process.send_signal(signal.SIGHUP)
    process.send_signal(number)
    assert process.wait(PATIENCE_S) == -number
    process.stdout.close()


def test_a_hang_up_under_nohup_is_nothing(port: VirtualPort, tmp_path: Path, stream: bytes) -> None:
    """It was told to go on when the terminal goes."""
    how = {"preexec_fn": lambda: signal.signal(signal.SIGHUP, signal.SIG_IGN)}
    listener = Listener(port, tmp_path, **how)
    listener.sent_and_kept(stream[:10_000])
    listener.process.send_signal(signal.SIGHUP)
    listener.sent_and_kept(stream[10_000:20_000])
    listener.end()
    assert listener.process.returncode == 0
    assert listener.kept() == stream[:20_000]


def test_a_listener_that_is_held_and_goes_on(
    port: VirtualPort, tmp_path: Path, stream: bytes
) -> None:
    """What the terminal cannot hold meanwhile is lost on the wire, and no frame after it."""
    listener = Listener(port, tmp_path)
    listener.sent_and_kept(stream[:20_000])
    listener.process.send_signal(signal.SIGSTOP)
    for start in range(20_000, 60_000, 1000):
        port.send(stream[start : start + 1000])
    listener.process.send_signal(signal.SIGCONT)
    listener.sent_and_kept(stream[60_000:])
    out, err = listener.end()
    assert listener.process.returncode == 0, err
    assert listener.kept() == listener.read()
    assert out == replay(listener.capture)


# Terminals that go, are held or were never there --------------------------------------------


def test_a_closed_stderr_costs_nothing(port: VirtualPort, tmp_path: Path, stream: bytes) -> None:
    """As with ``2>&1 | head -1``: whoever read has gone."""
    gone, end = os.pipe()
    os.close(gone)
    listener = Listener(port, tmp_path, stderr=end)
    os.close(end)
    listener.sent_and_kept(stream)
    out, _ = listener.end()
    assert listener.process.returncode == 0
    assert out == replay(listener.capture)


def test_a_held_terminal_holds_nothing_else(
    port: VirtualPort, tmp_path: Path, stream: bytes
) -> None:
    """As with Ctrl-S: nobody takes what is said; records are kept, and it ends when asked."""
    held, end = os.pipe()
    fcntl.fcntl(end, fcntl.F_SETPIPE_SZ, 4096)
    os.write(end, b"x" * 4096)
    listener = Listener(port, tmp_path, stderr=end)
    listener.sent_and_kept(stream)
    out, _ = listener.end()
    os.close(end)
    os.close(held)
    assert listener.process.returncode == 0
    assert out == replay(listener.capture)


def test_without_any_of_the_three_files(port: VirtualPort, tmp_path: Path, stream: bytes) -> None:
    """Started with stdin, stdout and stderr closed."""
    how = {"preexec_fn": lambda: [os.close(file) for file in range(3)]}
    listener = Listener(port, tmp_path, stdout=None, stderr=None, **how)
    listener.sent_and_kept(stream[:30_000])
    listener.end()
    assert listener.kept() == listener.read() == stream[:30_000]


# Disks --------------------------------------------------------------------------------------


class Small:
    """A real file system of some MB in memory."""

    def __init__(self, folder: Path, options: str) -> None:
        self.folder = folder
        folder.mkdir()
        made = ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)]
        if os.geteuid() or subprocess.run(made, capture_output=True, check=False).returncode:
            pytest.skip("needs the right to mount")

    def fill(self) -> None:
        """Take all the room there is."""
        with (self.folder / "filler").open("ab", buffering=0) as file:
            for size in (1 << 20, 1 << 12, 1):
                with pytest.raises(OSError, match="space"):
                    while True:
                        file.write(b"\0" * size)

    def free(self) -> None:
        """Give it back."""
        (self.folder / "filler").unlink()


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Callable[[str], Small]]:
    """Makes small file systems."""
    made: list[Small] = []

    def make(options: str) -> Small:
        made.append(Small(tmp_path / f"disk{len(made)}", options))
        return made[-1]

    yield make
    for each in made:
        subprocess.run(["umount", "-l", str(each.folder)], check=True)


def test_a_disk_that_fills_and_is_freed(
    port: VirtualPort, small: Callable[[str], Small], stream: bytes, tmp_path: Path
) -> None:
    """Records wait in memory; said once each way; the capture is whole at the end."""
    disk, said = small("size=24m"), tmp_path / "said"
    with said.open("wb") as file:
        listener = Listener(port, disk.folder, stderr=file)
    listener.sent_and_kept(stream[:20_000])
    disk.fill()
    listener.send(stream[20_000:50_000])
    listener.until(lambda: b"goes on in memory" in said.read_bytes())
    assert len(listener.kept()) < 50_000
    disk.free()
    listener.sent_and_kept(stream[50_000:])
    out, _ = listener.end()
    err = said.read_bytes()
    assert listener.kept() == listener.read() == stream
    assert err.count(b"goes on in memory") == err.count(b"nothing was lost") == 1
    assert out == replay(listener.capture)


def test_a_disk_that_stays_full(
    port: VirtualPort, small: Callable[[str], Small], stream: bytes
) -> None:
    """The answer rests on all that was read, the file ends where the room did, both are said."""
    disk = small("size=24m")
    listener = Listener(port, disk.folder)
    listener.sent_and_kept(stream[:20_000])
    disk.fill()
    listener.send(stream[20_000:])
    out, err = listener.end()
    assert listener.process.returncode == 0
    assert stream.startswith(listener.kept()) and len(listener.kept()) >= 20_000
    assert b"could not be kept" in err and b'"schema": 1' in out


def test_a_disk_without_room_to_begin_with(
    port: VirtualPort, small: Callable[[str], Small]
) -> None:
    """Refused with what to do; nothing is left by a service that tries on; freed, it begins."""
    disk = small("size=24m")
    disk.fill()
    for _ in range(2):
        refused = Listener(port, disk.folder)
        _, err = refused.process.communicate(timeout=PATIENCE_S)
        assert refused.process.returncode == 6
        assert b"MB are free" in err and b"--capture" in err
    assert [each.name for each in disk.folder.iterdir()] == ["filler"]
    disk.free()
    listener = Listener(port, disk.folder)
    listener.sent_and_kept(b"\0" * 100)
    listener.end()
    assert listener.process.returncode == 0


def test_a_folder_that_may_not_be_written_to(
    port: VirtualPort, small: Callable[[str], Small]
) -> None:
    """A real read-only file system."""
    listener = Listener(port, small("size=24m,ro").folder)
    _, err = listener.process.communicate(timeout=PATIENCE_S)
    assert listener.process.returncode == 6
    assert b"Read-only" in err and b"heard.vaclog" in err


# Devices and doors ----------------------------------------------------------------------------


def test_noise_at_ten_times_the_rate(port: VirtualPort, tmp_path: Path) -> None:
    """Two megabytes of anything: kept as they came, memory bounded, an answer."""
    listener = Listener(port, tmp_path)
    noise = np.random.default_rng(3).bytes(2_000_000)
    listener.send(noise[:200_000])
    listener.until(lambda: len(listener.read()) == 200_000)
    before = resident_mb(listener.process.pid)
    listener.sent_and_kept(noise[200_000:])
    assert resident_mb(listener.process.pid) - before < 40
    out, err = listener.end()
    assert listener.process.returncode == 0, err
    assert out == replay(listener.capture)


def resident_mb(pid: int) -> float:
    """Memory of a process."""
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def test_one_byte_at_a_time(port: VirtualPort, tmp_path: Path, stream: bytes) -> None:
    """Each byte its own read: the answer is a replay's all the same."""
    listener = Listener(port, tmp_path)
    for at in range(3000):
        listener.send(stream[at : at + 1])
    listener.until(lambda: len(listener.read()) == 3000)
    out, _ = listener.end()
    assert listener.kept() == stream[:3000]
    assert out == replay(listener.capture)


def test_a_terminal_that_goes_in_mid_frame(tmp_path: Path, stream: bytes) -> None:
    """Unplugged for good: it waits, says so, and ends when asked, with the data."""
    with VirtualPort() as port:
        listener = Listener(port, tmp_path)
        listener.sent_and_kept(stream[:20_007])
    out, err = listener.end()
    assert listener.process.returncode == 0
    assert b"port was closed" in err
    assert listener.kept() == stream[:20_007]
    assert out == replay(listener.capture)


def test_a_page_number_that_is_taken_leaves_no_capture(port: VirtualPort, tmp_path: Path) -> None:
    """A service that tries on would fill the folder with beginnings."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        number = str(taken.getsockname()[1])
        listener = Listener(port, tmp_path, "--page", "--port-number", number)
        _, err = listener.process.communicate(timeout=PATIENCE_S)
    assert listener.process.returncode == 1 and b"--port-number" in err
    assert not listener.capture.exists()


def test_a_port_of_somebody_else(port: VirtualPort) -> None:
    """The system itself refuses, as another user."""
    if os.geteuid():
        pytest.skip("needs the right to become another user")
    Path(port.name).chmod(0o600)
    import serial  # noqa: F401  # the other user may not read where it is installed

    os.seteuid(65534)
    try:
        with pytest.raises(PortDeniedError, match="dialout"):
            open_serial(port.name, 500_000)
    finally:
        os.seteuid(0)
