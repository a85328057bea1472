"""What the sweep weighs after each wait: is it known well enough, and which way tells more.

Enters: the scene, what is known, and the passes so far. Leaves: answers to single questions;
nothing is changed and nothing said here.
"""

from __future__ import annotations

import math
from typing import Final

from vaclog.guidance.known import Known
from vaclog.guidance.passes import Passes, level_deg
from vaclog.guidance.plan import Pass, Planner
from vaclog.guidance.scene import Scene

LEAST_ROOM_DEG: Final = 1.0  # a shorter nudge tells nothing
PAST_DEG: Final = 2.0  # the whole interval lies so far behind: the top is passed
SLOPE_SURE: Final = 4.0  # log units of evidence before the side of the top is believed
# A little narrower than what is then promised, for the narrow looks are partly the lucky ones: of
# 127 sessions that so ended the fit's own interval held the top in 119, and ±1° in 124
# (tests/bench/hands_bench.py, the default 210 sessions and 70 of --first 1000).
STOP_SHARE: Final = 0.95
# Both flanks, so far from the top, trodden so often.
FLANK_BELOW_DEG: Final = 6.0
FLANK_ABOVE_DEG: Final = 4.0
CROSSINGS: Final = 2
# Once the top was passed the hand goes no further from it than this: what lies beyond tells of
# the shape of the flanks, about which the fit's families differ, and no more of the top.
WORK_BELOW_DEG: Final = 8.0
WORK_ABOVE_DEG: Final = 6.5
# The planner's own half width may be so much wider than the goal, for what it leaves out.
PLAIN_SHARE: Final = 1.1
# A pass that narrows the interval by less than this is only begun if it helps to the goal.
LITTLE_SHRINK: Final = 0.9
# Passes part the hill from drift better the more there are: together they bring two to three times
# what the planner sees in the next one (sessions of tests/bench/hands_bench.py).
TOGETHER: Final = 3.0
# An interval this many times the goal is worth some minutes even if the goal itself is not met.
NEAR_GOAL: Final = 1.5
PATIENCE_S: Final = 360.0
# Unless a pass would bring an open interval down to so many times the goal, it is not begun; a
# wider one where the likely top itself lies clear of the ends of what can be reached: then passes
# still help, for drift and colour, not the slot, keep it open.
HOPE: Final = 2.5
HOPE_INSIDE: Final = 7.0
CLEAR_DEG: Final = 2.0


def passed(scene: Scene, known: Known, passes: Passes) -> bool:
    """Whether the whole interval of the top lies behind the hand."""
    fit = known.fit
    if not math.isfinite(fit.high_deg) or fit.evidence < SLOPE_SURE:
        return False
    here = level_deg(scene)
    if passes.way > 0:
        return fit.found and fit.high_deg < here - PAST_DEG
    return fit.found and fit.low_deg > here + PAST_DEG


def crossing(scene: Scene, known: Known, passes: Passes) -> bool:
    """Whether the hand is on its way from one flank to the other.

    It is not turned round in between: the planner looks one pass ahead, and would rather see
    a little more of the flank at hand again and again than go and fetch the other.
    """
    if not (passes.turned and known.fit.found):
        return False
    foot, far = flanks(scene, known)
    here = level_deg(scene)
    return here < far if passes.way > 0 else here > foot


def flanks(scene: Scene, known: Known) -> tuple[float, float]:
    """Where the flanks of the top begin, as far as they can be reached."""
    low, _, high, _ = scene.reach()
    foot = max(known.fit.angle_deg - FLANK_BELOW_DEG, low + LEAST_ROOM_DEG)
    far = min(known.fit.angle_deg + FLANK_ABOVE_DEG, high - LEAST_ROOM_DEG)
    return foot, far


def narrow(scene: Scene, known: Known, passes: Passes) -> bool:
    """Whether the top is known as well as was asked, and that is no lucky look.

    The width of the interval scatters from look to look as the noise flatters the hill, so
    stopping at the first narrow one would stop on the flattered ones. Both flanks must have
    been trodden up and down, and the planner's plain reckoning must agree.
    """
    fit, half = known.fit, known.interval_deg
    goal = STOP_SHARE * scene.options.goal_deg
    if not fit.found or half is None or half > goal:
        return False
    foot, far = flanks(scene, known)
    return passes.crossings(foot, far) >= CROSSINGS and _plain_deg(scene, known) <= goal


def _plain_deg(scene: Scene, known: Known) -> float:
    """The half width that the planner reckons, less what it may be wider for what it leaves out."""
    u_deg = Planner(scene.cycles, known.study.use, known.fit.angle_deg).expected_u_deg()
    return 1.96 * u_deg / PLAIN_SHARE


def out_of_reach(scene: Scene, known: Known, passes: Passes) -> bool:
    """Whether the goal cannot be met in the time that is left, and a pass brings little.

    Information adds up: to come from one half width to another takes the square of their
    ratio, less what there is.
    """
    half, planned = known.interval_deg, ways(scene, known, passes)
    goal = STOP_SHARE * scene.options.goal_deg
    if half is None or not planned:
        return False
    wide = half > NEAR_GOAL * goal
    worth_it = wide and passes.spent_s(scene) < PATIENCE_S
    if worth_it or min(each.shrink for each in planned) <= LITTLE_SHRINK:
        return False
    plain = _plain_deg(scene, known)
    wanted = max(half / goal, plain / goal if math.isfinite(plain) else 1.0, 1.0) ** 2 - 1.0
    left_s = scene.options.most_sweep_s - passes.spent_s(scene)
    return wanted > TOGETHER * planned[0].per_second * left_s


def promising(scene: Scene, plan: Pass) -> bool:
    """Whether another pass is worth its heat where the top was not found yet."""
    known = scene.learn()
    if known.fit.found:
        return True
    half = known.interval_deg
    if half is None:
        return False
    low, _, high, _ = scene.reach()
    inside = low + CLEAR_DEG <= known.fit.angle_deg <= high - CLEAR_DEG
    hope = HOPE_INSIDE if inside else HOPE
    return half * plan.shrink <= hope * scene.options.goal_deg


def ways(scene: Scene, known: Known, passes: Passes) -> list[Pass]:
    """The passes that could come next, the one that tells most per second first."""
    low, _, high, _ = scene.reach()
    here = level_deg(scene)
    top = known.fit.angle_deg
    if not math.isfinite(top):
        top = here + 5.0 if passes.way > 0 and not passes.turned else here
    elif passes.turned and known.fit.found:
        low, high = max(low, top - WORK_BELOW_DEG), min(high, top + WORK_ABOVE_DEG)
    return Planner(scene.cycles, known.study.use, top).best(
        here,
        low,
        high,
        nudge_deg=scene.options.nudge_deg,
        wait_s=scene.options.wait_s,
    )


def is_on(scene: Scene, passes: Passes, each: Pass) -> bool:
    """Whether a planned way is the way that the hand goes now."""
    away = each.target_deg - level_deg(scene)
    return away * passes.way > 0 and abs(away) >= LEAST_ROOM_DEG
