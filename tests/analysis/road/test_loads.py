"""Full-load runs and the marks made in them, on drives made by hand and on a simulated one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.analysis.road.made_drive import BARO_KPA, MadeDrive, made_drive
from vaclog.analysis.findings import Phase
from vaclog.analysis.road.loads import find_loads, load_records
from vaclog.analysis.road.marks import REACTION_US, find_pinking
from vaclog.cards import engine_card, rig_card
from vaclog.records import Chunk, OperatorInput
from vaclog.result import PinkingMark, Result, faults
from vaclog.result.road import LoadRun
from vaclog.session import PINKING, Session
from vaclog.simulator import Recording
from vaclog.simulator.presets import preset


def records(drive: MadeDrive, barometer_kpa: float | None = BARO_KPA) -> tuple[LoadRun, ...]:
    loads = find_loads(drive.cycles, drive.phases)
    return load_records(drive.cycles, loads, cylinders=4, barometer_kpa=barometer_kpa)


def marked(drive: MadeDrive, *at_s: float) -> tuple[PinkingMark, ...]:
    loads = find_loads(drive.cycles, drive.phases)
    marks = [(round(at * 1e6), "button") for at in at_s]
    return find_pinking(marks, drive.cycles, loads, drive.phases)  # type: ignore[arg-type]


def test_a_pull_is_told_from_where_to_where() -> None:
    """Speeds, time, pressure against the barometer and advance of a pull made by hand."""
    drive = made_drive()
    (run,) = records(drive)
    assert run.start_s == pytest.approx(drive.pull_us[0] / 1e6, abs=1e-6)
    assert run.end_s == pytest.approx(drive.pull_us[1] / 1e6, abs=1e-6)
    assert (run.from_rpm, run.to_rpm) == pytest.approx((1800.0, 3800.0), rel=0.025)
    assert run.below_barometer_kpa == pytest.approx(2.0)
    assert run.advance_deg == pytest.approx(32.0)  # the weights are at their stop from 3200 rpm on
    assert run.advance_rpm is not None and run.advance_rpm >= 3200.0
    # A four-cylinder fires twice a turn: the mean of 2800 rpm over 8 s is 747 strokes.
    assert run.firings == pytest.approx(2800.0 / 60.0 * 2.0 * 8.0, rel=0.02)


def test_a_body_sensor_does_not_see_the_weights() -> None:
    """Without a crank mark the advance at speed is not known; it is not made up."""
    (run,) = records(made_drive(advance_from=2), barometer_kpa=None)
    assert run.advance_deg is None and run.below_barometer_kpa is None


def test_a_wavering_foot_is_one_run_and_a_change_of_gear_is_two() -> None:
    """Holes of 0.3 s are bridged, of 1 s not."""
    drive = made_drive()
    begin, end = drive.pull_us
    for hole_us, runs in ((300_000, 1), (1_000_000, 2)):
        middle = (begin + end) // 2
        phases = [
            Phase(kind="load", start_us=begin, end_us=middle),
            Phase(kind="running", start_us=middle, end_us=middle + hole_us),
            Phase(kind="load", start_us=middle + hole_us, end_us=end),
        ]
        assert len(find_loads(drive.cycles, phases)) == runs


def test_one_odd_advance_is_not_what_was_reached() -> None:
    drive = made_drive()
    odd = drive.cycles.advance_deg.copy()
    odd[np.flatnonzero(drive.cycles.pressure_kpa > 90.0)[20]] = 55.0
    drive = replace(drive, cycles=replace(drive.cycles, advance_deg=odd))
    assert records(drive)[0].advance_deg == pytest.approx(32.0)


def test_a_mark_is_put_back_by_the_delay_of_who_made_it() -> None:
    """Pressed 5 s into a pull of 250 rpm a second: heard between 3.5 and 4.5 s, 2675 to 2925."""
    drive = made_drive()
    begin_s = drive.pull_us[0] / 1e6
    (mark,) = marked(drive, begin_s + 5.0)
    assert mark.load == 1
    assert (mark.low_rpm, mark.high_rpm) == pytest.approx((2675.0, 2925.0), abs=25.0)
    assert mark.low_rpm < mark.rpm < mark.high_rpm
    assert mark.pressure_kpa == pytest.approx(99.0)
    # 10° and one degree for each 100 rpm above 1000, at 2800 rpm.
    assert mark.advance_deg == pytest.approx(28.0, abs=0.3)
    assert mark.at_s - mark.low_s == pytest.approx(REACTION_US[1] / 1e6)


def test_a_mark_after_lifting_off_still_belongs_to_the_pull() -> None:
    """The foot lifts at the sound; the finger comes later."""
    drive = made_drive()
    (mark,) = marked(drive, drive.pull_us[1] / 1e6 + 1.0)
    assert mark.load == 1
    assert mark.high_s == pytest.approx(drive.pull_us[1] / 1e6)


def test_marks_at_idle_mean_something_else_and_double_presses_are_one() -> None:
    drive = made_drive()
    begin_s = drive.pull_us[0] / 1e6
    assert marked(drive, 2.0) == ()
    assert len(marked(drive, begin_s + 3.0, begin_s + 3.2, begin_s + 5.0)) == 2


def test_a_mark_at_part_throttle_has_no_run() -> None:
    drive = made_drive()
    (mark,) = marked(drive, drive.pull_us[1] / 1e6 + 2.6)
    assert mark.load is None


def test_the_second_run_gets_its_own_marks() -> None:
    drive = made_drive(pulls=2)
    second = [p for p in drive.phases if p.kind == "load"][1]
    (mark,) = marked(drive, second.start_us / 1e6 + 4.0)
    assert mark.load == 2


@pytest.fixture(scope="module")
def visit() -> Recording:
    """A visit with one pull on the road."""
    return preset("visit").simulate(3)


def finish(recording: Recording, *marker_s: float, taps_s: tuple[float, ...] = ()) -> Result:
    """Text lines with markers put in, and taps, through a session."""
    session = Session(
        engine=engine_card(recording.engine_card_toml), rig=rig_card(recording.rig_card_toml)
    )
    lines = recording.text.splitlines(keepends=True)
    first = int(lines[1].split()[1])
    sent = 0
    events = sorted([(at, "M") for at in marker_s] + [(at, "tap") for at in taps_s])
    for at_s, what in events:
        tick = (first + round(at_s * 2_000_000)) % (1 << 32)
        cut = next(
            k
            for k in range(1, len(lines))
            if lines[k][:1] == b"P" and (int(lines[k].split()[1]) - first) % (1 << 32) > at_s * 2e6
        )
        at_us = round(at_s * 1e6)
        session.feed(Chunk(at_us=at_us, data=b"".join(lines[sent:cut])))
        sent = cut
        if what == "M":
            session.feed(Chunk(at_us=at_us, data=f"M {tick} road\n".encode()))
        else:
            session.feed(OperatorInput(at_us=at_us, kind="tap", text=PINKING))
    session.feed(Chunk(at_us=None, data=b"".join(lines[sent:])))
    return session.finish()


def test_a_simulated_pull_is_found_with_its_button_and_tap(visit: Recording) -> None:
    """From bytes: the true span within half a second, and both ways of marking it."""
    true = next(span for span in visit.truth.phases if span.kind == "load")
    result = finish(visit, true.start_s + 4.0, taps_s=(true.start_s + 6.0,))
    assert faults(result) == []
    (run,) = result.loads
    assert abs(run.start_s - true.start_s) < 0.5 and abs(run.end_s - true.end_s) < 0.5
    assert run.below_barometer_kpa is not None and 0.0 < run.below_barometer_kpa < 5.0
    # The curve of this engine and the body at 10° give the advance by arithmetic.
    curve = np.array(visit.truth.centrifugal)
    added = float(np.interp(run.to_rpm, curve[:, 0], curve[:, 1]))
    assert run.advance_deg == pytest.approx(visit.script.start_deg + added, abs=1.5)
    assert [mark.by for mark in result.pinking] == ["button", "tap"]
    for mark, pressed_s in zip(result.pinking, (4.0, 6.0), strict=True):
        assert mark.load == 1
        assert mark.at_s == pytest.approx(true.start_s + pressed_s, abs=0.1)


def test_marks_outside_of_the_drive_change_nothing(visit: Recording) -> None:
    """The same button at idle says "done" to the guidance."""
    hold = next(span for span in visit.truth.phases if span.kind == "hold")
    assert finish(visit, hold.start_s + 2.0).pinking == ()
