"""A serial port that is not there: a pseudo-terminal on which bytes arrive in real time.

Enters: chunks with their times. Leaves: the name of a port that any program can open.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import threading
import time
from collections.abc import Callable, Iterable
from types import TracebackType
from typing import Self

from vaclog.errors import PortError
from vaclog.records import Chunk
from vaclog.sources.replay import Pause, paced

_LOOK_S = 0.1  # how often to look whether someone has opened the port


class VirtualPort:
    """A port to be opened by another program; used as a context.

    Attributes
    ----------
    name
        What to open.

    Raises
    ------
    PortError
        The system has no pseudo-terminals.
    """

    def __init__(self) -> None:
        try:
            import tty

            self._master, slave = os.openpty()
        except (ImportError, AttributeError, OSError) as error:
            raise PortError(
                f"No virtual port can be made: {error}.",
                cause="This needs pseudo-terminals, as Linux and macOS have them.",
                step="Write a capture instead and replay it.",
            ) from error
        tty.setraw(slave)
        self.name = os.ttyname(slave)
        # Closed on our side: only so can be seen whether someone else has it open.
        os.close(slave)
        os.set_blocking(self._master, False)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        os.close(self._master)

    @property
    def is_open(self) -> bool:
        """Whether another program has the port open."""
        poll = select.poll()
        poll.register(self._master, 0)
        return not any(flags & select.POLLHUP for _, flags in poll.poll(0))

    def send(self, data: bytes) -> int:
        """Send bytes now; what nobody takes is lost, as on a wire. Returns how many went."""
        try:
            return os.write(self._master, data) if self.is_open else 0
        except OSError as error:
            if error.errno in {errno.EAGAIN, errno.EIO}:
                return 0
            raise

    def play(
        self,
        chunks: Iterable[tuple[int, bytes]],
        *,
        stop: threading.Event,
        speed: float = 1.0,
        clock_us: Callable[[], int] | None = None,
        pause: Pause = threading.Event.wait,
    ) -> None:
        """Wait until the port is opened, then send chunks at their times.

        Parameters
        ----------
        chunks
            Time in microseconds and bytes.
        stop
            Ends the playing.
        speed
            Times real time.
        clock_us, pause
            As for :func:`~vaclog.sources.replay.paced`.
        """
        with contextlib.suppress(KeyboardInterrupt):
            while not self.is_open:
                if pause(stop, _LOOK_S):
                    return
            records = (Chunk(at_us=at_us, data=data) for at_us, data in chunks)
            now_us = clock_us or _monotonic_us
            for record in paced(records, stop, speed=speed, clock_us=now_us, pause=pause):
                if isinstance(record, Chunk):
                    self.send(record.data)


def _monotonic_us() -> int:
    return time.monotonic_ns() // 1000
