"""The engine stops while the hand is led: that is said, and it goes on where it was."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from vaclog.daemon.led_hand import cards_of, order_of
from vaclog.guidance.guide import Guide
from vaclog.guidance.instructions import Because, Instruction, Step, Tap, Urgency
from vaclog.guidance.scene import Options
from vaclog.guidance.sentences import words
from vaclog.guidance.stall import SETTLE_S, Stall, stands
from vaclog.records import CardText, Chunk, ClockTick, OperatorInput, PortOpened, Record
from vaclog.session import Event, Instruct, Session
from vaclog.signals.tables import Background, CycleFlag
from vaclog.simulator.crank import build
from vaclog.simulator.live import run_live
from vaclog.simulator.person import Habits, Person
from vaclog.simulator.presets import knobs
from vaclog.simulator.script import Command, Seen

TICK_US = 250_000
LEADING = (Step.BEGIN, Step.KEEP_GOING, Step.PASSED_TOP, Step.COME_BACK, Step.ONE_MORE)


@dataclass(slots=True)
class Dying:
    """Somebody whose engine dies, and who starts it again when told to."""

    person: Person
    dies_s: tuple[float, ...]
    told_s: list[float] = field(default_factory=list)
    until_s: float = 1e9
    works_at_it_s: float = 4.0
    _dead: bool = False
    _start_s: float = math.inf

    def hear(self, at_s: float) -> None:
        """The engine stopped, it says."""
        self.told_s.append(at_s)
        self._start_s = at_s + self.works_at_it_s

    def act(self, seen: Seen, command: Command) -> bool:
        """The hand does as before; the key and the starter are this one's."""
        if len(self.told_s) < len(self.dies_s) and seen.t_s >= self.dies_s[len(self.told_s)]:
            self._dead = True
        if self._dead:
            command.fuel = command.ignition = command.starter = False
            if seen.t_s > self._start_s:
                command.starter = command.ignition = True
                command.fuel = seen.t_s > self._start_s + 1.0
                if seen.rpm > 450.0:
                    command.starter, self._dead, self._start_s = False, False, math.inf
            return seen.t_s < self.until_s
        return self.person.act(seen, command) and seen.t_s < self.until_s


@dataclass(slots=True)
class Led:
    """A session in closed loop: its records, what was said, the truth's own times."""

    records: list[Record] = field(default_factory=list)
    said: list[Instruction] = field(default_factory=list)
    session: Session | None = None

    def at_s(self, step: Step) -> list[float]:
        """When a step was said."""
        return [each.at_us / 1e6 for each in self.said if each.step is step]


def lead(dies_s: Sequence[float], *, until_s: float = 1e9, seed: int = 3) -> Led:
    """Lead a careful hand on an engine that dies then."""
    scenario = knobs(scatter=0.025)
    led = Led(session=Session(lead=Guide))
    habits = Habits(ignores=0.0, lock_slip_share=0.0)
    person = Person(habits, np.random.default_rng([seed, 21]))
    dying = Dying(person, tuple(dies_s), until_s=until_s)
    cards = cards_of(scenario)

    def feed(record: Record) -> None:
        led.records.append(record)
        for event in led.session.feed(record):
            if isinstance(event, Instruct):
                led.said.append(event.instruction)
                order = order_of(event.instruction)
                if event.instruction.step is Step.STALLED:
                    dying.hear((record.at_us or 0) / 1e6)
                elif order is not None:
                    person.hear(order)

    feed(CardText(at_us=0, which="engine", toml=cards.engine))
    feed(CardText(at_us=0, which="rig", toml=cards.rig))
    feed(PortOpened(at_us=0, name="port"))
    ticked = [0]

    def deliver(at_us: int, data: bytes) -> None:
        feed(Chunk(at_us=at_us, data=data))
        if at_us - ticked[0] >= TICK_US:
            ticked[0] = at_us
            feed(ClockTick(at_us=at_us))
        taps, person.taps[:] = list(person.taps), []
        for tapped in taps:
            feed(OperatorInput(at_us=at_us, kind="tap", text=tapped.text))

    run_live(
        build(scenario.engine), scenario.rig, dying, deliver,
        start_deg=scenario.script.start_deg, seed=seed, longest_s=900.0,
    )  # fmt: skip
    return led


@pytest.fixture(scope="module")
def led() -> Led:
    """Up and back over the top, with a stop in the first pass and one on the way back."""
    return lead([75.0, 112.0], until_s=165.0)


def test_a_stopped_engine_is_said_soon_and_what_to_do(led: Led) -> None:
    """Once for each stop, within four seconds, before anything is called lost."""
    stalled = [each for each in led.said if each.step is Step.STALLED]
    assert len(stalled) == 2
    assert not led.at_s(Step.PAUSED)
    for each in stalled:
        assert each.because is Because.KEPT and each.urgency is Urgency.SOON
        said = words(each)
        assert "engine stopped" in said.said and "Start it again" in said.said
        assert "kept" in said.said and "kept" in said.reason and "scribed line" in said.shown


