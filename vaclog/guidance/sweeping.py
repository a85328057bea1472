"""The sweep: nudge and wait, up past the top and back, until it is known well enough.

Enters: the scene. Leaves: instructions; at the end why it ended.

After each wait the fit is asked again. The first pass goes up until the top lies behind, or a
limit comes, or the engine stumbles, or the slot ends. From then on the planner says which way
brings the interval down soonest. It ends when the interval is as narrow as was asked, when no
pass would bring much, or when the limits on passes and time are met.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from vaclog.guidance.instructions import Because, Instruction, Step, Tap, Urgency
from vaclog.guidance.known import Known
from vaclog.guidance.plan import Pass, Planner
from vaclog.guidance.scene import Scene
from vaclog.signals.tables import FloatArray

# A third of these is a deliberate slow turn; beyond, engine and manifold cannot follow.
FAST_DEG: Final = 6.0
FAST_S: Final = 3.0
# Unheard or unanswered words are said again; after the third the body does not go further.
AGAIN_S: Final = 6.0
TRIES: Final = 4
MOVED_DEG: Final = 0.8  # of a nudge: less is creep
LEAST_ROOM_DEG: Final = 1.0  # a shorter nudge tells nothing
PAST_DEG: Final = 2.0  # the whole interval lies so far behind: the top is passed
SLOPE_SURE: Final = 4.0  # log units of evidence before the side of the top is believed
# Stopping at the first narrow interval would pick the lucky looks: it must be so twice.
SURE_LOOKS: Final = 2
# And narrower than what is then promised, for the narrowest intervals hold less often than they
# say: of 64 led sweeps with at most 0.9 of a degree, the fit's own held 89 in 100, ±1° held 97.
STOP_SHARE: Final = 0.85
# Both flanks, so far from the top, trodden so often.
FLANK_BELOW_DEG: Final = 6.0
FLANK_ABOVE_DEG: Final = 4.0
CROSSINGS: Final = 2
# Once the top was passed the hand goes no further from it than this: what lies beyond tells of
# the shape of the flanks, about which the fit's families differ, and no more of the top.
WORK_BELOW_DEG: Final = 8.0
WORK_ABOVE_DEG: Final = 6.5
# The planner's own half width may be so much wider than that, for what it leaves out.
PLAIN_SHARE: Final = 1.1
# A pass that narrows the interval by less than this is only begun if it helps to the goal.
LITTLE_SHRINK: Final = 0.9
# Passes part the hill from drift better the more there are: together they bring two to three times
# what the planner sees in the next one (sessions of tests/bench/hands_bench.py).
TOGETHER: Final = 3.0
# An interval this many times the goal is worth some minutes even if the goal itself is not met.
NEAR_GOAL: Final = 1.5
PATIENCE_S: Final = 360.0
# Unless a pass would bring an open interval down to so many times the goal, it is not begun.
HOPE: Final = 2.5
# There, back and there again without having seen the top: a limit hides it.
UNFOUND_PASSES: Final = 3
# The other way must be better by this share before the hand is turned round again.
TURN_ROUND: Final = 1.3
# Stumbling begins here: at least so many in one hold, at such a rate, and a change of rate that
# chance brings once in ten thousand (a look every few seconds must not stop a rough engine).
MISFIRES: Final = 4
MISFIRE_RATE: Final = 0.03
MISFIRE_CHANCE: Final = 1e-4
# Variance against all before: 30 cycles pass a ratio of 2.5 by chance about once in ten
# thousand holds (F distribution), and the scatter of combustion itself hardly doubles on a sweep.
ROUGH_CYCLES: Final = 30
ROUGH_RATIO: Final = 2.5
STOP_PAUSE_S: Final = 3.0


class Sweeping:
    """Second stage."""

    name = "sweep"

    def __init__(self) -> None:
        self.way = 1
        self.done = False
        self.because = Because.SURE
        self._began_us: int | None = None
        self._pass_us = 0
        self._late_us = 0
        self._turned = False  # a first pass was ended, its top passed or not
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
        self._pass = (math.inf, -math.inf)  # lowest and highest hold of this pass
        self._trodden: list[tuple[float, float]] = []  # the same of those before
        self._sure = 0  # how many decisions in a row found the interval narrow enough

    # What comes in ---------------------------------------------------------------------------

    def step(self, scene: Scene) -> Instruction | None:
        """The next instruction, if it is time for one."""
        watch = scene.watch
        if watch.here_deg is None:
            return None
        if self._began_us is None:
            self._began_us = self._pass_us = self._hold_us = scene.now_us
            self._pass = (self._level(scene), self._level(scene))
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
            if still_s >= scene.options.wait_s:
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

    # Orders ----------------------------------------------------------------------------------

    def _begin(self, scene: Scene) -> Instruction:
        _, _, high, _ = scene.reach()
        here = self._level(scene)
        self.way = 1 if high - here >= LEAST_ROOM_DEG else -1
        return self._nudge(scene, Step.BEGIN, Because.BELOW_TOP)

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
        here = self._level(scene)
        room = high - here if self.way > 0 else here - low
        size = max(min(scene.options.nudge_deg, room), 0.3)
        half = scene.known.interval_deg if scene.known is not None else None
        expected = None if half is None or plan is None else half * plan.shrink
        order = scene.say(
            step,
            because,
            urgency=urgency,
            turn_deg=self.way * size,
            target_deg=here + self.way * size,
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
            turn_deg=self.way * self._order.to_go_deg,
            target_deg=self._order.target_deg,
            expected_deg=self._order.expected_deg,
        )

    def _listen(self, scene: Scene, still_s: float) -> Instruction | None:
        """Hands off, once, when the hand came to rest."""
        if self._listening or still_s < 0.5:
            return None
        self._listening = True
        self._hold_us = scene.watch.still_since_us
        because = Because.AT_TOP if self._turned else Because.BELOW_TOP
        return scene.say(Step.LISTEN, because, urgency=Urgency.CALM, valid_s=2.0)

    # Dangers ---------------------------------------------------------------------------------

    def _too_far(self, scene: Scene) -> Instruction | None:
        """Past the end of the reach: stop at once."""
        _, _, high, why = scene.reach()
        here = scene.here_deg
        if self._stopped or here is None or self.way < 0 or here < high + 0.7:
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
        if scene.known is None or self._stopped or self.way < 0 or scene.watch.moving:
            return None
        if not (self._more_misfires(scene, scene.known) or self._rougher(scene)):
            return None
        level = self._level(scene)
        scene.high_seen.append((level - scene.options.nudge_deg, Because.LIMIT_MISFIRE))
        return self._stop(scene, Because.LIMIT_MISFIRE, level)

    def _more_misfires(self, scene: Scene, known: Known) -> bool:
        """Single misfires in this hold, against all cycles before it."""
        rows = known.study.misfire.cycles
        first = int(np.searchsorted(scene.cycles.start_us[: known.cycles], self._hold_us))
        here = int((rows >= first).sum())
        held, before = known.cycles - first, int((rows < first).sum())
        if here < MISFIRES or here < MISFIRE_RATE * held:
            return False
        return more_often(here, held, before, first) <= MISFIRE_CHANCE

    def _rougher(self, scene: Scene) -> bool:
        """Speed jumps from cycle to cycle far more than before.

        Where ordinary scatter drowns single misfires, each still takes a whole stroke's work: one
        in twenty makes four times the variance of a scatter of an eighth.
        """
        first = int(np.searchsorted(scene.cycles.start_us, self._hold_us))
        jumps = np.diff(scene.cycles.rpm, 2) ** 2
        here, before = jumps[first:], jumps[: max(first - 2, 0)]
        if len(here) < ROUGH_CYCLES or len(before) < 2 * ROUGH_CYCLES:
            return False
        return bool(np.nanmean(here) > ROUGH_RATIO * np.nanmean(before))

    def _stop(self, scene: Scene, why: Because, at_deg: float) -> Instruction:
        self._stopped, self._stop_us = True, scene.now_us
        self._order = None
        return scene.say(
            Step.STOP, why, urgency=Urgency.NOW, valid_s=3.0, target_deg=at_deg, limit=why.value
        )

    def _slot_ends(self, scene: Scene) -> Instruction:
        """The body does not go further this way."""
        here = self._level(scene)
        seen = scene.high_seen if self.way > 0 else scene.low_seen
        seen.append((here, Because.LIMIT_SLOT))
        return self._stop(scene, Because.LIMIT_SLOT, here)

    def _after_stop(self, scene: Scene) -> Instruction:
        """Back from a limit: down to where the engine was smooth, or on to the setting."""
        known = scene.learn(now=True)
        ended = self._ended(scene, known)
        if ended is not None:
            return ended
        self._turn_round(scene)
        return self._nudge(scene, Step.COME_BACK, Because.ONE_WAY)

    # Decisions -------------------------------------------------------------------------------

    def _decide(self, scene: Scene) -> Instruction:
        """A wait is over: on, back, or enough."""
        known = scene.learn(now=True)
        danger = self._stumbles(scene)
        here = self._level(scene)
        self._pass = (min(self._pass[0], here), max(self._pass[1], here))
        self._hold_us = scene.now_us
        over = danger or self._ended(scene, known)
        if over is not None:
            return over
        if not self._turned and not self._passed(scene, known):
            return self._first_pass(scene, known)
        return self._best_way(scene, self._ways(scene, known), across=self._crossing(scene, known))

    def _best_way(self, scene: Scene, ways: list[Pass], *, across: bool) -> Instruction:
        """On or back, whichever brings the interval down sooner; on while half way across."""
        on = [each for each in ways if self._is_on(scene, each)]
        back = [each for each in ways if not self._is_on(scene, each)]
        if not ways:
            self._turn_round(scene)
            return self._nudge(scene, Step.COME_BACK, Because.ONE_WAY)
        sooner = not back or (on and on[0].per_second * TURN_ROUND >= back[0].per_second)
        stay = on and (across or sooner)
        if stay and not self._hot(scene):
            return self._go_on(scene, on[0])
        if not back or (self._turned and not self._promising(scene, back[0])):
            return self._finish(scene, Because.NO_GAIN)
        return self._go_back(scene, back[0])

    def _crossing(self, scene: Scene, known: Known) -> bool:
        """Whether the hand is on its way from one flank to the other.

        It is not turned round in between: the planner looks one pass ahead, and would rather see
        a little more of the flank at hand again and again than go and fetch the other.
        """
        if not (self._turned and known.fit.found):
            return False
        foot, far = self._flanks(scene, known)
        here = self._level(scene)
        return here < far if self.way > 0 else here > foot

    def _flanks(self, scene: Scene, known: Known) -> tuple[float, float]:
        """Where the flanks of the top begin, as far as they can be reached."""
        low, _, high, _ = scene.reach()
        foot = max(known.fit.angle_deg - FLANK_BELOW_DEG, low + LEAST_ROOM_DEG)
        far = min(known.fit.angle_deg + FLANK_ABOVE_DEG, high - LEAST_ROOM_DEG)
        return foot, far

    def _promising(self, scene: Scene, plan: Pass) -> bool:
        """Whether another pass is worth its heat where the top was not found yet."""
        known = scene.learn()
        if known.fit.found:
            return True
        half = known.interval_deg
        return half is not None and half * plan.shrink <= HOPE * scene.options.goal_deg

    def _first_pass(self, scene: Scene, known: Known) -> Instruction:
        """On until the top lies behind."""
        low, _, high, why = scene.reach()
        here = self._level(scene)
        side = known.fit.side if known.fit.evidence >= SLOPE_SURE else 0
        if self.way > 0 and side < 0 and here - (scene.home_deg or here) > 5.0:
            # Everything so far lies past the top: the other side is below the baseline.
            self._turn_round(scene)
            return self._nudge(scene, Step.COME_BACK, Because.PAST_TOP)
        room = high - here if self.way > 0 else here - low
        if room < LEAST_ROOM_DEG:
            if self.way > 0:
                return self._stop(scene, why, high)
            self._turn_round(scene)
            return self._nudge(scene, Step.COME_BACK, Because.LIMIT_RETARD)
        if self._hot(scene):
            self._turn_round(scene)
            return self._nudge(scene, Step.COME_BACK, Because.HEAT)
        return self._nudge(scene, Step.KEEP_GOING, Because.BELOW_TOP)

    def _go_on(self, scene: Scene, plan: Pass) -> Instruction:
        if not self._passed_said and not self._turned:
            self._passed_said = True
            return self._nudge(scene, Step.PASSED_TOP, Because.PAST_TOP, plan=plan)
        return self._nudge(scene, Step.KEEP_GOING, Because.WIDER, plan=plan)

    def _go_back(self, scene: Scene, plan: Pass) -> Instruction:
        hot = self._hot(scene)
        self._turn_round(scene)
        if scene.passes <= 1:
            because = Because.HEAT if hot else Because.ONE_WAY
            return self._nudge(scene, Step.COME_BACK, because, plan=plan)
        because = Because.HEAT if hot else Because.TOP_UNSURE
        return self._nudge(scene, Step.ONE_MORE, because, plan=plan)

    def _ended(self, scene: Scene, known: Known) -> Instruction | None:
        """Whether the sweep is over, and why."""
        options = scene.options
        self._sure = self._sure + 1 if self._narrow(scene, known) else 0
        if self._sure >= SURE_LOOKS:
            return self._finish(scene, Because.SURE)
        if scene.passes >= options.most_passes or self._spent_s(scene) > options.most_sweep_s:
            return self._finish(scene, Because.NO_GAIN)
        if not self._turned or self._crossing(scene, known):
            return None
        if known.fit.found and self._out_of_reach(scene, known):
            return self._finish(scene, Because.NO_GAIN)
        at_low = self._level(scene) <= (scene.home_deg or 0.0) + 2.0
        beyond = at_low and known.fit.side > 0
        if not known.fit.found and (beyond or scene.passes >= UNFOUND_PASSES):
            # There and back, and the top is not inside: more of the same tells little more.
            return self._finish(scene, Because.NO_GAIN)
        return None

    def _narrow(self, scene: Scene, known: Known) -> bool:
        """Whether the top is known as well as was asked, and that is no lucky look.

        The width of the interval scatters from look to look as the noise flatters the hill, so
        stopping at the first narrow one would stop on the flattered ones. Both flanks must have
        been trodden up and down, and the planner's plain reckoning must agree.
        """
        fit, half = known.fit, known.interval_deg
        goal = STOP_SHARE * scene.options.goal_deg
        if not fit.found or half is None or half > goal:
            return False
        foot, far = self._flanks(scene, known)
        crossed = sum(each[0] <= foot and each[1] >= far for each in [*self._trodden, self._pass])
        plain = 1.96 * Planner(scene.cycles, known.study.use, fit.angle_deg).expected_u_deg()
        return crossed >= CROSSINGS and plain <= PLAIN_SHARE * goal

    def _out_of_reach(self, scene: Scene, known: Known) -> bool:
        """Whether the goal cannot be met in the time that is left, and a pass brings little.

        Information adds up: to come from one half width to another takes the square of their
        ratio, less what there is.
        """
        half, ways = known.interval_deg, self._ways(scene, known)
        goal = STOP_SHARE * scene.options.goal_deg
        if half is None or not ways:
            return False
        wide = half > NEAR_GOAL * goal
        worth_it = wide and self._spent_s(scene) < PATIENCE_S
        if worth_it or min(each.shrink for each in ways) <= LITTLE_SHRINK:
            return False
        wanted = max(half / goal, 1.0) ** 2 - 1.0
        left_s = scene.options.most_sweep_s - self._spent_s(scene)
        return wanted > TOGETHER * ways[0].per_second * left_s

    def _spent_s(self, scene: Scene) -> float:
        assert self._began_us is not None
        return (scene.now_us - self._began_us) / 1e6

    def _finish(self, scene: Scene, because: Because) -> Instruction:
        self.done, self.because = True, because
        half = scene.known.interval_deg if scene.known is not None else None
        if because is Because.SURE:
            half = scene.options.goal_deg  # what is promised
        return scene.say(Step.ENOUGH, because, valid_s=8.0, interval_deg=half)

    def _ways(self, scene: Scene, known: Known) -> list[Pass]:
        low, _, high, _ = scene.reach()
        here = self._level(scene)
        top = known.fit.angle_deg
        if not math.isfinite(top):
            top = here + 5.0 if self.way > 0 and not self._turned else here
        elif self._turned and known.fit.found:
            low, high = max(low, top - WORK_BELOW_DEG), min(high, top + WORK_ABOVE_DEG)
        return Planner(scene.cycles, known.study.use, top).best(
            here,
            low,
            high,
            nudge_deg=scene.options.nudge_deg,
            wait_s=scene.options.wait_s,
        )

    def _is_on(self, scene: Scene, each: Pass) -> bool:
        """Whether a planned way is the way that the hand goes now."""
        away = each.target_deg - self._level(scene)
        return away * self.way > 0 and abs(away) >= LEAST_ROOM_DEG

    def _passed(self, scene: Scene, known: Known) -> bool:
        """Whether the whole interval of the top lies behind the hand."""
        fit = known.fit
        if not math.isfinite(fit.high_deg) or fit.evidence < SLOPE_SURE:
            return False
        here = self._level(scene)
        if self.way > 0:
            return fit.found and fit.high_deg < here - PAST_DEG
        return fit.found and fit.low_deg > here + PAST_DEG

    def _hot(self, scene: Scene) -> bool:
        """A pass that lasts too long, or stands too long below the baseline."""
        if (scene.now_us - self._pass_us) / 1e6 > scene.options.pass_cap_s:
            return True
        if self.way > 0 or scene.home_deg is None:
            return False
        rows = scene.cycles.start_us >= self._pass_us
        late = scene.cycles.advance_deg[rows] < scene.home_deg - 1.0
        spans = (scene.cycles.end_us - scene.cycles.start_us)[rows]
        return float(spans[late].sum()) / 1e6 > scene.options.late_cap_s

    def _turn_round(self, scene: Scene) -> None:
        self.way = -self.way
        self._turned = True
        here = self._level(scene)
        self._trodden.append(self._pass)
        self._pass = (here, here)
        scene.passes += 1
        self._pass_us = scene.now_us

    def _level(self, scene: Scene) -> float:
        level = scene.recent_deg()
        if math.isfinite(level):
            return level
        return scene.watch.level_deg or 0.0


def more_often(here: int, held: int, before: int, earlier: int) -> float:
    """Chance that so many of all events fall into the later cycles if nothing changed.

    R. A. Fisher's exact test of a two-by-two table, one-sided (Statistical Methods for Research
    Workers, 5th ed. 1934, sect. 21.02): the upper tail of a hypergeometric distribution.

    Parameters
    ----------
    here, held
        Events among the later cycles, and how many those are.
    before, earlier
        The same of the earlier ones.
    """
    from scipy.special import gammaln

    def log_choose(n: int, k: FloatArray) -> FloatArray:
        return np.asarray(gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1))

    events, cycles = here + before, held + earlier
    k = np.arange(here, min(events, held) + 1, dtype=np.float64)
    k = k[events - k <= earlier]
    logs = log_choose(held, k) + log_choose(earlier, events - k)
    total = log_choose(cycles, np.array([float(events)]))[0]
    return float(min(np.exp(logs - total).sum(), 1.0))
