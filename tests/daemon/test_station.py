"""Taps become records, the leader answers from its own thread, faults of the port are said."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest
from click.testing import CliRunner

from vaclog.capture.open import open_capture
from vaclog.capture.writer import CaptureWriter
from vaclog.cards import EngineCard, RigCard
from vaclog.cli import main
from vaclog.daemon import Desk, listen
from vaclog.daemon.before import Before, Nowhere
from vaclog.daemon.desk import Handed
from vaclog.daemon.leading import LeaderThread
from vaclog.errors import PortBusyError
from vaclog.guidance.guide import Guide
from vaclog.guidance.instructions import Instruction, Step
from vaclog.guidance.scene import Options
from vaclog.guidance.view import View
from vaclog.records import CardText, Chunk, ClockTick, OperatorInput, PortClosed, PortOpened, Record
from vaclog.session import Event, Instruct, Noticed, Session, wants
from vaclog.simulator.presets import preset
from vaclog.sources.serial_port import SerialSource
from vaclog.sources.virtual_port import VirtualPort

STOP_S = 40.0


@pytest.fixture(scope="module")
def visit() -> list[Record]:
    """The first forty seconds of a sweep, with ticks."""
    recording = preset("nudge").simulate(7)
    records: list[Record] = [
        CardText(at_us=0, which="engine", toml=recording.engine_card_toml),
        CardText(at_us=0, which="rig", toml=recording.rig_card_toml),
        PortOpened(at_us=1, name="port"),
    ]
    for number, (at_us, data) in enumerate(recording.chunks):
        if at_us > STOP_S * 1e6:
            break
        records.append(Chunk(at_us=at_us, data=data))
        if number % 13 == 0:
            records.append(ClockTick(at_us=at_us))
    return records


class Tapping:
    """A source during which somebody taps: after so many records, from this thread."""

    def __init__(self, records: Sequence[Record], desk: Desk, taps: dict[int, Handed]) -> None:
        self._records, self._desk, self._taps = records, desk, taps

    def read_records(self, stop: threading.Event) -> Iterator[Record]:
        """Yield the records."""
        for number, record in enumerate(self._records):
            yield record
            if number in self._taps:
                self._desk.hand_in(self._taps[number])


def instructions(events: Sequence[Event]) -> list[Instruction]:
    """The instructions among the events."""
    return [event.instruction for event in events if isinstance(event, Instruct)]


def test_a_tap_becomes_a_record_and_is_replayed(visit: list[Record], tmp_path: Path) -> None:
    """It is kept before it counts, with the time of the record before it; replay says the same."""
    path, desk, live = tmp_path / "visit.vaclog", Desk(), list[Event]()
    desk.hand_in(Handed(kind="tap", text="stop"))  # nobody listens yet: it waits
    taps = {200: Handed(kind="tap", text="go_on"), 260: Handed(kind="tap", text="scribed")}
    views: list[View] = []
    leaders: list[LeaderThread] = []

    def lead(engine: EngineCard, rig: RigCard, options: Options) -> LeaderThread:
        guide = Guide(engine, rig, options)
        leaders.append(LeaderThread(guide, on_event=live.append, on_view=views.append))
        return leaders[-1]

    listen(
        Before([wants(Options(goal_deg=2.0))], Tapping(visit, desk, taps)),
        CaptureWriter(path),
        Session(capture="visit", lead=lead),
        stop=threading.Event(),
        on_event=live.append,
        desk=desk,
    )
    leaders[0].close()
    kept = [r for r in open_capture(path).records if isinstance(r, OperatorInput)]
    assert {r.text for r in kept} >= {"stop", "go_on", "scribed"}
    scribed = next(r for r in kept if r.text == "scribed")
    assert scribed.at_us == max(r.at_us or 0 for r in visit[:261])
    # In the session's own thread, from the capture: the same words, whatever threads did.
    session, again = Session(capture="visit", lead=Guide), list[Event]()
    for record in open_capture(path).records:
        again += session.feed(record)
    assert instructions(again) == instructions(live)
    assert {each.step for each in instructions(live)} >= {Step.SCRIBE}
    assert len(instructions(live)) > 3
    view = session.view()
    assert view is not None and view.goal_deg == 2.0 and views[-1].goal_deg == 2.0
    assert views[-1].say == view.say


READY = """
import gc, sys, threading
from vaclog.daemon.before import Nowhere
from vaclog.daemon.station import Watchers, run_station

class Looking:
    def read_records(self, stop):
        print("numpy.ma" in sys.modules, "numpy.fft" in sys.modules, gc.get_freeze_count() > 10_000)
        return iter(())

watchers = Watchers(on_event=lambda event: None)
run_station(
    Looking(), Nowhere(), name="", capture="", stop=threading.Event(), watchers=watchers
)
print(gc.get_freeze_count())
"""


def test_what_would_hold_up_the_first_cycles_is_done_before() -> None:
    """Numpy's late imports are there; collections need not look through all modules."""
    # Another process: in this one somebody has asked for a median before.
    told = subprocess.run(
        [sys.executable, "-c", READY], capture_output=True, text=True, timeout=60, check=True
    )
    assert told.stdout.split() == ["True", "True", "True", "0"]


