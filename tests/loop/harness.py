"""The firmware in the loop: build it, run it in an emulated chip, read it with pyserial.

Enters: a :class:`Stimulus` (pin edges and voltages). Leaves: the bytes that a host receives,
and the emulated time of each boot's tick 0, so that a tick can be compared with the edge that
caused it. A missing compiler or emulator library raises; it never skips.
"""

from __future__ import annotations

import shutil
import subprocess
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import serial

HERE = Path(__file__).resolve().parent
FIRMWARE_DIR = HERE.parents[1] / "firmware_notes" / "firmware"
BAUD = 500_000
TICK_NS = 500

SPARK, MARK, COIL, BUTTON = ("B", 0), ("D", 2), ("D", 3), ("D", 4)
PINS = (SPARK, MARK, COIL, BUTTON)
# Registers of the line in the order in which they must be written (their addresses stand in the
# place of a port's letter): UCSR0A with the doubling of speed, UBRR0H, UBRR0L.
_LINE = ((chr(0xC0), 0), (chr(0xC5), 0), (chr(0xC4), 0))
SLOW_LINE = tuple(zip(_LINE, (0x00, 0x0F, 0xFF), strict=True))
NORMAL_LINE = tuple(zip(_LINE, (0x02, 0x00, 0x03), strict=True))

# The emulator's converter: a whole number of millivolts times 1023 over the supply, rounded
# down (silicon: times 1024).
SUPPLY_MV = 5000
EMULATED_FULL_SCALE = 1023

_SET_PIN, _RESET, _INSERT_BYTE, _FLIP_BYTE, _POKE = range(5)
LIBRARIES = ("-lsimavr", "-lelf", "-lutil")

