"""Listens to a source: one thread reads, one keeps, the caller's analyses.

Enters: a source of records, a place to keep them, a session. Leaves: events as they come,
and the result.

    source ─ reader thread ─┬▶ keeper thread ─▶ caller: session ─▶ events, result
         desk: taps ────────┘       │
                                    ▼
                                 capture

The reader never waits for a disk, and the keeper never for the analysis: a record is in the
capture as soon as it was read, whatever a look at the hill takes, so that a killed program
loses none; and a disk that takes a second to be sure holds up nobody. A record reaches the
session only after it was kept, so that everything the answer rests on can be replayed.
When the disk fills, records wait in memory and the keeper tries again with each one that
comes; the sweep goes on, and nothing that was read is given up.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from queue import SimpleQueue
from typing import Final, Protocol, TypeAlias

from vaclog.daemon.desk import Desk, Handed
from vaclog.errors import StorageError, VaclogError
from vaclog.records import CardText, Chunk, OperatorInput, Record
from vaclog.result import Result
from vaclog.session import Event, Noticed, Session


class Source(Protocol):
    """Anything that yields records until it is told to stop."""

    def read_records(self, stop: threading.Event) -> Iterator[Record]:
        """Yield records; return soon after ``stop`` is set or when there is no more."""
        ...


class Keeper(Protocol):
    """Where records are kept; :class:`vaclog.capture.writer.CaptureWriter` is one."""

    def write(self, record: Record) -> None:
        """Append one record, wholly or, raising StorageError, not at all."""
        ...

    def close(self) -> None:
        """Make the file complete."""
        ...


LOOK_US: Final = 60_000_000
"""How often the disk is looked at: it fills in hours."""

# What comes of the keeping: a record, a thing to say, the error that ended the source.
_Passed: TypeAlias = Record | Noticed | VaclogError
# What is read: the same, what was handed in at the desk, and None at the end.
_Read: TypeAlias = _Passed | Handed | None


def listen(
    source: Source,
    keeper: Keeper,
    session: Session,
    *,
    stop: threading.Event,
    on_event: Callable[[Event], None],
    desk: Desk | None = None,
    room: Callable[[], str | None] | None = None,
) -> Result:
    """Record and analyse until the source ends or ``stop`` is set.

    Parameters
    ----------
    source
        Where records come from.
    keeper
        Where they are kept before anything decodes them; closed at the end.
    session
        What analyses them, in the calling thread.
    stop
        Set it (from a signal handler, say) to end cleanly.
    on_event
        Called in the calling thread with each event.
    desk
        Where taps are handed in; they are kept and analysed as records.
    room
        Asked now and then what is to be said about the room on the disk.

    Returns
    -------
    Result
        The answer.

    Raises
    ------
    PortError
        The source could not be opened; nothing was recorded.
    """
    read: SimpleQueue[_Read] = SimpleQueue()
    kept: SimpleQueue[list[_Passed] | None] = SimpleQueue()
    keeping, due = _Keeping(keeper, room or (lambda: None)), _Due()
    threads = [
        threading.Thread(target=_read, args=(source, stop, read), name="reader", daemon=True),
        threading.Thread(target=_keep, args=(keeping, read, kept, due), name="keeper", daemon=True),
    ]
    if desk is not None:
        desk.opened(read.put)
    for thread in threads:
        thread.start()
    failure: VaclogError | None = None
    heard = False
    try:
        for batch in iter(kept.get, None):
            for passed in batch:
                if isinstance(passed, Noticed):
                    on_event(passed)
                elif isinstance(passed, VaclogError):
                    failure = passed
                else:
                    # Cards and wishes come before the port is even tried.
                    heard = heard or not isinstance(passed, CardText | OperatorInput)
                    for event in session.feed(passed):
                        on_event(event)
            due.host_us = session.due_us()
    finally:
        # Whatever is wrong with the analysis, all that was read is kept.
        stop.set()
        for thread in threads:
            thread.join()
    if failure is not None:
        if not heard:
            raise failure
        on_event(Noticed(text=str(failure)))
    return session.finish()


@dataclass(slots=True)
class _Due:
    """Until when reads may wait, as the session knew it last; None: they may not.

    Written by one thread and read by another: what is old is too soon, never too late.
    """

    host_us: int | None = None

    def can_wait(self, passed: _Passed) -> bool:
        """Whether this may as well be analysed together with what comes next."""
        return (
            isinstance(passed, Chunk)
            and passed.at_us is not None
            and self.host_us is not None
            and passed.at_us < self.host_us
        )


def _read(source: Source, stop: threading.Event, read: SimpleQueue[_Read]) -> None:
    """Body of the reader thread."""
    try:
        for record in source.read_records(stop):
            read.put(record)
    except VaclogError as error:
        read.put(error)
    except Exception as error:
        # Or the recording would seem to have come to its end.
        read.put(
            VaclogError(
                f"Reading has failed ({type(error).__name__}: {error}).",
                cause="A fault of the program, or a device that behaves oddly.",
                step="Begin again; what was read before is in the capture.",
            )
        )
    finally:
        read.put(None)


def _keep(
    keeping: _Keeping,
    read: SimpleQueue[_Read],
    kept: SimpleQueue[list[_Passed] | None],
    due: _Due,
) -> None:
    """Body of the keeper thread; the capture is complete once reading has ended.

    What is kept is safe; waking the analysis for each read, fifty times a second, costs several
    times as much as when a cycle may be complete. Ticks never wait, so nothing waits for long.
    """
    waiting: list[_Passed] = []
    try:
        while (passed := read.get()) is not None:
            fresh = keeping.keep(passed)
            waiting += fresh
            if not all(due.can_wait(each) for each in fresh):
                kept.put(waiting)
                waiting = []
        waiting += keeping.complete()
    except Exception as error:
        waiting.append(
            VaclogError(
                f"Keeping has failed ({type(error).__name__}: {error}).",
                cause="A fault of the program.",
                step="Begin again with another capture; this one holds what was kept before.",
            )
        )
    finally:
        kept.put(waiting)
        kept.put(None)


class _Keeping:
    """Keeps records one after the other, and knows which of them still wait for the disk."""

    def __init__(self, keeper: Keeper, room: Callable[[], str | None]) -> None:
        self._keeper, self._room = keeper, room
        self._unkept: deque[Record] = deque()
        self._last_us, self._look_us = 0, LOOK_US

    def keep(self, passed: _Passed | Handed) -> list[_Passed]:
        """Keep one; what is to be passed on."""
        if isinstance(passed, Noticed | VaclogError):
            return [passed]
        record = _placed(passed, self._last_us)
        self._last_us = self._last_us if record.at_us is None else record.at_us
        failed_before = bool(self._unkept)
        self._unkept.append(record)
        error = _try_to_keep(self._keeper, self._unkept)
        said: list[_Passed] = []
        if error is not None and not failed_before:
            said.append(Noticed(text=f"{error} Recording goes on in memory meanwhile."))
        elif error is None and failed_before:
            said.append(Noticed(text="The disk takes records again; nothing was lost."))
        if self._last_us >= self._look_us:
            self._look_us = self._last_us + LOOK_US
            text = self._room()
            said += [Noticed(text=text)] if text else []
        return [*said, record]

    def complete(self) -> list[_Passed]:
        """Nothing more comes: the rest and the end of the file."""
        said: list[_Passed] = []
        error = _try_to_keep(self._keeper, self._unkept)
        if error is not None:
            waiting = len(self._unkept)
            said.append(
                Noticed(text=f"The last {waiting} records could not be kept on disk. {error}")
            )
        try:
            self._keeper.close()
        except StorageError as failed:
            said.append(
                Noticed(text=f"The end of the recording could not be kept on disk. {failed}")
            )
        return said


def _placed(passed: Record | Handed, last_us: int) -> Record:
    """What a person said gets the time of the record before it."""
    if not isinstance(passed, Handed):
        return passed
    return OperatorInput(
        at_us=last_us, kind=passed.kind, value_deg=passed.value_deg, text=passed.text
    )


def _try_to_keep(keeper: Keeper, unkept: deque[Record]) -> StorageError | None:
    """Write what waits, oldest first; the error of the first that cannot be written."""
    while unkept:
        try:
            keeper.write(unkept[0])
        except StorageError as error:
            return error
        unkept.popleft()
    return None
