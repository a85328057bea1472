"""Reads a serial port.

Enters: bytes from a device. Leaves: records PortOpened, Chunk, ClockTick and PortClosed.

Opening a port resets many boards: the control lines are chosen before it is opened, and what
the board says afterwards is simply a new boot. When the device is unplugged the port is
closed first; then it is looked for by its identity, at growing intervals, until it is back or
the reader is told to stop.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import threading
import time
from collections.abc import Callable, Generator, Iterator
from itertools import chain, repeat
from typing import Any, NoReturn, Protocol

from vaclog.errors import PortBusyError, PortDeniedError, PortError, PortMissingError
from vaclog.records import Chunk, ClockTick, PortClosed, PortOpened, Record
from vaclog.sources.ports import ListPorts, find_again, identify

BAUD = 500_000
"""Of the reference firmware; a port on USB alone (CDC) has none and ignores it."""

READ_BYTES = 4096
READ_S = 0.1
"""A read waits so long for a first byte: longer, and Ctrl-C would feel slow."""

TICK_US = 250_000
"""Twice as often as the half second that others rely on, so that no tick comes late."""

BACKOFF_S = (0.2, 0.5, 1.0, 2.0)
"""Waits between looks for a lost device; the last one repeats."""

# Where a port is there, but not free: held exclusively (EBUSY), or locked (EAGAIN).
_BUSY = {errno.EBUSY, errno.EAGAIN}
_MISSING = {errno.ENOENT, errno.ENXIO, errno.ENODEV, errno.EIO}
_DENIED = {errno.EACCES, errno.EPERM}


class OpenPort(Protocol):
    """What is used of an open port; pyserial's is one."""

    def read(self, size: int) -> bytes:
        """Return up to `size` bytes, fewer or none after the time allowed for a read."""
        ...

    def close(self) -> None:
        """Close the port."""
        ...


Opener = Callable[[str, int], OpenPort]


class SerialSource:
    """A serial port as a source of records.

    Parameters
    ----------
    name
        Port, as `vaclog ports` lists it.
    baud
        Bits per second.
    clock_us
        Host time in microseconds that never steps back; records count from its value when
        reading begins.
    opener
        Opens a port by name and baud rate; raises a PortError.
    listed
        Lists the ports of the system.
    pause
        Waits some seconds or until the event is set, and says whether it is.
    """

    def __init__(
        self,
        name: str,
        *,
        baud: int = BAUD,
        clock_us: Callable[[], int] | None = None,
        opener: Opener | None = None,
        listed: ListPorts | None = None,
        pause: Callable[[threading.Event, float], bool] = threading.Event.wait,
    ) -> None:
        self.name = name
        self._baud = baud
        self._clock_us = clock_us or _monotonic_us
        self._open = opener or open_serial
        self._listed = listed
        self._pause = pause
        self._identity = ""
        self._zero_us = 0
        self._ticked_us = 0

    def read_records(self, stop: threading.Event) -> Iterator[Record]:
        """Yield records until `stop` is set.

        Raises
        ------
        PortMissingError, PortDeniedError, PortBusyError, PortError
            The port cannot be opened at first. Later losses are records, not errors.
        """
        port: OpenPort | None = self._open(self.name, self._baud)
        self._zero_us = self._clock_us()
        self._ticked_us = 0
        self._identity = identify(self.name, self._listed)
        try:
            yield PortOpened(at_us=self._now_us(), name=self.name, identity=self._identity)
            while not stop.is_set():
                if port is None:
                    port = yield from self._wait_for_it(stop)
                    continue
                try:
                    data = port.read(READ_BYTES)
                except OSError as error:  # pyserial's own errors are of this kind
                    _close(port)
                    port = None
                    yield PortClosed(at_us=self._now_us(), reason=f"the device is gone ({error})")
                    continue
                now_us = self._now_us()
                if data:
                    yield Chunk(at_us=now_us, data=data)
                yield from self._tick(now_us)
            if port is not None:
                _close(port)
                port = None
                yield PortClosed(at_us=self._now_us())
        finally:
            if port is not None:
                _close(port)

    def _wait_for_it(self, stop: threading.Event) -> Generator[Record, None, OpenPort | None]:
        """Look for the lost device until it can be opened again; None when told to stop."""
        for wait_s in chain(BACKOFF_S, repeat(BACKOFF_S[-1])):
            until_us = self._now_us() + round(wait_s * 1e6)
            while (left_us := until_us - self._now_us()) > 0:
                if self._pause(stop, min(left_us, TICK_US) / 1e6):
                    return None
                yield from self._tick(self._now_us())
            name = find_again(self.name, self._identity, self._listed)
            if name is None:
                continue
            try:
                port = self._open(name, self._baud)
            except PortError:
                continue  # there, but not ready: rights and names take a moment to settle
            self.name = name
            yield PortOpened(at_us=self._now_us(), name=name, identity=self._identity)
            return port
        return None

    def _now_us(self) -> int:
        return self._clock_us() - self._zero_us

    def _tick(self, now_us: int) -> Iterator[ClockTick]:
        if now_us - self._ticked_us >= TICK_US:
            self._ticked_us = now_us
            yield ClockTick(at_us=now_us)


