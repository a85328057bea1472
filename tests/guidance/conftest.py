"""A small world for the guide: an engine one step per cycle, and a hand that does as it is told.

The engine is a flywheel and a manifold with white combustion scatter and a hill; it shares no
code with the package beyond the records. Tables come straight from it, so a failure here is a
failure of the guidance. The rough hands are in ``tests/bench/hands_bench.py``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields

import numpy as np
import pytest

from vaclog.cards import EngineCard, RigCard, SparkSensor
from vaclog.guidance.guide import Guide
from vaclog.guidance.instructions import Instruction, Step, Tap
from vaclog.guidance.scene import Options
from vaclog.records import OperatorInput
from vaclog.signals.tables import AdvanceFrom, Background, CycleTable

CARD = EngineCard(
    name="toy",
    cylinders=4,
    rotor_turns="clockwise",
    idle_rpm=850.0,
    centrifugal=((1000.0, 0.0), (3000.0, 8.0)),
    max_total_deg=44.0,
    body_radius_mm=32.0,
)
MOST = 9000  # cycles: twenty minutes


class World:
    """Engine, hand and guide in one loop.

    Parameters
    ----------
    peak_deg, scatter
        The engine; scatter is per cycle.
    slot_deg
        Ends of the body's travel.
    misfires_from_deg, misfire_share
        Beyond this angle that share of cycles loses a stroke.
    warm
        Extra speed that goes with a time constant of 15 s.
    deaf
        Instructions (by their number) that the hand does not hear.
    step_deg
        How far the hand turns in a cycle: 0.45 are three degrees a second.
    """

    def __init__(
        self,
        *,
        peak_deg: float = 24.0,
        start_deg: float = 10.0,
        scatter: float = 0.02,
        slot_deg: tuple[float, float] = (-5.0, 60.0),
        misfires_from_deg: float | None = None,
        misfire_share: float = 0.3,
        warm: float = 0.0,
        angle: bool = True,
        deaf: frozenset[int] = frozenset(),
        card: EngineCard = CARD,
        options: Options | None = None,
        overshoot: float = 1.0,
        lock_slips_deg: tuple[float, ...] = (),
        step_deg: float = 0.45,
        seed: int = 0,
    ) -> None:
        self.peak_deg, self.scatter, self.slot_deg = peak_deg, scatter, slot_deg
        self.misfires_from_deg, self.misfire_share = misfires_from_deg, misfire_share
        self.warm, self.angle, self.deaf = warm, angle, deaf
        self.overshoot, self.lock_slips = overshoot, list(lock_slips_deg)
        self.step_deg = step_deg
        self.rng = np.random.default_rng(seed)
        self.guide = Guide(card, RigCard(spark=SparkSensor()), options)
        self.said: list[Instruction] = []
        self.hand_deg = self.target_deg = start_deg
        self.t_us = 0
        self.n = 0
        self.speed = self.fill = 0.0
        self.todo: list[tuple[int, Callable[[], None]]] = []
        self.start = np.zeros(MOST, np.int64)
        self.end = np.zeros(MOST, np.int64)
        self.rpm, self.kpa, self.deg = (np.zeros(MOST) for _ in range(3))
        self.tapped: list[tuple[int, str]] = []  # cycles that the guide had, and what was tapped

    # The engine ------------------------------------------------------------------------------

    def cycle(self) -> None:
        """One more cycle, with the hand where it is."""
        away = self.target_deg - self.hand_deg
        self.hand_deg += float(np.clip(away, -self.step_deg, self.step_deg))
        self.hand_deg = float(np.clip(self.hand_deg, *self.slot_deg))
        x = self.hand_deg - self.peak_deg
        torque = 1.0 - 3e-4 * x * x * (1.2 if x > 0 else 1.0)
        torque *= 1.0 + self.scatter * self.rng.standard_normal()
        beyond = self.misfires_from_deg is not None and self.hand_deg > self.misfires_from_deg
        if beyond and self.rng.random() < self.misfire_share:
            torque *= 0.72
        torque += self.warm * np.exp(-self.t_us / 15e6)
        self.speed += 0.25 * (torque - 1.0) - 0.13 * self.speed
        self.fill += 0.3 * (-0.8 * self.speed - self.fill)
        rpm = 880.0 * (1.0 + self.speed)
        length = round(120e6 / rpm)
        k = self.n
        self.start[k], self.end[k] = self.t_us, self.t_us + length
        self.rpm[k] = rpm
        self.kpa[k] = 40.0 * (1.0 + self.fill) + 0.02 * self.rng.standard_normal()
        self.deg[k] = self.hand_deg + 0.25 * self.rng.standard_normal()
        self.n += 1
        self.t_us += length

    def cycles(self) -> CycleTable:
        """The table so far."""
        n = self.n
        deg = self.deg[:n] if self.angle else np.full(n, np.nan)
        source = AdvanceFrom.MARK if self.angle else AdvanceFrom.NONE
        return CycleTable(
            start_us=self.start[:n],
            end_us=self.end[:n],
            rpm=self.rpm[:n],
            pressure_kpa=self.kpa[:n],
            min_kpa=self.kpa[:n] - 3.0,
            max_kpa=self.kpa[:n] + 3.0,
            slot_kpa=np.repeat(self.kpa[:n, None], 4, axis=1),
            turn_us=np.full((n, 2), np.nan),
            advance_deg=deg,
            advance_from=np.full(n, source, np.uint8),
            flags=np.zeros(n, np.uint8),
        )

    @staticmethod
    def first(table: CycleTable, count: int) -> CycleTable:
        """The first rows of a table."""
        return CycleTable(**{f.name: getattr(table, f.name)[:count] for f in fields(CycleTable)})

    def background(self) -> Background:
        """Bins of the idling engine."""
        bins = self.t_us // 100_000 + 1
        return Background(
            bin_us=100_000,
            mean_kpa=np.full(bins, 40.0),
            min_kpa=np.full(bins, 37.0),
            max_kpa=np.full(bins, 43.0),
            sparks=np.ones(bins, np.int32),
            marks=np.ones(bins, np.int32),
        )

    # The person ------------------------------------------------------------------------------

    def hear(self, instruction: Instruction) -> None:
        """Do it a second later, unless deaf to it."""
        self.said.append(instruction)
        if instruction.number in self.deaf:
            return
        if instruction.to_go_deg is not None and instruction.step is not Step.LOCKED:
            by_deg = instruction.way * instruction.to_go_deg * self.overshoot
            self.later(lambda: self.turn(by_deg))
        if instruction.step in (Step.STOP, Step.HOLD):
            self.later(self.freeze)
        if instruction.step is Step.READ_STROBE:
            self.later(lambda: self.read(round(self.hand_deg * 2) / 2))
        if instruction.step is Step.LOCK and self.lock_slips:
            slip_deg = self.lock_slips.pop(0)
            self.later(lambda: self.turn(slip_deg), 0.5)
        if instruction.waits_for is not None and instruction.step is not Step.WARM_UP:
            tap = instruction.waits_for
            self.later(lambda: self.tap(tap), 3.0)

    def later(self, what: Callable[[], None], seconds: float = 1.0) -> None:
        """Do something after a while."""
        self.todo.append((self.t_us + round(seconds * 1e6), what))

    def turn(self, by_deg: float) -> None:
        """Turn the body."""
        self.target_deg = self.hand_deg + by_deg

    def freeze(self) -> None:
        """Leave the body where it is."""
        self.target_deg = self.hand_deg

    def tap(self, tap: Tap) -> None:
        """Say something."""
        self.tapped.append((self.n - 1, tap.value))
        self.take(self.guide.on_input(OperatorInput(at_us=self.t_us, kind="tap", text=tap.value)))

    def read(self, deg: float) -> None:
        """Read the strobe."""
        operator = OperatorInput(at_us=self.t_us, kind="strobe", value_deg=deg)
        self.take(self.guide.on_input(operator))

    def take(self, said: list[Instruction]) -> None:
        """Hear all of it."""
        for instruction in said:
            self.hear(instruction)

    # The loop --------------------------------------------------------------------------------

    def run(self, until: Step | None = None, seconds: float = 500.0) -> list[Instruction]:
        """Go on until something is said, or for so long; what was said meanwhile."""
        first, end = len(self.said), self.t_us + round(seconds * 1e6)
        while self.t_us < end and self.n < MOST - 2:
            self.cycle()
            ready = [what for at, what in self.todo if at <= self.t_us]
            self.todo = [(at, what) for at, what in self.todo if at > self.t_us]
            for what in ready:
                what()
            if self.n % 2 == 0:
                self.take(self.guide.on_cycles(self.cycles(), self.background(), at_us=self.t_us))
            if until is not None and any(each.step is until for each in self.said[first:]):
                break
        return self.said[first:]


@pytest.fixture(scope="session")
def world() -> type[World]:
    """The small world, to be made with what a test needs."""
    return World


@pytest.fixture(scope="session")
def whole() -> World:
    """One session that went from the first cycle to the lock, without a hitch."""
    made = World()
    made.run(Step.LOCKED)
    return made
