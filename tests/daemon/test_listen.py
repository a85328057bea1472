"""The listener's threads: what was read is kept, in order, whatever fails meanwhile."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from vaclog.capture.open import open_capture
from vaclog.capture.writer import CaptureWriter
from vaclog.daemon import listen
from vaclog.errors import PortBusyError, StorageError, VaclogError
from vaclog.records import CardText, Chunk, ClockTick, PortClosed, PortOpened, Record
from vaclog.result import Result, to_json
from vaclog.session import Event, Noticed, Session
from vaclog.simulator.presets import preset


def visit() -> list[Record]:
    """Records of a live visit: cards, port, reads, a clock that ticks, port closed."""
    recording = preset("there-and-back").simulate(5)
    records: list[Record] = [
        CardText(at_us=0, which="engine", toml=recording.engine_card_toml),
        CardText(at_us=0, which="rig", toml=recording.rig_card_toml),
        PortOpened(at_us=1, name="port", identity="serial number 1"),
    ]
    for number, (at_us, data) in enumerate(recording.chunks):
        records.append(Chunk(at_us=at_us, data=data))
        if number % 30 == 0:
            records.append(ClockTick(at_us=at_us))
    return [*records, PortClosed(at_us=at_us + 1, reason="asked to stop")]


class Given:
    """A source of given records, then perhaps an error."""

    def __init__(self, records: Sequence[Record], error: VaclogError | None = None) -> None:
        self._records = records
        self._error = error

    def read_records(self, stop: threading.Event) -> Iterator[Record]:
        """Yield the records until asked to stop."""
        for record in self._records:
            if stop.is_set():
                return
            yield record
        if self._error is not None:
            raise self._error


class Failing:
    """A disk that is full between two of its writes, then has room again."""

    def __init__(self, full_from: int, full_to: int) -> None:
        self.kept: list[Record] = []
        self.closed = False
        self._asked = 0
        self._full = range(full_from, full_to)

    def write(self, record: Record) -> None:
        """Keep a record, or fail."""
        self._asked += 1
        if self._asked in self._full:
            raise StorageError("visit.vaclog cannot be written: No space left on device.")
        self.kept.append(record)

    def close(self) -> None:
        """Note the end."""
        self.closed = True


def hear(source: Given, keeper: CaptureWriter | Failing) -> tuple[Result, list[Event]]:
    """Listen to the end; the result and what was said."""
    events: list[Event] = []
    session = Session(capture="visit", provisional_every=64)
    result = listen(source, keeper, session, stop=threading.Event(), on_event=events.append)
    return result, events


def said(events: Sequence[Event]) -> list[str]:
    """The sentences among the events."""
    return [event.text for event in events if isinstance(event, Noticed)]


def test_a_replayed_capture_gives_the_bytes_of_the_live_result(tmp_path: Path) -> None:
    """All that enters a session is in its capture, provisional looks change nothing."""
    path = tmp_path / "visit.vaclog"
    live, _ = hear(Given(visit()), CaptureWriter(path))
    again = Session(capture="visit")
    for record in open_capture(path).records:
        again.feed(record)
    assert to_json(again.finish()) == to_json(live)
    assert live.peak.found


def test_a_full_disk_loses_nothing(tmp_path: Path) -> None:
    """What waited in memory is written, in order, once there is room; both are said once."""
    records = visit()
    keeper = Failing(100, 400)
    result, events = hear(Given(records), keeper)
    assert keeper.kept == records
    assert keeper.closed
    assert result.peak.found
    full, room, *_ = said(events)
    assert "No space left" in full and "nothing was lost" in room


def test_a_disk_that_stays_full_is_told_at_the_end() -> None:
    """The answer comes all the same, with how much could not be kept."""
    records = visit()
    keeper = Failing(len(records) - 10, 10**9)
    result, events = hear(Given(records), keeper)
    assert result.peak.found
    assert keeper.kept == records[: len(keeper.kept)]
    missing = len(records) - len(keeper.kept)
    assert any(f"last {missing} records could not be kept" in text for text in said(events))


def test_a_port_that_cannot_be_opened_is_an_error(tmp_path: Path) -> None:
    """Nothing was heard, so there is no answer to give."""
    busy = PortBusyError("/dev/port is in use.")
    with pytest.raises(PortBusyError):
        hear(Given([], busy), CaptureWriter(tmp_path / "none.vaclog"))


def test_a_port_lost_for_good_still_answers(tmp_path: Path) -> None:
    """What was heard before it is analysed, and the loss is said."""
    lost = PortBusyError("/dev/port is in use.")
    result, events = hear(Given(visit(), lost), CaptureWriter(tmp_path / "lost.vaclog"))
    assert result.peak.found
    assert "/dev/port is in use." in said(events)


def test_reads_that_can_wait_go_to_the_session_together(tmp_path: Path) -> None:
    """In order and without a loss; each of them with the next that cannot wait, or at the end."""
    records = visit()[:-1]
    fed: list[Record] = []
    batches: list[int] = []  # how many were fed when it was asked until when reads may wait
    go_on = threading.Semaphore(0)

    class Patient(Session):
        def due_us(self) -> int | None:
            batches.append(len(fed))
            go_on.release()
            return super().due_us()

        def feed(self, record: Record) -> list[Event]:
            fed.append(record)
            return super().feed(record)

    class Slowly(Given):
        """One read at a time, as a port gives them: what was passed on is known by the next."""

        def read_records(self, stop: threading.Event) -> Iterator[Record]:
            for record in super().read_records(stop):
                yield record
                go_on.acquire(timeout=0.003)

    session, keeper = Patient(capture="visit"), CaptureWriter(tmp_path / "visit.vaclog")
    events: list[Event] = []
    listen(Slowly(records), keeper, session, stop=threading.Event(), on_event=events.append)
    assert fed == records
    reads = sum(isinstance(record, Chunk) for record in records)
    assert len(set(batches)) < 0.8 * reads
    alone = Session(capture="visit")
    assert events == [event for record in records for event in alone.feed(record)]


def test_stop_ends_it_with_all_that_was_read(tmp_path: Path) -> None:
    """A signal handler sets the event; what came before it is in the capture."""
    path = tmp_path / "stopped.vaclog"
    stop = threading.Event()
    session = Session(capture="stopped")

    def on_event(event: Event) -> None:
        if getattr(event, "cycles", 0) >= 100:
            stop.set()

    result = listen(Given(visit()), CaptureWriter(path), session, stop=stop, on_event=on_event)
    again = Session(capture="stopped")
    for record in open_capture(path).records:
        again.feed(record)
    assert to_json(again.finish()) == to_json(result)


def test_an_analysis_that_fails_costs_no_record() -> None:
    """All that was read is kept, although nobody can make anything of it."""

    class Broken(Session):
        def feed(self, record: Record) -> list[Event]:
            if isinstance(record, Chunk) and record.at_us and record.at_us > 5_000_000:
                raise ZeroDivisionError
            return super().feed(record)

    read: list[Record] = []

    class Reading(Given):
        def read_records(self, stop: threading.Event) -> Iterator[Record]:
            for record in super().read_records(stop):
                read.append(record)
                yield record

    keeper = Failing(0, 0)
    with pytest.raises(ZeroDivisionError):
        listen(
            Reading(visit()), keeper, Broken(), stop=threading.Event(), on_event=lambda _event: None
        )
    assert keeper.kept == read
    assert len(read) > 200 and keeper.closed


def test_all_that_is_read_is_kept_while_the_analysis_takes_its_time() -> None:
    """However long it takes over one record: a kill then loses none that was read."""
    records = visit()[:300]
    keeper = Failing(0, 0)
    seen: list[int] = []

    class Slow(Session):
        def feed(self, record: Record) -> list[Event]:
            if not seen:
                # It does not go on before the keeper is at its end.
                for thread in threading.enumerate():
                    if thread.name in ("reader", "keeper"):
                        thread.join(60.0)
            seen.append(len(keeper.kept))
            return []

    listen(Given(records), keeper, Slow(), stop=threading.Event(), on_event=lambda _event: None)
    assert seen == [len(records)] * len(records)
    assert keeper.closed


def test_a_keeper_that_fails_unexpectedly_is_said() -> None:
    """A fault of the program, not of the disk: the recording ends, what was kept is answered."""

    class Odd(Failing):
        def write(self, record: Record) -> None:
            if len(self.kept) > 40:
                raise TypeError("an odd record")
            super().write(record)

    _, events = hear(Given(visit()), Odd(0, 0))
    assert any("Keeping has failed (TypeError: an odd record)" in text for text in said(events))


def test_reading_that_fails_unexpectedly_is_said() -> None:
    """Else the recording would seem to have come to its end; what was read is answered."""

    class Odd(Given):
        def read_records(self, stop: threading.Event) -> Iterator[Record]:
            yield from super().read_records(stop)
            raise TypeError("an odd device")

    keeper = Failing(0, 0)
    result, events = hear(Odd(visit()), keeper)
    assert result.peak.found
    assert any("Reading has failed (TypeError: an odd device)" in text for text in said(events))
    assert keeper.kept == visit() and keeper.closed


def test_what_there_is_to_say_about_the_disk_is_said() -> None:
    """Asked once a minute of the records' time."""
    asked: list[int] = []

    def room() -> str | None:
        asked.append(1)
        return "little room" if len(asked) == 2 else None

    events: list[Event] = []
    ticks = [ClockTick(at_us=s * 1_000_000) for s in range(200)]
    listen(
        Given(ticks),
        Failing(0, 0),
        Session(),
        stop=threading.Event(),
        on_event=events.append,
        room=room,
    )
    assert len(asked) == 3
    assert said(events).count("little room") == 1