def open_serial(name: str, baud: int) -> OpenPort:
    """Open a port with pyserial, exclusively.

    Raises
    ------
    PortMissingError, PortDeniedError, PortBusyError, PortError
        Told apart by what the system says.
    """
    import serial

    port: Any = serial.Serial()
    port.port = name
    port.baudrate = baud
    port.timeout = READ_S
    port.exclusive = True
    # Both lines as the system itself sets them when it opens a port: no further edge that
    # resets a board twice or into its loader, and boards on USB alone send only with DTR.
    port.dtr = True
    port.rts = True
    try:
        port.open()
    except Exception as error:  # a device that goes while it is opened: termios' own kind as well
        _close(port)
        _refuse(name, error)
    return _Prompt(port)


class _Prompt:
    """Hands over what has come as soon as something has.

    pyserial waits until as much has come as was asked for, or the time is up: by that a frame
    would be up to 20 ms old before anyone sees it. Bridges on USB hand over whole packets, so
    that what is there with the first byte is a frame or a good part of one.
    """

    def __init__(self, port: Any) -> None:
        self._port = port
        self._has_file = os.name == "posix"

    def read(self, size: int) -> bytes:
        """Return up to `size` bytes, none after the time allowed for a read."""
        if self._has_file:
            return self._read_file(size)
        first: bytes = self._port.read(1)
        there = min(int(self._port.in_waiting), size - 1) if first else 0
        return first + self._port.read(there) if there > 0 else first

    def _read_file(self, size: int) -> bytes:
        """The same with one call of the system less for each byte and frame."""
        file = self._port.fileno()
        ready, _, _ = select.select([file], [], [], READ_S)
        if not ready:
            return b""
        try:
            data = os.read(file, size)
        except BlockingIOError:
            return b""  # somebody else took it, which the exclusive open should prevent
        if not data:
            raise OSError(errno.EIO, "the port is ready but gives nothing: unplugged")
        return data

    def close(self) -> None:
        """Close the port."""
        self._port.close()


def _refuse(name: str, error: Exception) -> NoReturn:
    """Raise the PortError that says what is the matter."""
    code = _code_of(error)
    if code in _MISSING:
        raise PortMissingError(
            f"There is no port {name}, or nothing behind it.",
            cause="The board is not plugged in, the cable only charges, or the name is another.",
            step="`vaclog ports` lists what is there.",
        ) from error
    if code in _DENIED:
        raise PortDeniedError(
            f"You may not open {name}.",
            cause="On Linux the port belongs to a group (dialout or uucp) that you are not in; "
            "on Windows another program may hold it.",
            step="`sudo usermod -aG dialout $USER`, then log out and in; or close that program.",
        ) from error
    if code in _BUSY:
        raise PortBusyError(
            f"{name} is in use.",
            cause="Another program holds it (a serial monitor, another vaclog), or the system's "
            "modem manager is probing a board that was just plugged in.",
            step="Close that program, or wait half a minute and try again.",
        ) from error
    raise PortError(
        f"{name} cannot be used as a serial port: {error}.",
        cause="It is another kind of file or device, or cannot do this baud rate.",
        step="`vaclog ports` lists what is there.",
    ) from error


def _code_of(error: Exception) -> int | None:
    """Return the system's error number; on Windows pyserial gives it in words only."""
    code = getattr(error, "errno", None)
    if code is None and error.args:
        code = error.args[0]  # termios gives it so
    if isinstance(code, int):
        return code
    words = str(error)
    if "FileNotFoundError" in words:
        return errno.ENOENT
    return errno.EACCES if "PermissionError" in words else None


def _close(port: Any) -> None:
    # A device that is gone may refuse even that, also with errors of termios.
    with contextlib.suppress(Exception):
        port.close()


def _monotonic_us() -> int:
    return time.monotonic_ns() // 1000
