"""What every stage of the guidance sees: the cycles until now, the hand, what is known, options.

Enters: cards, options, cycles as they come. Leaves: a :class:`Scene` that stages ask, and that
makes their instructions complete (millimetres, way as seen from above, times).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from statistics import median
from typing import Any, Final

import numpy as np

from vaclog.analysis.advice.advise import turn_way
from vaclog.analysis.phases.find import hand_angle
from vaclog.cards import EngineCard, RigCard
from vaclog.guidance.instructions import Because, Instruction, Step, Tap, Urgency, Way
from vaclog.guidance.known import Known, learn
from vaclog.guidance.lock import TOLERANCE_DEG, TOLERANCE_KPA
from vaclog.guidance.readings import ReadHand, Readings
from vaclog.guidance.watch import HandWatch
from vaclog.signals.tables import Background, CycleTable, FloatArray
from vaclog.units import body_from_crank_deg, rim_mm

# A look's cost grows with the number of cycles; asked more seldom, its share of time stays.
_LOOK_SHARE: Final = 0.06


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """What is wanted of the guidance.

    Attributes
    ----------
    goal_deg
        Half width of the top's 95 % interval that is aimed at.
    nudge_deg, wait_s
        Nudge and wait: the wait is several times the second or so in which engine and manifold
        answer (common practice: 2 to 3 degrees, 6 to 8 seconds).
    tolerance_deg
        The setting counts as reached within so much.
    ceiling_deg
        No further than this, whatever the card says: at idle the best advance of models and
        engines is 30 to 45 degrees.
    below_home_deg
        How far below the baseline the hand may be led: late ignition heats the exhaust.
    pass_cap_s
        Longest pass; the exhaust gets hot while idling far from the baseline.
    late_cap_s
        Longest time below the baseline within a pass.
    most_passes, most_sweep_s
        After so much the answer is as good as it gets.
    look_cycles
        How often what is known is looked at between decisions, in cycles: for misfires, and for
        the page. A look costs a tenth of a second on a laptop.
    strobe
        A strobe or a strip is at hand where nothing measures the angle: ask for readings.
    """

    goal_deg: float = 1.0
    nudge_deg: float = 2.5
    wait_s: float = 7.0
    tolerance_deg: float = 0.4
    ceiling_deg: float = 45.0
    below_home_deg: float = 4.0
    pass_cap_s: float = 180.0
    late_cap_s: float = 40.0
    most_passes: int = 12
    most_sweep_s: float = 600.0
    look_cycles: int = 32
    strobe: bool = False


class Scene:
    """The state that stages share.

    Attributes
    ----------
    engine, rig, options
        As given.
    cycles, background
        Until now.
    watch
        The hand.
    known
        What the last look told; None before the first.
    home_deg
        The scribed baseline, once known.
    now_us
        Device time of the end of the last cycle.
    high_seen
        (angle, reason) of limits met on the way: misfire, end of the slot.
    barometer_kpa
        Of the signals room.
    passes
        Passes of the hand finished.
    breaks
        (start, end) of times when the engine stopped, until it had settled again.
    """

    def __init__(self, engine: EngineCard, rig: RigCard, options: Options) -> None:
        self.engine, self.rig, self.options = engine, rig, options
        self.readings = Readings()
        self.watch: HandWatch = ReadHand() if options.strobe else HandWatch()
        self.cycles: CycleTable
        self.background: Background
        self.known: Known | None = None
        self.home_deg: float | None = None
        self.now_us = 0
        self.high_seen: list[tuple[float, Because]] = []
        self.low_seen: list[tuple[float, Because]] = []
        self.barometer_kpa: float | None = None
        self.passes = 0
        self.breaks: list[tuple[int, int]] = []

    # What goes on ---------------------------------------------------------------------------

    def advance(self, cycles: CycleTable, background: Background, fresh: int) -> None:
        """Go on to a longer table; the last ``fresh`` rows are new."""
        self.cycles, self.background = cycles, background
        self.now_us = int(cycles.end_us[-1])
        if self.options.strobe:
            self.refill()
            return
        tail = last_rows(cycles, fresh + 4)
        hand = hand_angle(tail, self.engine)
        for at_us, deg in zip(tail.end_us[-fresh:].tolist(), hand[-fresh:].tolist(), strict=True):
            self.watch.add(at_us, deg)

    def refill(self) -> None:
        """Put the readings into the table."""
        self.cycles = self.readings.fill(self.cycles)

    def learn(self, *, now: bool = False, thorough: bool = False) -> Known:
        """What is known; looked at again when enough cycles came, or at once."""
        n = len(self.cycles)
        if self.known is not None and not thorough:
            due = max(self.options.look_cycles, round(_LOOK_SHARE * n))
            if n == self.known.cycles or (not now and n - self.known.cycles < due):
                return self.known
        self.known = learn(
            self.cycles,
            self.background,
            self.engine,
            self.rig,
            home_deg=self.home_deg,
            barometer_kpa=self.barometer_kpa,
            thorough=thorough,
        )
        return self.known

    @property
    def sees_angle(self) -> bool:
        """Whether the advance of most recent cycles is known."""
        tail = self.cycles.advance_deg[-24:]
        return bool(len(tail) and np.isfinite(tail).mean() >= 0.5)

    def recent_deg(self, cycles: int = 10) -> float:
        """Mean advance of the last cycles, a stray left out; NaN without."""
        if self.options.strobe:
            return math.nan if self.watch.here_deg is None else self.watch.here_deg
        tail = self.cycles.advance_deg[-cycles:]
        tail = tail[np.isfinite(tail)]
        if len(tail) < 3:
            return math.nan
        middle = median(tail.tolist())
        near = np.abs(tail - middle) < 3.0 * max(self.watch.sigma_deg(), 0.2)
        return float(tail[near].mean()) if near.any() else middle

    @property
    def here_deg(self) -> float | None:
        """Where the timing is now, weights and all: mean of half a second; None if unknown."""
        here = self.recent_deg(4)
        return here if math.isfinite(here) else None

    def lock_series(self) -> tuple[FloatArray, float]:
        """What tells whether the body moved, and the change that matters: advance or vacuum."""
        if self.options.strobe or not self.sees_angle:
            return self.cycles.pressure_kpa, TOLERANCE_KPA
        return self.cycles.advance_deg, TOLERANCE_DEG

    def since(self, start_us: int, values: FloatArray) -> FloatArray:
        """Rows of a column whose cycles began at or after a time."""
        return np.asarray(values[np.searchsorted(self.cycles.start_us, start_us) :])

    # Limits ----------------------------------------------------------------------------------

    def reach(self) -> tuple[float, Because, float, Because]:
        """How far the hand may be led, and what ends it: low, why, high, why.

        Sweeping is idling without load, where no pinking is to be feared: the *sweep* ends at
        the maker's maximum total itself, as far as the angle is known. What the weights add at
        speed is taken off for the *setting*, by the advice.
        """
        options, engine = self.options, self.engine
        highs = [(options.ceiling_deg, Because.LIMIT_CEILING), *self.high_seen]
        if engine.max_total_deg is not None:
            u_deg = self._scale_u_deg()
            highs.append((engine.max_total_deg - 2.0 * u_deg, Because.LIMIT_TOTAL))
        home = self.home_deg if self.home_deg is not None else 0.0
        lows = [(home - options.below_home_deg, Because.LIMIT_RETARD), *self.low_seen]
        low, why_low = max(lows)
        high, why_high = min(highs)
        return low, why_low, max(high, home), why_high

    def _scale_u_deg(self) -> float:
        """How well an angle is known; two degrees while nothing can be said."""
        u_deg = self.known.study.judged.u_deg if self.known is not None else None
        return 2.0 if u_deg is None else u_deg

    # Instructions ----------------------------------------------------------------------------

    def say(
        self,
        step: Step,
        because: Because,
        *,
        urgency: Urgency = Urgency.NORMAL,
        valid_s: float = 6.0,
        turn_deg: float | None = None,
        waits_for: Tap | None = None,
        **numbers: Any,
    ) -> Instruction:
        """An instruction with everything that follows from the scene.

        Parameters
        ----------
        turn_deg
            Signed crank degrees to turn the body by.
        numbers
            Further fields of the instruction.
        """
        known = self.known
        given: dict[str, Any] = {
            "here_deg": self.here_deg,
            "interval_deg": known.interval_deg if known is not None else None,
            "top_deg": known.fit.angle_deg if known is not None and known.fit.found else None,
        }
        if turn_deg is not None:
            body_deg = body_from_crank_deg(abs(turn_deg))
            radius_mm = self.engine.body_radius_mm
            way: Way = 1 if turn_deg > 0 else -1
            given |= {
                "way": way,
                "turn_way": turn_way(self.engine, turn_deg),
                "to_go_deg": abs(turn_deg),
                "to_go_body_deg": body_deg,
                "to_go_mm": None if radius_mm is None else rim_mm(body_deg, radius_mm),
            }
        return Instruction(
            step=step,
            because=because,
            urgency=urgency,
            at_us=self.now_us,
            valid_us=round(valid_s * 1e6),
            waits_for=waits_for,
            **(given | numbers),
        )


def first_rows(cycles: CycleTable, count: int) -> CycleTable:
    """The table as it was when it had so many rows (views, no copies)."""
    return CycleTable(**{f.name: getattr(cycles, f.name)[:count] for f in fields(CycleTable)})


def last_rows(cycles: CycleTable, count: int) -> CycleTable:
    """The last rows of the table (views, no copies)."""
    return CycleTable(**{f.name: getattr(cycles, f.name)[-count:] for f in fields(CycleTable)})


def until(background: Background, now_us: int) -> Background:
    """The background as it was then."""
    bins = max(now_us // background.bin_us, 1)
    return Background(
        bin_us=background.bin_us,
        mean_kpa=background.mean_kpa[:bins],
        min_kpa=background.min_kpa[:bins],
        max_kpa=background.max_kpa[:bins],
        sparks=background.sparks[:bins],
        marks=background.marks[:bins],
    )