def test_it_goes_on_when_the_idle_has_settled(led: Led) -> None:
    """Not while the starter turns; what comes first is no turn that was made already."""
    result = led.session.finish()
    starts = [phase for phase in result.phases if phase.kind == "cranking"]
    stops = [phase for phase in result.phases if phase.kind == "stall"]
    assert len(starts) == len(stops) == 2
    for stop, start, told_s in zip(stops, starts, led.at_s(Step.STALLED), strict=True):
        assert told_s == pytest.approx(stop.start_s, abs=0.5)
        after = [each for each in led.said if each.at_us / 1e6 > told_s]
        assert after[0].at_us / 1e6 - start.end_s >= SETTLE_S - 0.5
        assert after[0].at_us / 1e6 - start.end_s < SETTLE_S + 3.0
        assert after[0].step is Step.LISTEN
        assert after[1].step in LEADING and after[1].at_us > after[0].at_us + 2_000_000


def test_what_was_measured_before_counts(led: Led) -> None:
    """The top is found from what lies on both sides of the stops."""
    result = led.session.finish()
    first_s, second_s = led.at_s(Step.STALLED)
    assert result.peak.found and result.peak.angle_deg == pytest.approx(24.0, abs=1.5)
    # The lower flank was trodden before the first stop alone, the far one before the second.
    trodden = [
        [each.here_deg for each in led.said if a < each.at_us / 1e6 < b and each.here_deg]
        for a, b in ((0.0, first_s), (second_s, 1e9))
    ]
    feet = result.hill.foot_deg
    assert min(trodden[0]) < min(trodden[1]) - 3.0
    assert sum(each < min(trodden[1]) - 2.0 for each in feet) > 20
    assert result.sweeps[0].start_s < first_s


def test_a_replay_says_the_same(led: Led) -> None:
    """From the records alone, past the first stop."""
    session, events = Session(lead=Guide), list[Event]()
    for record in led.records:
        if (record.at_us or 0) > 100e6:
            break
        events += session.feed(record)
    said = [each.instruction for each in events if isinstance(each, Instruct)]
    assert said == led.said[: len(said)] and Step.STALLED in [each.step for each in said]


# A small world that can stop --------------------------------------------------------------------


