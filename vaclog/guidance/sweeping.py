"""The sweep: nudge and wait, up past the top and back, until it is known well enough.

Enters: the scene. Leaves: instructions; at the end why it ended.

After each wait the fit is asked again (what is weighed then: :mod:`vaclog.guidance.enough`). The
first pass goes up until the top lies behind, or a limit comes, or the engine stumbles, or the slot
ends. From then on the planner says which way brings the interval down soonest. It ends when the
interval is as narrow as was asked, when no pass would bring much, or when the limits on passes and
time are met.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

from vaclog.guidance import enough
from vaclog.guidance.instructions import Because, Instruction, Step, Tap, Urgency
from vaclog.guidance.known import Known
from vaclog.guidance.passes import Passes, level_deg
from vaclog.guidance.plan import Pass
from vaclog.guidance.scene import Scene
from vaclog.guidance.stumble import stumbles, suspicious

# A third of these is a deliberate slow turn; beyond, engine and manifold cannot follow.
FAST_DEG: Final = 6.0
FAST_S: Final = 3.0
# Unheard or unanswered words are said again; after the third the body does not go further.
AGAIN_S: Final = 6.0
TRIES: Final = 4
MOVED_DEG: Final = 0.8  # of a nudge: less is creep
# Stopping at the first narrow interval would pick the lucky looks: it must be so twice.
SURE_LOOKS: Final = 2
# There, back and there again without having seen the top: a limit hides it.
UNFOUND_PASSES: Final = 3
# The other way must be better by this share before the hand is turned round again.
TURN_ROUND: Final = 1.3
STOP_PAUSE_S: Final = 3.0
# Where the engine may be about to stumble it is listened to for longer, looked at so often, and
# the next nudge is a small one.
DOUBT_S: Final = 8.0
DOUBT_LOOK_S: Final = 2.0
DOUBT_NUDGE: Final = 0.5
# The same place again, within what a hand and an idle leave open.
AGAIN_DEG: Final = 1.0


class Sweeping:
    """Second stage."""

    name = "sweep"

    def __init__(self) -> None:
        self.passes = Passes()
        self.done = False
        self.because = Because.SURE
        self._order: Instruction | None = None
        self._order_us = 0
        self._from_deg = 0.0
        self._tries = 0
        self._listening = False
        self._stopped, self._stop_us = False, 0
        self._slow_us = 0
        self._passed_said = False
        self._hold_us = 0
        self._end = False
        self._sure = 0  # how many decisions in a row found the interval narrow enough
        self._doubt_us = 0  # not before this time is it looked again whether it stumbles
        self._doubt = False  # the last longer look did not clear it
        self._smooth_us: int | None = None  # until when no stumbling was found, once it was
        self._smooth_deg = -math.inf  # furthest hold that was heard to the end and ran smoothly
        self._backing = False  # on the way back from it, not yet smooth

    # What comes in ---------------------------------------------------------------------------

    def step(self, scene: Scene) -> Instruction | None:
        """The next instruction, if it is time for one."""
        watch = scene.watch
        if watch.here_deg is None:
            return None
        if not self.passes.begun:
            self._hold_us = scene.now_us
            self.passes.begin(scene)
            return self._begin(scene)
        scene.learn()
        urgent = self._too_far(scene) or self._too_fast(scene) or self._stumbles(scene)
        if urgent is not None or watch.moving:
            self._listening &= not watch.moving
            return urgent
        return self._at_rest(scene, watch.still_s(scene.now_us))

    def _at_rest(self, scene: Scene, still_s: float) -> Instruction | None:
        """The hand is off the body, or has not moved it yet."""
        if self._stopped:
            since_s = min(still_s, (scene.now_us - self._stop_us) / 1e6)
            return self._after_stop(scene) if since_s >= STOP_PAUSE_S else None
        if self._answered(scene):
            if still_s >= scene.options.wait_s and scene.now_us >= self._doubt_us:
                return self._decide(scene)
            return self._listen(scene, still_s)
        return self._not_answered(scene)

    def tap(self, scene: Scene, tap: Tap) -> None:
        """The person ends the sweep, or says that the body does not go further."""
        if tap is Tap.ENOUGH:
            self.done, self.because = True, Because.ASKED
        elif tap is Tap.END:
            self._end = True
        elif tap in (Tap.DONE, Tap.MOVED):
            self._tries = 0

    def resume(self, scene: Scene, gap_us: int) -> Instruction | None:
        """The engine stood for so long, and runs again: no time has passed, a new hold begins.

        Returns
        -------
        Instruction or None
            The nudge once more where it was not done, else what is done now.
        """
        if not self.passes.begun:
            return None
        self.passes.skip(gap_us)
        self._order_us += gap_us
        self._stop_us += gap_us
        self._hold_us = scene.now_us
        if self._order is not None and not self._answered(scene):
            return replace(self._order, at_us=scene.now_us)
        self._listening = True
        self._doubt_us = scene.now_us + round(STOP_PAUSE_S * 1e6)
        return scene.say(Step.LISTEN, Because.SETTLE, urgency=Urgency.CALM, valid_s=2.0)

    # Orders ----------------------------------------------------------------------------------

    def _begin(self, scene: Scene) -> Instruction:
        _, _, high, _ = scene.reach()
        here = level_deg(scene)
        self.passes.way = 1 if high - here >= enough.LEAST_ROOM_DEG else -1
        return self._nudge(scene, Step.BEGIN, Because.FIRST)

    def _nudge(
        self,
        scene: Scene,
        step: Step,
        because: Because,
        *,
        urgency: Urgency = Urgency.NORMAL,
        plan: Pass | None = None,
    ) -> Instruction:
        """Order a nudge, never past the end of the reach."""
        low, _, high, _ = scene.reach()
        here = level_deg(scene)
        room = high - here if self.passes.way > 0 else here - low
        nudge = scene.options.nudge_deg * (DOUBT_NUDGE if self._doubt else 1.0)
        size = max(min(nudge, room), 0.3)
        half = scene.known.interval_deg if scene.known is not None else None
        expected = None if half is None or plan is None else half * plan.shrink
        order = scene.say(
            step,
            because,
            urgency=urgency,
            turn_deg=self.passes.way * size,
            target_deg=here + self.passes.way * size,
            expected_deg=expected,
            pass_s=plan.seconds if plan is not None else None,
        )
        self._order, self._order_us = order, scene.now_us
        # By the hand itself: weights that follow a wandering speed are no answer.
        self._from_deg = scene.watch.level_deg or 0.0
        self._tries, self._listening, self._stopped = 1, False, False
        return order

    def _answered(self, scene: Scene) -> bool:
        """Whether the hand did something since the order."""
        return abs((scene.watch.level_deg or 0.0) - self._from_deg) >= MOVED_DEG

    def _not_answered(self, scene: Scene) -> Instruction | None:
        """Say it again, or take it that the slot ends here."""
        if self._end:
            self._end = False
            return self._slot_ends(scene)
        if self._order is None or scene.now_us - self._order_us < AGAIN_S * 1e6:
            return None
        if self._tries >= TRIES:
            return self._slot_ends(scene)
        self._tries += 1
        self._order_us = scene.now_us
        assert self._order.to_go_deg is not None
        return scene.say(
            self._order.step,
            Because.NO_MOVE,
            turn_deg=self.passes.way * self._order.to_go_deg,
            target_deg=self._order.target_deg,
            expected_deg=self._order.expected_deg,
        )

    def _listen(self, scene: Scene, still_s: float) -> Instruction | None:
        """Hands off, once, when the hand came to rest."""
        if self._listening or still_s < 0.5:
            return None
        self._listening = True
        self._hold_us = scene.watch.still_since_us
        return scene.say(Step.LISTEN, Because.SETTLE, urgency=Urgency.CALM, valid_s=2.0)

    # Dangers ---------------------------------------------------------------------------------

    def _too_far(self, scene: Scene) -> Instruction | None:
        """Past the end of the reach: stop at once."""
        _, _, high, why = scene.reach()
        here = scene.here_deg
        if self._stopped or here is None or self.passes.way < 0 or here < high + 0.7:
            return None
        return self._stop(scene, why, high)

    def _too_fast(self, scene: Scene) -> Instruction | None:
        if abs(scene.watch.travel_deg(FAST_S)) < FAST_DEG or not scene.watch.moving:
            return None
        if scene.now_us - self._slow_us < FAST_S * 1e6:
            return None
        self._slow_us = scene.now_us
        return scene.say(Step.SLOWER, Because.TOO_FAST, urgency=Urgency.SOON, valid_s=1.5)

    def _stumbles(self, scene: Scene) -> Instruction | None:
        """Misfire begins here: clearly more of it than before, or clearly rougher running."""
        if scene.known is None or self._stopped or self.passes.way < 0 or scene.watch.moving:
            return None
        level = level_deg(scene)
        if level < self._smooth_deg - AGAIN_DEG:
            return None  # it ran smoothly further on, so it is not here that misfire begins
        if not stumbles(scene, scene.known, self._hold_us, self._smooth_us):
            return None
        scene.high_seen.append((level - scene.options.nudge_deg, Because.LIMIT_MISFIRE))
        if self._smooth_us is None:
            self._smooth_us = self._hold_us
        self._backing = True
        return self._stop(scene, Because.LIMIT_MISFIRE, level)

    def _backs_off(self, scene: Scene, known: Known) -> None:
        """On the way back from misfire: down to where it is smooth, each hold tells."""
        if not self._backing or self.passes.way > 0:
            return
        level = level_deg(scene)
        if suspicious(scene, known, self._hold_us, self._smooth_us):
            scene.high_seen.append((level - scene.options.nudge_deg, Because.LIMIT_MISFIRE))
        else:
            self._backing = False
            # Smooth here: as far as this it may go again, and not as far as was told at first.
            onset_deg = known.study.misfire.onset_deg
            if math.isfinite(onset_deg):
                scene.high_seen.append((max(onset_deg, level), Because.LIMIT_MISFIRE))

    def _doubtful(self, scene: Scene, known: Known) -> bool:
        """Whether it may be stumbling: then it is listened to for longer before the next nudge."""
        self._doubt = self.passes.way > 0 and suspicious(
            scene, known, self._hold_us, self._smooth_us
        )
        if scene.watch.still_s(scene.now_us) > scene.options.wait_s + DOUBT_S:
            return False
        self._doubt_us = scene.now_us + round(DOUBT_LOOK_S * 1e6)
        return self._doubt

    def _stop(self, scene: Scene, why: Because, at_deg: float) -> Instruction:
        self._stopped, self._stop_us = True, scene.now_us
        self._order = None
        return scene.say(
            Step.STOP, why, urgency=Urgency.NOW, valid_s=3.0, target_deg=at_deg, limit=why.value
        )

    def _slot_ends(self, scene: Scene) -> Instruction:
        """The body does not go further this way."""
        here = level_deg(scene)
        seen = scene.high_seen if self.passes.way > 0 else scene.low_seen
        seen.append((here, Because.LIMIT_SLOT))
        return self._stop(scene, Because.LIMIT_SLOT, here)

    def _after_stop(self, scene: Scene) -> Instruction:
        """Back from a limit: down to where the engine was smooth, or on to the setting."""
        known = scene.learn(now=True)
        ended = self._ended(scene, known)
        if ended is not None:
            return ended
        self.passes.turn_round(scene)
        return self._nudge(scene, Step.COME_BACK, Because.ONE_WAY)

    # Decisions -------------------------------------------------------------------------------

    def _decide(self, scene: Scene) -> Instruction | None:
        """A wait is over: on, back, or enough; a longer wait where it may be stumbling."""
        known = scene.learn(now=True)
        danger = self._stumbles(scene)
        if danger is None and self._doubtful(scene, known):
            return None
        self._backs_off(scene, known)
        if danger is None and self.passes.way > 0 and not self._doubt:
            self._smooth_deg = max(self._smooth_deg, level_deg(scene))
        self.passes.tread(level_deg(scene))
        self._hold_us = scene.now_us
        over = danger or self._ended(scene, known)
        if over is not None:
            return over
        if not self.passes.turned and not enough.passed(scene, known, self.passes):
            return self._first_pass(scene, known)
        ways = enough.ways(scene, known, self.passes)
        return self._best_way(scene, ways, across=enough.crossing(scene, known, self.passes))

    def _best_way(self, scene: Scene, ways: list[Pass], *, across: bool) -> Instruction:
        """On or back, whichever brings the interval down sooner; on while half way across."""
        on = [each for each in ways if enough.is_on(scene, self.passes, each)]
        back = [each for each in ways if not enough.is_on(scene, self.passes, each)]
        if not ways:
            self.passes.turn_round(scene)
            return self._nudge(scene, Step.COME_BACK, Because.ONE_WAY)
        sooner = not back or (on and on[0].per_second * TURN_ROUND >= back[0].per_second)
        stay = on and (across or sooner)
        if stay and not self.passes.hot(scene):
            return self._go_on(scene, on[0])
        if not back or (self.passes.turned and not enough.promising(scene, back[0])):
            return self._finish(scene, Because.NO_GAIN)
        return self._go_back(scene, back[0])

    def _first_pass(self, scene: Scene, known: Known) -> Instruction:
        """On until the top lies behind."""
        low, _, high, why = scene.reach()
        here = level_deg(scene)
        side = known.fit.side if known.fit.evidence >= enough.SLOPE_SURE else 0
        if self.passes.way > 0 and side < 0 and here - (scene.home_deg or here) > 5.0:
            # Everything so far lies past the top: the other side is below the baseline.
            self.passes.turn_round(scene)
            return self._nudge(scene, Step.COME_BACK, Because.OTHER_SIDE)
        room = high - here if self.passes.way > 0 else here - low
        if room < enough.LEAST_ROOM_DEG:
            if self.passes.way > 0:
                return self._stop(scene, why, high)
            self.passes.turn_round(scene)
            return self._nudge(scene, Step.COME_BACK, Because.LIMIT_RETARD)
        if self.passes.hot(scene):
            self.passes.turn_round(scene)
            return self._nudge(scene, Step.COME_BACK, Because.HEAT)
        return self._nudge(scene, Step.KEEP_GOING, Because.BELOW_TOP)

    def _go_on(self, scene: Scene, plan: Pass) -> Instruction:
        if not self._passed_said and not self.passes.turned:
            self._passed_said = True
            return self._nudge(scene, Step.PASSED_TOP, Because.PAST_TOP, plan=plan)
        return self._nudge(scene, Step.KEEP_GOING, Because.WIDER, plan=plan)

    def _go_back(self, scene: Scene, plan: Pass) -> Instruction:
        hot = self.passes.hot(scene)
        self.passes.turn_round(scene)
        if scene.passes <= 1:
            because = Because.HEAT if hot else Because.ONE_WAY
            return self._nudge(scene, Step.COME_BACK, because, plan=plan)
        because = Because.HEAT if hot else Because.TOP_UNSURE
        return self._nudge(scene, Step.ONE_MORE, because, plan=plan)

    def _ended(self, scene: Scene, known: Known) -> Instruction | None:
        """Whether the sweep is over, and why."""
        options = scene.options
        self._sure = self._sure + 1 if enough.narrow(scene, known, self.passes) else 0
        if self._sure >= SURE_LOOKS:
            return self._finish(scene, Because.SURE)
        if scene.passes >= options.most_passes or self.passes.spent_s(scene) > options.most_sweep_s:
            return self._finish(scene, Because.NO_GAIN)
        if not self.passes.turned or enough.crossing(scene, known, self.passes):
            return None
        if known.fit.found and enough.out_of_reach(scene, known, self.passes):
            return self._finish(scene, Because.NO_GAIN)
        at_low = level_deg(scene) <= (scene.home_deg or 0.0) + 2.0
        beyond = at_low and known.fit.side > 0
        if not known.fit.found and (beyond or scene.passes >= UNFOUND_PASSES):
            # There and back, and the top is not inside: more of the same tells little more.
            return self._finish(scene, Because.NO_GAIN)
        return None

    def _finish(self, scene: Scene, because: Because) -> Instruction:
        self.done, self.because = True, because
        half = scene.known.interval_deg if scene.known is not None else None
        if because is Because.SURE:
            half = scene.options.goal_deg  # what is promised
        return scene.say(Step.ENOUGH, because, valid_s=8.0, interval_deg=half)
