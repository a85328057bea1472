"""Plays records again, at once or at the pace at which they came.

Enters: records with host times. Leaves: the same records, when their time has come.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Iterator

from vaclog.records import Record

Pause = Callable[[threading.Event, float], bool]


def paced(
    records: Iterable[Record],
    stop: threading.Event,
    *,
    speed: float,
    clock_us: Callable[[], int],
    pause: Pause,
) -> Iterator[Record]:
    """Yield each record when its time has come.

    Every wait is against the start, so that delays do not add up. A record without host
    time comes at once after the one before it.

    Parameters
    ----------
    records
        In order.
    stop
        Ends the playing.
    speed
        Times real time, above 0.
    clock_us, pause
        Host time in microseconds, and what waits some seconds or until `stop` is set.
    """
    start_us: int | None = None
    first_us = 0
    for record in records:
        if record.at_us is not None:
            if start_us is None:
                start_us, first_us = clock_us(), record.at_us
            due_us = start_us + round((record.at_us - first_us) / speed)
            while (left_us := due_us - clock_us()) > 0:
                if pause(stop, left_us / 1e6):
                    return
        if stop.is_set():
            return
        yield record


class ReplaySource:
    """Records of a capture as a source.

    Parameters
    ----------
    records
        What to play.
    speed
        Times real time; None plays as fast as it is read.
    clock_us, pause
        As for :func:`paced`.
    """

    def __init__(
        self,
        records: Iterable[Record],
        *,
        speed: float | None = None,
        clock_us: Callable[[], int] | None = None,
        pause: Pause = threading.Event.wait,
    ) -> None:
        if speed is not None and speed <= 0:
            raise ValueError(f"speed must be above 0: {speed}")
        self._records = records
        self._speed = speed
        self._clock_us = clock_us or _monotonic_us
        self._pause = pause

    def read_records(self, stop: threading.Event) -> Iterator[Record]:
        """Yield the records until they end or `stop` is set."""
        if self._speed is not None:
            yield from paced(
                self._records,
                stop,
                speed=self._speed,
                clock_us=self._clock_us,
                pause=self._pause,
            )
            return
        for record in self._records:
            if stop.is_set():
                return
            yield record


def _monotonic_us() -> int:
    return time.monotonic_ns() // 1000