def stopping(world, **given):
    """The small world, with an engine that stops; ``still`` are spans of time in it."""

    class Stopping(world):
        still: list[tuple[int, int, float]]

        def background(self) -> Background:
            """With air in the manifold, or whatever was left there, while nothing turns."""
            made = super().background()
            for begin_us, end_us, kpa in self.still:
                rows = slice(begin_us // 100_000, end_us // 100_000 + 1)
                for each in (made.mean_kpa, made.min_kpa, made.max_kpa):
                    each[rows] = kpa
                made.sparks[rows] = made.marks[rows] = 0
            return made

        def stop(self, seconds: float, kpa: float = 101.0) -> list[Instruction]:
            """The engine stands for so long; what is said meanwhile."""
            begin_us, first = self.t_us, len(self.said)
            while self.t_us < begin_us + seconds * 1e6:
                self.t_us += 250_000
                still = (begin_us + 300_000, self.t_us, kpa)
                self.still = [each for each in self.still if each[0] != still[0]] + [still]
                table, background = self.cycles(), self.background()
                self.take(self.guide.on_cycles(table, background, at_us=self.t_us))
                self.take(self.guide.on_tick(self.t_us))
            return self.said[first:]

        def crank(self, seconds: float = 1.5) -> None:
            """The starter turns it."""
            for _ in range(round(seconds * 2.0)):
                self.cycle()
                k, length_us = self.n - 1, 500_000
                self.end[k] = self.start[k] + length_us
                self.t_us, self.rpm[k], self.kpa[k] = int(self.end[k]), 240.0, 90.0
                self.cranked = [*self.cranked, k]
                self.take(self.guide.on_cycles(self.cycles(), self.background(), at_us=self.t_us))

        def cycles(self):
            """With the starter's cycles named as such."""
            table = super().cycles()
            table.flags[self.cranked] = int(CycleFlag.CRANKING)
            return table

    made = Stopping(**given)
    made.still, made.cranked = [], []
    return made


def test_a_nudge_that_was_not_made_is_told_again(world) -> None:
    """The same, after five minutes that heat nothing: no turning round for that."""
    made = stopping(world, options=Options(goal_deg=2.0))
    made.run(Step.KEEP_GOING)
    order, passes = made.said[-1], made.guide.scene.passes
    made.todo.clear()
    spent_s = made.guide._stage.passes.spent_s(made.guide.scene)
    assert [each.step for each in made.stop(300.0)] == [Step.STALLED]
    assert made.guide.stage == "paused"
    made.crank()
    after = made.run(seconds=SETTLE_S + 1.0)
    assert [each.step for each in after] == [order.step]
    assert (after[0].to_go_deg, after[0].way) == (order.to_go_deg, order.way)
    assert made.guide.stage == "sweep" and made.guide.scene.passes == passes
    assert made.guide._stage.passes.spent_s(made.guide.scene) < spent_s + 5.0
    made.run(Step.ENOUGH)
    assert made.said[-1].step is Step.ENOUGH
    assert made.guide.scene.known.fit.angle_deg == pytest.approx(made.peak_deg, abs=1.5)


def test_a_lead_that_fell_off_is_no_stopped_engine(world) -> None:
    """The manifold keeps its vacuum: then it is data that are missing."""
    made = stopping(world)
    made.run(Step.KEEP_GOING)
    assert [each.step for each in made.stop(8.0, kpa=40.0)] == [Step.PAUSED]


def test_a_start_that_fails_is_not_the_end(world) -> None:
    """It dies again before it has settled: said again; the starter alone says nothing."""
    made = stopping(world)
    made.run(Step.KEEP_GOING)
    made.stop(6.0)
    made.crank()
    assert made.stop(6.0) == []
    made.crank()
    assert made.run(seconds=4.0) == []
    assert [each.step for each in made.stop(6.0)] == [Step.STALLED]
    made.crank()
    assert made.run(seconds=SETTLE_S + 2.0)[0].step in (Step.KEEP_GOING, Step.LISTEN)


@pytest.mark.parametrize(
    ("until", "then"),
    [
        (Step.SCRIBE, Step.SCRIBE),
        (Step.TURN, Step.TURN),
        (Step.LOCK, Step.LOCK),
        (Step.UNSURE, Step.UNSURE),
    ],
)
def test_every_stage_takes_up_what_was_due(world, until: Step, then: Step) -> None:
    """Preparing, turning to the setting, the lock, the check of the lock."""
    card = replace(
        world.__init__.__kwdefaults__["card"], static_deg=14.0, tdc_verified=True
    )  # which decides the setting at once
    made = stopping(world, card=card)
    if until is not Step.SCRIBE:
        made.run(Step.BEGIN)
        made.tap(Tap.ENOUGH)
    made.run(until)
    made.todo.clear()
    assert [each.step for each in made.stop(20.0)] == [Step.STALLED]
    made.crank()
    after = made.run(seconds=SETTLE_S + 3.0)
    assert after[0].step is then
    if until is Step.UNSURE:
        assert made.run(Step.LOCKED, 40.0)[-1].step is Step.LOCKED


def test_vacuum_alone_takes_it_up_too(world) -> None:
    """Nothing measures the angle: the hold begins anew, and the top is found all the same."""
    made = stopping(world, angle=False)
    made.run(Step.KEEP_GOING)
    made.stop(10.0)
    made.crank()
    assert made.run(seconds=SETTLE_S + 1.0)[0].step is Step.LISTEN
    made.run(Step.HOME)
    assert made.said[-1].step is Step.HOME


def test_quiet_stays_quiet(world) -> None:
    """Whoever asked for silence, or is done, is not told; nor is anybody before the first cycle."""
    made = stopping(world)
    assert made.guide.on_cycles(made.cycles(), made.background(), at_us=1) == []
    made.run(Step.BEGIN)
    made.tap(Tap.STOP)
    assert made.stop(8.0) == []


def test_a_start_does_not_hide_that_it_stumbles(world) -> None:
    """The jumps of a starting engine are not what later ones are held against."""
    made = stopping(world, misfires_from_deg=20.0, misfire_share=0.4, scatter=0.09)
    made.run(Step.KEEP_GOING)
    made.stop(5.0)
    made.crank()
    made.run(Step.STOP, 150.0)
    assert made.said[-1].step is Step.STOP and made.said[-1].because is Because.LIMIT_MISFIRE
    assert made.hand_deg < 27.0


# Whether it stands ------------------------------------------------------------------------------


def test_what_counts_as_standing(world) -> None:
    """Air in the manifold and no pulses for a second and a half; also where the air is thin."""
    made = world()
    for _ in range(80):
        made.cycle()
    cycles = made.cycles()

    def asked(kpa: float, *, still_s: float = 2.0, sparks: int = 0, barometer=None) -> bool:
        background = made.background()
        rows = slice(len(background.mean_kpa) - round(10 * still_s), None)
        background.mean_kpa[rows] = kpa
        background.sparks[rows] = background.marks[rows] = 0
        background.sparks[-6] = sparks
        return stands(background, cycles, barometer)

    assert asked(101.0) and asked(101.0, sparks=1)
    assert not asked(101.0, sparks=2)
    assert not asked(101.0, still_s=1.2)
    assert not asked(60.0)
    assert asked(79.5), "two thousand metres up, and nothing tells the altitude"
    assert not asked(math.nan)
    assert not asked(70.0, barometer=101.3) and asked(70.0, barometer=72.0)


def test_settled_counts_from_the_last_start(world) -> None:
    """Cycles of the starter begin it anew."""
    made = world()
    for _ in range(200):
        made.cycle()
    table = made.cycles()
    stall = Stall(0)
    table.flags[40] = int(CycleFlag.CRANKING)
    settled = [stall.settled(world.first(table, n)) for n in range(1, 200)]
    first = settled.index(True)
    assert table.end_us[first] - table.end_us[41] >= SETTLE_S * 1e6
    assert all(settled[first:])
