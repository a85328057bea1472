"""To the setting, from one side, and the lock; or back to the scribed line.

Enters: the scene. Leaves: instructions.

The last bit always comes from the retard side: play is taken up one way, and a hand that goes
too far is caught before a limit rather than after it. Turns are given in steps: a hand that
answers a second late cannot follow a needle, but it can turn half a millimetre. The set point is
looked at again after each hold near it, and stands once the clamp is being tightened.
"""

from __future__ import annotations

import math
from typing import Any, Final, Literal, TypeAlias

import numpy as np

from vaclog.guidance.instructions import Because, Instruction, Step, Tap, Urgency
from vaclog.guidance.lock import LockVerdict, compare
from vaclog.guidance.scene import Scene
from vaclog.units import body_from_crank_deg

SETTLED_S: Final = 1.6  # ten cycles for a mean good to a tenth of a degree
HOLD_S: Final = 7.0
BEST_OF: Final = 12  # cycles: fewer give no better mean than a look
AGAIN_S: Final = 6.0
# From above: so far below the set point first, that play is taken up on the way back.
LEAD_IN_DEG: Final = 2.0
# Longer ways are turned in two parts, the first ending short.
SHORT_DEG: Final = 3.0
# How much one turn says of how far this hand turns for what it is told.
GAIN_SHARE: Final = 0.4
BEFORE_US: Final = 12_000_000
SETTLE_AFTER_US: Final = 1_000_000
AFTER_S: Final = 8.0
LONGEST_AFTER_S: Final = 25.0
ASK_LOCK_S: Final = 20.0
# Noise of a second's mean, before a hand that is "there" is sent off again.
HELD_SLACK_DEG: Final = 0.2
# The last bit in two: a turn misses by a share of itself, so the shorter one lands nearer.
PARTS_FROM_DEG: Final = 1.3
FIRST_PART: Final = 0.7
# A word is answered after half a second to a second and a half, and the mean that is looked at
# is a third of a second old: a hand that turns on is told to hold so long before it is there.
AHEAD_S: Final = 1.2
# Faster than this it is a jerk, over before a word is heard.
JERK_DEG_S: Final = 2.0
# Locked further off than this, it is done again, whenever it moved.
OFF_DEG: Final = 0.5
# A set point that moved by less than this while holding is the same.
SAME_DEG: Final = 0.3

_State: TypeAlias = Literal["turn", "held", "lock", "check"]