def test_a_guidance_that_fails_does_not_end_the_recording(visit: list[Record]) -> None:
    """It is said once, and the answer comes all the same."""
    events: list[Event] = []

    class Failing(Guide):
        def on_tick(self, at_us: int) -> list[Instruction]:
            raise ZeroDivisionError("float division by zero")

    leaders: list[LeaderThread] = []

    def lead(engine: EngineCard, rig: RigCard, options: Options) -> LeaderThread:
        guide = Failing(engine, rig, options)
        leaders.append(LeaderThread(guide, on_event=events.append, on_view=lambda _view: None))
        return leaders[-1]

    class Given:
        def read_records(self, stop: threading.Event) -> Iterator[Record]:
            yield from visit

    session = Session(lead=lead)
    result = listen(Given(), Nowhere(), session, stop=threading.Event(), on_event=events.append)
    leaders[0].close()
    said = [event.text for event in events if isinstance(event, Noticed)]
    assert sum("guidance has failed" in text for text in said) == 1
    assert result.source.duration_s == pytest.approx(STOP_S, abs=1.0)


def silence(opened_us: int, every_us: int) -> tuple[list[str], int]:
    """What is said when a port gives nothing, and when, from its opening."""
    session = Session()
    session.feed(PortOpened(at_us=opened_us, name="port"))
    for at_us in range(opened_us + every_us, opened_us + 10_000_000, every_us):
        said = [e.text for e in session.feed(ClockTick(at_us=at_us)) if isinstance(e, Noticed)]
        if said:
            return said, at_us - opened_us
    return [], 0


@pytest.mark.parametrize("every_us", [100_000, 250_000, 350_000])
@pytest.mark.parametrize("opened_us", [0, 123_456_789])
def test_a_silent_device_is_said_within_two_seconds(opened_us: int, every_us: int) -> None:
    """Counted from the opening, by ticks as a port gives them."""
    said, after_us = silence(opened_us, every_us)
    assert len(said) == 1 and "Is it powered" in said[0]
    assert 1_500_000 <= after_us <= 2_000_000


def test_silence_is_said_once_until_something_comes(visit: list[Record]) -> None:
    """A lead pulled twice is said twice."""
    session = Session()
    session.feed(PortOpened(at_us=0, name="port"))
    chunk = next(record for record in visit if isinstance(record, Chunk))
    said = []
    for step in range(1, 80):
        at_us = step * 250_000
        if step == 40:
            session.feed(Chunk(at_us=at_us, data=chunk.data))
        said += [e for e in session.feed(ClockTick(at_us=at_us)) if isinstance(e, Noticed)]
    assert len(said) == 2


def test_an_unplugged_device_pauses_the_guidance(visit: list[Record]) -> None:
    """And it goes on where it was, with what was measured kept, when data come again."""
    session, events = Session(lead=Guide), list[Event]()
    cut = next(n for n, r in enumerate(visit) if (r.at_us or 0) > 25_000_000)
    for record in visit[:cut]:
        events += session.feed(record)
    cycles = session.view()
    assert cycles is not None
    lost = session.feed(PortClosed(at_us=25_000_000, reason="the device is gone"))
    assert [each.step for each in instructions(lost)] == [Step.PAUSED]
    view = session.view()
    assert view is not None and view.stage == "paused" and view.cycles == cycles.cycles
    back: list[Event] = []
    back += session.feed(PortOpened(at_us=27_000_000, name="other port"))
    for record in visit[cut:]:
        back += session.feed(record)
    view = session.view()
    assert view is not None and view.stage != "paused" and view.cycles > cycles.cycles
    assert instructions(back), "the word of the moment is said again"


def test_options_that_are_not_understood_are_said() -> None:
    """From a capture of a newer version, say; the guidance then goes on with its own."""
    for text in ("wants {", 'wants {"colour": 1}', "wants 3"):
        said = Session().feed(OperatorInput(at_us=0, kind="tap", text=text))
        assert len(said) == 1 and isinstance(said[0], Noticed)


def test_two_listeners_on_one_port_are_refused(tmp_path: Path) -> None:
    """The second is told that the port is in use, by its own exit code; the first goes on."""
    with VirtualPort() as port:
        stop = threading.Event()
        records = SerialSource(port.name).read_records(stop)
        assert isinstance(next(records), PortOpened)
        with pytest.raises(PortBusyError, match="another vaclog"):
            next(SerialSource(port.name).read_records(threading.Event()))
        out = CliRunner().invoke(
            main,
            ["listen", port.name, "--no-page", "--capture", str(tmp_path / "second.vaclog")],
        )
        assert out.exit_code == 5
        assert "in use" in out.output
        assert not (tmp_path / "second.vaclog").exists()  # a service that tries on fills no disk
        port.send(b"still here")
        assert isinstance(next(records), Chunk)
        stop.set()
        list(records)


def test_one_thing_is_listened_to(tmp_path: Path) -> None:
    """A port, a simulation or a replay; an unknown scenario is told with the known ones."""
    for arguments in ([], ["port", "--simulate", "nudge"]):
        out = CliRunner().invoke(main, ["listen", *arguments])
        assert out.exit_code == 2 and "one of PORT" in out.output
    out = CliRunner().invoke(main, ["listen", "--simulate", "none"])
    assert out.exit_code == 2 and "there-and-back" in out.output


def test_a_capture_is_played_again_with_its_taps(visit: list[Record], tmp_path: Path) -> None:
    """`listen --replay` says what was said live; nothing is recorded unless asked."""
    path = tmp_path / "visit.vaclog"
    with CaptureWriter(path) as writer:
        for record in visit:
            writer.write(record)
    before = set(tmp_path.iterdir())
    arguments = ["listen", "--replay", str(path), "--speed", "100000", "--no-page", "--json"]
    out = CliRunner().invoke(main, arguments)
    assert out.exit_code == 0, out.output
    assert "→ Scribe" in out.stderr
    assert '"schema": 1' in out.stdout
    assert set(tmp_path.iterdir()) == before