_ACTION = np.dtype(
    [
        ("ns", "<i8"),
        ("what", "u1"),
        ("port", "u1"),
        ("bit", "u1"),
        ("value", "u1"),
        ("unused", "u1", 4),
    ]
)
# A pty that nobody empties or a chip that hangs must end a test, not stall it.
PATIENCE_S = 120.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Stimulus:
    """What happens to the chip, in nanoseconds of emulated time from power-on.

    Attributes
    ----------
    end_ns
        Length of the run.
    falls_ns
        Per pin the times of its falling edges, int64, any order; each is the start of a low
        pulse of ``pulse_ns``, shortened to half the way to the next one.
    grid_ns, pressure_mv, body_mv
        Voltages on ADC0 and ADC1, each held for ``grid_ns``; the last one for ever.
    levels
        (time, pin, level): further changes of a pin, for a button that is held or bounces.
    resets_ns
        The reset button.
    inserts
        Bytes that the line makes up, and when.
    flips
        (time, mask): the next byte sent after that time arrives with these bits wrong.
    slow_line_ns
        (from, to): meanwhile the line runs at 244 baud, the slowest there is.
    """

    end_ns: int
    falls_ns: dict[tuple[str, int], Sequence[int] | np.ndarray] = field(default_factory=dict)
    pulse_ns: int = 200_000
    grid_ns: int = 1_000_000
    pressure_mv: Sequence[int] | np.ndarray = (1000,)
    body_mv: Sequence[int] | np.ndarray = (2500,)
    levels: Sequence[tuple[int, tuple[str, int], int]] = ()
    resets_ns: Sequence[int] = ()
    inserts: Sequence[tuple[int, bytes]] = ()
    flips: Sequence[tuple[int, int]] = ()
    slow_line_ns: tuple[int, int] | None = None

    def write(self, path: Path) -> None:
        """Write the file that the runner reads."""
        actions = [self._row(0, _SET_PIN, pin, 1) for pin in PINS]  # pull-ups
        for pin, falls in self.falls_ns.items():
            actions += self._pulses(pin, np.sort(np.asarray(falls, dtype=np.int64)))
        actions += [self._row(ns, _SET_PIN, pin, level) for ns, pin, level in self.levels]
        actions += [self._row(ns, _RESET) for ns in self.resets_ns]
        actions += [self._row(ns, _INSERT_BYTE, value=b) for ns, data in self.inserts for b in data]
        actions += [self._row(ns, _FLIP_BYTE, value=mask) for ns, mask in self.flips]
        if self.slow_line_ns is not None:
            for ns, settings in zip(self.slow_line_ns, (SLOW_LINE, NORMAL_LINE), strict=True):
                actions += [self._row(ns, _POKE, address, value) for address, value in settings]
        table = np.array(actions, dtype=_ACTION)
        table = table[np.argsort(table["ns"], kind="stable")]
        n = max(len(self.pressure_mv), len(self.body_mv))
        analog = np.empty((n, 2), dtype="<u2")
        for column, values in enumerate((self.pressure_mv, self.body_mv)):
            analog[: len(values), column] = values
            analog[len(values) :, column] = values[-1]
        header = np.array([self.end_ns, self.grid_ns, n, len(table)], dtype="<i8")
        path.write_bytes(b"STIMULUS" + header.tobytes() + analog.tobytes() + table.tobytes())

    @staticmethod
    def _row(ns: int, what: int, pin: tuple[str, int] = ("A", 0), value: int = 0) -> tuple:
        return (ns, what, ord(pin[0]), pin[1], value, (0, 0, 0, 0))

    def _pulses(self, pin: tuple[str, int], falls: np.ndarray) -> Iterator[tuple]:
        following = np.append(falls[1:], np.iinfo(np.int64).max // 2)
        widths = np.minimum(self.pulse_ns, (following - falls) // 2)
        for ns, width in zip(falls.tolist(), widths.tolist(), strict=True):
            yield self._row(ns, _SET_PIN, pin, 0)
            yield self._row(ns + width, _SET_PIN, pin, 1)


@dataclass(slots=True, kw_only=True)
class Line:
    """A chip on a pseudo-terminal.

    Attributes
    ----------
    port
        Path of the terminal.
    zero_ns
        Emulated time of tick 0, one for each boot so far.
    end
        None until emulation is over, then bytes handed to the terminal, bytes thrown away,
        permille of the time that the chip slept.
    over
        Set when the emulation is over, one way or another.
    """

    port: str
    process: subprocess.Popen[str]
    zero_ns: list[int] = field(default_factory=list)
    end: tuple[int, int, int] | None = None
    over: threading.Event = field(default_factory=threading.Event)

    def start(self) -> None:
        """Start the emulation without a byte from the host."""
        assert self.process.stdin is not None
        self.process.stdin.write("go\n")
        self.process.stdin.flush()

    def listen(self) -> None:
        """Follow what the runner says until the emulation is over. Runs in its own thread."""
        assert self.process.stdout is not None
        for text in self.process.stdout:
            word, *numbers = text.split()
            if word == "ZERO":
                self.zero_ns.append(int(numbers[0]))
            elif word == "END":
                self.end = (int(numbers[0]), int(numbers[1]), int(numbers[2]))
                break
        self.over.set()


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """What a host received, in one or more openings of the port."""

    data: bytes
    zero_ns: tuple[int, ...]
    bytes_lost: int
    asleep_share: float


class Bench:
    """Builds firmware and runner into a directory, and runs them."""

    def __init__(self, directory: Path) -> None:
        self.directory = directory
        self._built: dict[str, Path] = {}
        self._serial_number = 0

    def runner(self) -> Path:
        """The emulator program; built once."""
        out = self.directory / "runner"
        if not out.exists():
            command = ["gcc", "-O2", "-Wall", "-Wextra", "-Werror", "-o", str(out)]
            command += [str(HERE / "runner.c"), *LIBRARIES]
            _run(command, needs="gcc, libsimavr-dev and libelf-dev")
        return out

    def firmware(
        self, *defines: str, patch: Callable[[Path], None] | None = None, tag: str = ""
    ) -> Path:
        """Build the firmware with its own build line.

        Parameters
        ----------
        defines
            ``NAME=VALUE`` for the preprocessor.
        patch
            Changes a copy of the sources before they are compiled: a mutant, named ``tag``.
        """
        key = "-".join(["fw", tag, *defines]).replace("=", "_")
        if key not in self._built:
            sources = FIRMWARE_DIR
            if patch is not None:
                sources = self.directory / f"src-{key}"
                shutil.copytree(FIRMWARE_DIR, sources, ignore=shutil.ignore_patterns("build"))
                patch(sources)
            out = self.directory / key
            _run(
                ["sh", str(sources / "build.sh"), str(out)] + [f"-D{d}" for d in defines],
                needs="gcc-avr and avr-libc",
            )
            self._built[key] = out / "firmware.elf"
        return self._built[key]

    @contextmanager
    def line(self, stimulus: Stimulus, firmware: Path | None = None, *flags: str) -> Iterator[Line]:
        """A chip, powered but held at its first cycle until a byte or ``start()`` comes."""
        self._serial_number += 1
        path = self.directory / f"stimulus-{self._serial_number}"
        stimulus.write(path)
        command = [str(self.runner()), str(firmware or self.firmware()), str(path), *flags]
        process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
        )
        try:
            assert process.stdout is not None
            first = process.stdout.readline().split()
            if len(first) != 2 or first[0] != "PTY":
                raise RuntimeError(f"{command} did not open a terminal; see its stderr")
            line = Line(port=first[1], process=process)
            thread = threading.Thread(target=line.listen, daemon=True)
            thread.start()
            yield line
        finally:
            assert process.stdin is not None
            process.stdin.close()
            try:
                process.wait(timeout=5)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            path.unlink()

    def run(
        self,
        stimulus: Stimulus,
        firmware: Path | None = None,
        *flags: str,
        reopen_after: Sequence[int] = (),
        read_late: bool = False,
    ) -> Run:
        """Run to the end and collect every byte with pyserial.

        Parameters
        ----------
        reopen_after
            Close the port and open it again when so many bytes have come.
        read_late
            Read only when the emulation is over; with ``--lossy``, a host that hangs.
        """
        pieces = []
        with self.line(stimulus, firmware, *flags) as line:
            for piece in self._read(line, list(reopen_after), read_late):
                pieces.append(piece)
            assert line.end is not None
            sent, lost, asleep = line.end
            data = b"".join(pieces)
            if not reopen_after and len(data) != sent:
                raise RuntimeError(f"the terminal took {sent} bytes and gave {len(data)}")
            return Run(
                data=data,
                zero_ns=tuple(line.zero_ns),
                bytes_lost=lost,
                asleep_share=asleep / 1000,
            )

    @staticmethod
    def _read(line: Line, reopen_after: list[int], read_late: bool) -> Iterator[bytes]:
        """Yield what comes until the emulation is over and the terminal is empty."""
        port = serial.Serial(line.port, BAUD, timeout=0.05)
        port.write(b"\n")
        received, deadline = 0, time.monotonic() + PATIENCE_S
        while True:
            over = line.over.wait(PATIENCE_S if read_late else 0)
            piece = port.read(max(1, port.in_waiting))
            received += len(piece)
            yield piece
            if reopen_after and received >= reopen_after[0]:
                reopen_after.pop(0)
                port.close()
                port = serial.Serial(line.port, BAUD, timeout=0.05)
            if not piece and over:
                break
            if time.monotonic() > deadline:
                raise RuntimeError("the emulator did not come to its end")
        port.close()
        if line.end is None:
            raise RuntimeError("the emulator ended before the run did; see its stderr")


def replace(name: str, old: str, new: str) -> Callable[[Path], None]:
    """A change of one place of one file of the firmware; the place must be there once."""

    def patch(sources: Path) -> None:
        text = (sources / name).read_text()
        assert text.count(old) == 1, f"{name} has changed: the mutant {old!r} needs a new place"
        (sources / name).write_text(text.replace(old, new))

    return patch


def counts_of_mv(mv: np.ndarray) -> np.ndarray:
    """What the emulated converter makes of a voltage."""
    return np.minimum(mv.astype(np.int64) * EMULATED_FULL_SCALE // SUPPLY_MV, 1023)


def _run(command: list[str], *, needs: str) -> None:
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False)
    except FileNotFoundError as error:
        raise RuntimeError(f"{command[0]} is not installed. Install {needs}.") from error
    if done.returncode:
        raise RuntimeError(
            f"{' '.join(command)} failed; is a package missing ({needs})?\n{done.stderr}"
        )