class Setting:
    """Third stage; with ``home`` the way back to the scribed line, without a lock."""

    name = "set"

    def __init__(self, *, home: bool = False, because: Because = Because.SET_POINT) -> None:
        self.home, self.because = home, because
        self.done = False
        self.target_deg: float | None = None
        self.verdict: LockVerdict | None = None
        self._state: _State = "turn"
        self._order_us: int | None = None
        self._from_deg = 0.0
        self._order: Instruction | None = None
        self._state_us = 0
        self._from_above = False
        self._tap_us = 0
        self._before = np.zeros(0)
        self._said_there = False
        self._gain = 1.0  # how far this hand turns for what it is told
        self._learnt: Instruction | None = None

    # What comes in ---------------------------------------------------------------------------

    def step(self, scene: Scene) -> Instruction | None:
        """The next instruction, if it is time for one."""
        if self.target_deg is None:
            self._aim(scene)
        if self._state == "check":
            return self._check(scene)
        if self._state == "lock":
            return self._wait_for_lock(scene)
        if not self._at_rest(scene):
            return self._while_turning(scene)
        return self._held(scene) if self._state == "held" else self._turn(scene)

    def tap(self, scene: Scene, tap: Tap) -> None:
        """Locked: whoever says so is believed, wherever the body was led to."""
        believed = tap is Tap.LOCKED or (tap is Tap.DONE and self._state in ("lock", "held"))
        if believed and self._state != "check" and not self.home:
            if self._state != "lock":
                self._remember(scene)
            self._state, self._tap_us = "check", scene.now_us
            self._state_us = scene.now_us

    def resume(self, scene: Scene, gap_us: int) -> Instruction | None:
        """The engine stood for a while, and runs again: what is due is told or heard anew."""
        if self._state == "check":
            self._tap_us = self._state_us = scene.now_us
        elif self._state == "lock":
            return self._ask_lock(scene)
        else:
            self._state, self._order_us, self._said_there = "turn", None, False
        return None

    # Turning ---------------------------------------------------------------------------------

    def _aim(self, scene: Scene) -> None:
        """The set point of the advice; without one the baseline."""
        known = scene.learn(thorough=True)
        target = None if self.home else known.study.advice.set_deg
        if target is None:
            if not self.home:
                self.because = Because.NO_NUMBER
            self.home = True
            target = scene.home_deg
        self.target_deg = target if target is not None else scene.recent_deg()

    def _at_rest(self, scene: Scene) -> bool:
        """The hand stands long enough that the mean means something."""
        if scene.watch.moving or scene.watch.still_s(scene.now_us) < SETTLED_S:
            return False
        late, early = scene.recent_deg(5), scene.recent_deg(12)
        return abs(late - early) < max(0.35, 1.5 * scene.watch.sigma_deg())

    def _while_turning(self, scene: Scene) -> Instruction | None:
        """Say "there" in passing, once, so that the hand stops within the tolerance."""
        here = scene.here_deg
        if here is None or self.target_deg is None or self._said_there or self._order is None:
            return None
        if self._order.step is not Step.CLOSER:
            return None
        tolerance = scene.options.tolerance_deg
        if here <= self.target_deg + tolerance < self._comes_to(scene, here) + 2.0 * tolerance:
            self._said_there = True
            return scene.say(
                Step.HOLD,
                self.because,
                urgency=Urgency.NOW,
                valid_s=1.0,
                target_deg=self.target_deg,
                limit=self._limit(scene),
            )
        return None

    @staticmethod
    def _comes_to(scene: Scene, here: float) -> float:
        """Where a hand that turns slowly upwards stands when it has heard a word said now."""
        rate_deg_s = scene.watch.travel_deg(1.0)
        return here + rate_deg_s * AHEAD_S if 0.0 < rate_deg_s < JERK_DEG_S else here

    def _turn(self, scene: Scene, here: float | None = None) -> Instruction | None:
        """At rest: the next turn, or there; ``here`` where that is known better than at a look."""
        assert self.target_deg is not None
        here = scene.recent_deg() if here is None else here
        off = self.target_deg - here
        if abs(off) <= scene.options.tolerance_deg and not self._from_above:
            return self._there(scene)
        if not self._answered(scene, here):
            return None
        if off < -scene.options.tolerance_deg or (self._from_above and off <= 1.0):
            return self._back_below(scene, off)
        self._from_above = False
        if off > SHORT_DEG:
            return self._order_turn(scene, Step.TURN, off - LEAD_IN_DEG, self.because)
        part = FIRST_PART if off > PARTS_FROM_DEG else 1.0
        return self._order_turn(scene, Step.CLOSER, part * off / self._gain, Because.ONE_SIDE)

    def _answered(self, scene: Scene, here: float) -> bool:
        """Whether the hand did what it was told, or has had its time; learns how far it goes."""
        if self._order_us is None or self._order is None or self._order.to_go_deg is None:
            return True
        done = (here - self._from_deg) * self._order.way
        if done < 0.3 * self._order.to_go_deg:
            return scene.now_us - self._order_us >= AGAIN_S * 1e6
        if self._order is not self._learnt:
            self._learnt = self._order
            ratio = min(max(done / self._order.to_go_deg, 0.5), 2.0)
            self._gain += GAIN_SHARE * (ratio - self._gain)
        return True

    def _back_below(self, scene: Scene, off: float) -> Instruction:
        """From above: past the set point to the retard side, to come from there."""
        overshot = self._order is not None and self._order.step is Step.CLOSER
        self._from_above = True
        because = Because.OVERSHOT if overshot else self.because
        return self._order_turn(scene, Step.TURN, min(off - LEAD_IN_DEG, -0.5), because)

    def _order_turn(
        self, scene: Scene, step: Step, turn_deg: float, because: Because
    ) -> Instruction:
        self._order_us, self._from_deg = scene.now_us, scene.recent_deg()
        self._said_there = False
        if self.home:
            step = Step.HOME
        self._order = scene.say(
            step,
            because,
            turn_deg=turn_deg,
            target_deg=self.target_deg,
            limit=self._limit(scene),
        )
        return self._order

    def _limit(self, scene: Scene) -> str | None:
        return scene.known.study.advice.limit if scene.known is not None and not self.home else None

    # Holding and locking ----------------------------------------------------------------------

    def _there(self, scene: Scene) -> Instruction | None:
        if self.home:
            self.done = True
            return scene.say(Step.AT_HOME, self.because, target_deg=self.target_deg)
        self._state, self._state_us = "held", scene.now_us
        if self._said_there:
            return None
        self._said_there = True
        return scene.say(
            Step.HOLD,
            self.because,
            urgency=Urgency.SOON,
            valid_s=3.0,
            target_deg=self.target_deg,
            limit=self._limit(scene),
        )

    def _held(self, scene: Scene) -> Instruction | None:
        """After some seconds at the set point: does it still stand, does the hand?"""
        assert self.target_deg is not None
        here = scene.recent_deg()
        if abs(self.target_deg - here) > scene.options.tolerance_deg + HELD_SLACK_DEG:
            self._state, self._order_us = "turn", None
            return self._turn(scene)
        if (scene.now_us - self._state_us) / 1e6 < HOLD_S:
            return None
        here = self._stands(scene)
        if abs(self.target_deg - here) > scene.options.tolerance_deg:
            self._state, self._order_us = "turn", None
            return self._turn(scene, here)
        known = scene.learn(thorough=True)
        again = known.study.advice.set_deg
        if again is not None and abs(again - self.target_deg) > SAME_DEG:
            self.target_deg = again
            if abs(again - here) > scene.options.tolerance_deg:
                self._state, self._order_us = "turn", None
                return self._turn(scene, here)
        self._state, self._state_us = "lock", scene.now_us
        self._remember(scene)
        return self._ask_lock(scene)

    def _stands(self, scene: Scene) -> float:
        """Where the body stands: mean of this hold, good to a twentieth of a degree."""
        if scene.options.strobe or not scene.sees_angle:
            return scene.recent_deg()
        held = scene.since(self._state_us, scene.cycles.advance_deg)
        held = held[np.isfinite(held)]
        if len(held) < BEST_OF:
            return scene.recent_deg()
        near = np.abs(held - np.median(held)) < 3.0 * max(scene.watch.sigma_deg(), 0.2)
        return float(held[near].mean())

    def _ask_lock(self, scene: Scene) -> Instruction:
        return scene.say(
            Step.LOCK,
            Because.LOCK_CHECK,
            valid_s=10.0,
            waits_for=Tap.LOCKED,
            target_deg=self.target_deg,
            limit=self._limit(scene),
        )

    def _remember(self, scene: Scene) -> None:
        """The advance before the clamp is touched."""
        start = max(scene.watch.still_since_us + 500_000, scene.now_us - BEFORE_US)
        self._before = scene.since(start, scene.lock_series()[0]).copy()

    def _wait_for_lock(self, scene: Scene) -> Instruction | None:
        assert self.target_deg is not None
        if (scene.now_us - self._state_us) / 1e6 < ASK_LOCK_S:
            return None
        off = abs(self.target_deg - scene.recent_deg())
        if off > scene.options.tolerance_deg + HELD_SLACK_DEG:
            # Loose for so long, it crept away.
            self._state, self._order_us = "turn", None
            return self._turn(scene)
        self._state_us = scene.now_us
        return self._ask_lock(scene)

    def _check(self, scene: Scene) -> Instruction | None:
        """Compare before and after, as soon as it can be told."""
        start = self._tap_us + SETTLE_AFTER_US
        waited_s = (scene.now_us - start) / 1e6
        if waited_s < AFTER_S:
            return self._unsure(scene)
        series, tolerance = scene.lock_series()
        after = scene.since(start, series)
        verdict = compare(self._before, after, tolerance=tolerance)
        if verdict.verdict == "unsure" and waited_s < LONGEST_AFTER_S:
            return None
        self.verdict = verdict
        assert self.target_deg is not None
        by_angle = series is scene.cycles.advance_deg
        here = float(np.nanmean(after)) if by_angle else scene.recent_deg()
        off = self.target_deg - here
        moved = verdict.verdict == "moved" or (
            verdict.verdict == "unsure" and abs(verdict.moved) >= tolerance
        )
        if moved and (not by_angle or abs(off) > scene.options.tolerance_deg):
            return self._redo(scene, Because.LOCK_CHECK, self._difference(verdict, by_angle), off)
        if by_angle and abs(off) > OFF_DEG:
            return self._redo(scene, Because.CREPT, {"moved_deg": -off}, off)
        self.done = True
        home = scene.home_deg
        return scene.say(
            Step.LOCKED if verdict.verdict != "unsure" else Step.UNTOLD,
            Because.LOCK_CHECK,
            turn_deg=home - here if home is not None and abs(home - here) > 0.3 else None,
            target_deg=self.target_deg,
            limit=self._limit(scene),
            **self._difference(verdict, by_angle),
        )

    @staticmethod
    def _difference(verdict: LockVerdict, by_angle: bool) -> dict[str, Any]:
        """The verdict's numbers under the names of the instruction; none where it has none."""
        if not math.isfinite(verdict.moved):
            return {}
        unit = "deg" if by_angle else "kpa"
        return {f"moved_{unit}": verdict.moved, f"u_moved_{unit}": verdict.u_moved}

    def _unsure(self, scene: Scene) -> Instruction | None:
        if self._state_us == 0 or self._state_us != self._tap_us:
            return None
        self._state_us = 0
        return scene.say(Step.UNSURE, Because.COMPARING, urgency=Urgency.CALM, valid_s=4.0)

    def _redo(
        self, scene: Scene, because: Because, difference: dict[str, Any], off: float
    ) -> Instruction:
        self._state = "turn"
        self._order_us, self._from_deg = scene.now_us, scene.recent_deg()
        self._from_above, self._said_there = off < 0, False
        self._order = scene.say(
            Step.MOVED,
            because,
            urgency=Urgency.SOON,
            turn_deg=off if off > 0 else off - LEAD_IN_DEG,
            target_deg=self.target_deg,
            limit=self._limit(scene),
            **difference,
        )
        return self._order

    def way_home_deg(self, scene: Scene) -> float | None:
        """Signed body degrees from here to the scribed line."""
        here = scene.recent_deg()
        if scene.home_deg is None or not math.isfinite(here):
            return None
        return body_from_crank_deg(scene.home_deg - here)
