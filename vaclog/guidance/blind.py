"""Leading by vacuum alone: nothing measures the angle, nobody reads one.

Enters: the scene. Leaves: instructions: below, at, or past the top, and how much vacuum is left
at the baseline; then the way home. Vacuum alone must not set the timing, so there is no set
point: the answer is where the top is, counted in nudges, and what could be had.

The hand is not seen. After each word it gets some seconds to turn, then the mean pressure of the
hold is compared with the best so far, by the same statistics as the lock check.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

import numpy as np

from vaclog.guidance.instructions import Because, Instruction, Step, Tap, Urgency
from vaclog.guidance.lock import TOLERANCE_KPA, compare
from vaclog.guidance.scene import Scene
from vaclog.signals.tables import FloatArray

TURN_S: Final = 4.0  # to hear, to turn, and for the manifold to answer
LISTEN_S: Final = 9.0
MOST_LISTEN_S: Final = 20.0
# Past the top for certain: so many holds that are clearly worse than the best.
WORSE: Final = 2
ASK_AGAIN_S: Final = 20.0
AFTER_S: Final = 10.0
LONGEST_AFTER_S: Final = 25.0

_State: TypeAlias = Literal["first", "turning", "home", "lock", "check"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Hold:
    """Pressure of the cycles of one hold, and how many nudges it lies from the baseline."""

    place: int
    kpa: FloatArray


class Blind:
    """Sweep, way home and lock check without an angle."""

    name = "sweep"

    def __init__(self) -> None:
        self.done = False
        self.because = Because.NO_ANGLE
        self._state: _State = "first"
        self._place = 0
        self._order_us = 0
        self._holds: list[_Hold] = []
        self._asked_us: int | None = None
        self._before: FloatArray = np.zeros(0)
        self._tap_us = 0

    @property
    def top_nudges(self) -> int | None:
        """How many nudges from the baseline vacuum was highest; None before anything is known."""
        return self._best().place if self._holds else None

    def step(self, scene: Scene) -> Instruction | None:
        """The next instruction, if it is time for one."""
        if self._state == "first":
            self._state, self._order_us = "turning", scene.now_us - round(TURN_S * 1e6)
        if self._state == "turning":
            return self._hold(scene)
        if self._state == "check":
            return self._check(scene)
        return self._ask(scene)

    def tap(self, scene: Scene, tap: Tap) -> None:
        """At the end, back at the line, or locked."""
        if tap in (Tap.END, Tap.ENOUGH) and self._state == "turning":
            self._go_home(scene)
        elif tap in (Tap.DONE, Tap.HOME) and self._state == "home":
            self._state, self._asked_us = "lock", None
            self._order_us = scene.now_us
        elif tap in (Tap.LOCKED, Tap.DONE) and self._state == "lock":
            since = max(self._order_us, scene.now_us - 15_000_000)
            self._before = scene.since(since, scene.cycles.pressure_kpa).copy()
            self._state, self._tap_us = "check", scene.now_us

    def resume(self, scene: Scene, gap_us: int) -> Instruction | None:
        """The engine stood for a while, and runs again: what was being listened to begins anew."""
        self._tap_us, self._asked_us = scene.now_us, None
        self._order_us = scene.now_us - round(TURN_S * 1e6)
        if self._state != "turning":
            return None
        return scene.say(Step.LISTEN, Because.SETTLE, urgency=Urgency.CALM, valid_s=2.0)

    # Sweep -----------------------------------------------------------------------------------

    def _hold(self, scene: Scene) -> Instruction | None:
        """Listen; when it can be told, judge and go on."""
        start_us = self._order_us + round(TURN_S * 1e6)
        heard_s = (scene.now_us - start_us) / 1e6
        if heard_s < LISTEN_S:
            return None
        hold = _Hold(place=self._place, kpa=scene.since(start_us, scene.cycles.pressure_kpa))
        if self._holds and heard_s < MOST_LISTEN_S:
            change = compare(self._best().kpa, hold.kpa, tolerance=TOLERANCE_KPA / 2)
            if change.verdict == "unsure":
                return None
        self._holds.append(hold)
        return self._judge(scene)

    def _judge(self, scene: Scene) -> Instruction:
        """Below, at or past the top."""
        best, last = self._best(), self._holds[-1]
        room = scene.options.ceiling_deg / scene.options.nudge_deg
        if self._place >= room / 1.5 or self._worse() >= WORSE:
            return self._go_home(scene)
        if len(self._holds) == 1:
            return self._nudge(scene, Step.BEGIN, Because.NO_ANGLE)
        change = compare(best.kpa, last.kpa, tolerance=TOLERANCE_KPA)
        if best is last:
            return self._nudge(scene, Step.KEEP_GOING, Because.BELOW_TOP)
        past = change.low > 0.0
        because = Because.PAST_TOP if past else Because.AT_TOP
        return self._nudge(scene, Step.PASSED_TOP if past else Step.KEEP_GOING, because)

    def _nudge(self, scene: Scene, step: Step, because: Because) -> Instruction:
        self._place += 1
        self._order_us = scene.now_us
        return scene.say(step, because, turn_deg=scene.options.nudge_deg, left_kpa=self._left())

    def _best(self) -> _Hold:
        return min(self._holds, key=lambda hold: float(np.mean(hold.kpa)))

    def _worse(self) -> int:
        """How many holds in a row, up to now, are clearly worse than the best before them."""
        best, count = self._best(), 0
        for hold in reversed(self._holds):
            if hold is best or compare(best.kpa, hold.kpa, tolerance=TOLERANCE_KPA).low <= 0.0:
                break
            count += 1
        return count

    def _left(self) -> float | None:
        """Vacuum between the baseline and the best hold."""
        if len(self._holds) < 2:
            return None
        return float(np.mean(self._holds[0].kpa) - np.mean(self._best().kpa))

    # Home and lock ---------------------------------------------------------------------------

    def _go_home(self, scene: Scene) -> Instruction:
        self._state, self._asked_us, self.name = "home", scene.now_us, "home"
        scene.passes += 1
        return self._say_home(scene)

    def _say_home(self, scene: Scene) -> Instruction:
        return scene.say(
            Step.HOME,
            Because.NO_NUMBER,
            turn_deg=-self._place * scene.options.nudge_deg if self._place else None,
            left_kpa=self._left(),
            waits_for=Tap.DONE,
            valid_s=10.0,
        )

    def _ask(self, scene: Scene) -> Instruction | None:
        """Ask for the tap that is waited for, now and again."""
        if self._asked_us is not None and scene.now_us - self._asked_us < ASK_AGAIN_S * 1e6:
            return None
        self._asked_us = scene.now_us
        if self._state == "home":
            return self._say_home(scene)
        if (scene.now_us - self._order_us) / 1e6 < AFTER_S:
            self._asked_us = None
            return None  # something to compare with must be heard before the clamp is touched
        return scene.say(Step.LOCK, Because.LOCK_CHECK, waits_for=Tap.LOCKED, valid_s=10.0)

    def _check(self, scene: Scene) -> Instruction | None:
        """Compare vacuum before and after."""
        start_us = self._tap_us + 1_000_000
        waited_s = (scene.now_us - start_us) / 1e6
        if waited_s < AFTER_S:
            return None
        after = scene.since(start_us, scene.cycles.pressure_kpa)
        verdict = compare(self._before, after, tolerance=TOLERANCE_KPA)
        if verdict.verdict == "unsure" and waited_s < LONGEST_AFTER_S:
            return None
        moved = verdict.verdict == "moved"
        told = Step.LOCKED if verdict.verdict == "held" else Step.UNTOLD
        self._state, self._asked_us = ("lock" if moved else "check"), None
        self._order_us = scene.now_us
        self.done = not moved
        return scene.say(
            Step.MOVED if moved else told,
            Because.LOCK_CHECK,
            urgency=Urgency.SOON if moved else Urgency.NORMAL,
            moved_kpa=verdict.moved,
            u_moved_kpa=verdict.u_moved,
            left_kpa=self._left(),
        )
