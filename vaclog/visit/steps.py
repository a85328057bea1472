"""The course of a visit: what is next, and what an event makes of it.

Enters: a :class:`~vaclog.visit.records.Visit` and an event. Leaves: the visit after it, and
:class:`Next`. Pure, and the visit's record is all there is to know: it can be left after any event
and taken up by whoever has the record.

An event that is not due raises :class:`~vaclog.errors.VisitError`; the visit is then unchanged.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Final

from vaclog.errors import VisitError
from vaclog.visit import road
from vaclog.visit.aim import Aim, aim, beyond_words, ceiling_deg, filled, further, turn_words
from vaclog.visit.catalogue import ORDER, RESERVE, Step, step_of
from vaclog.visit.compare_tops import Moved, moved_top
from vaclog.visit.events import (
    Answered,
    Captured,
    Driven,
    Ended,
    Event,
    LeftOut,
    Noted,
    Redone,
    Tightened,
    TurnedTo,
)
from vaclog.visit.preflight import MEASURED, measured_points
from vaclog.visit.questions import QUESTIONS, Question
from vaclog.visit.records import Capture, Point, Purpose, Visit

# A hand sets to about a degree (0.3 mm at the rim); half of it matters, as in the live lock check.
LOCK_MOVED_DEG: Final = 0.5
# ... and a strobe read by eye before and after tells a degree at best (common practice).
LOCK_BY_EYE_DEG: Final = 1.0
KICK_BACK_DEG: Final = 2.0
RUNNING_ON_DEG: Final = 1.0  # a fast idle makes it run on too
AGAIN_MOST: Final = 3  # what still moves then is not the setting's doing

_MEASURED_AT: Final = {"fit": MEASURED, "curve": ("vacuum_off",)}
_AFTER_CAPTURE: Final = ("warm", "idle_speed")  # asked only where the check could not tell
_ANY_TIME: Final[tuple[Purpose, ...]] = ("check", "other")


@dataclass(frozen=True, slots=True, kw_only=True)
class Next:
    """What is to be done next.

    Attributes
    ----------
    step
        The step that is due.
    ask
        The one question to answer now, if any.
    wants
        The capture to record now, if any.
    put_right
        Points of this step that are doubtful.
    aim
        Where to set, at the step of setting.
    lines
        What else to know now: why it is done again, by how much to turn.
    """

    step: Step
    ask: Question | None = None
    wants: Purpose | None = None
    put_right: tuple[Point, ...] = ()
    aim: Aim | None = None
    lines: tuple[str, ...] = ()


def begin(visit: Visit, before: Visit | None = None) -> Visit:
    """A new visit at its first step, which knows what the visit before found too far."""
    visit = replace(visit, step=ORDER[0], done=())
    if before is None:
        return visit
    return replace(
        visit,
        left_deg=road.set_deg(before),
        too_far_deg=_lower(
            min(
                (
                    trial.advance_deg
                    for trial in before.trials
                    if trial.advance_deg is not None and trial.retard_deg > 0
                ),
                default=None,
            ),
            before.too_far_deg,
        ),
    )


def next_step(visit: Visit) -> Next:
    """What is to be done next; the same for the same record."""
    step = _step(visit)
    open_keys = [key for key in _asks(visit, step) if _asked_now(visit, key)]
    first = [key for key in open_keys if key not in _AFTER_CAPTURE]
    doubts = tuple(p for p in _points_of(visit, step) if p.verdict == "doubtful")
    wants = step.purpose if step.purpose and not _has_capture(visit, step) else None
    key = next(iter(first or ([] if wants else open_keys)), None)
    if key is None and wants is None:
        key = next((p.key for p in doubts if p.key in QUESTIONS), None)
    at_set = step.key == "set"
    return Next(
        step=step,
        ask=QUESTIONS[key] if key else None,
        wants=None if key else wants,
        put_right=doubts,
        aim=aim(visit) if at_set else None,
        lines=_lines(visit, step),
    )


def take(visit: Visit, event: Event) -> Visit:
    """The visit after an event.

    Raises
    ------
    VisitError
        The event is not due, or would be wrong; nothing has changed.
    """
    if visit.ended and not isinstance(event, Noted):
        raise VisitError(
            f"Visit {visit.number} ended on {visit.ended}.",
            cause="What happens now belongs to another visit.",
            step="Begin one with: vaclog visit begin.",
        )
    return _TAKERS[type(event)](visit if visit.step else begin(visit), event)


# --- each event -----------------------------------------------------------------------------------


def _answered(visit: Visit, event: Answered) -> Visit:
    point = event.point
    step = _step(visit)
    question = QUESTIONS.get(point.key)
    if question is None and point.key not in MEASURED and point.key != "check":
        raise VisitError(
            f"There is no point {point.key!r}.",
            cause="It was mistyped.",
            step=f"Asked now: {', '.join(step.asks) or 'nothing'}.",
        )
    if question is not None:
        _refuse_early(visit, point.key)
        if question.must and point.verdict == "left out":
            raise VisitError(
                f"{point.key!r} cannot be left out: {question.ask}",
                step=question.if_no,
            )
        if question.needs_value and point.value is None and point.verdict != "left out":
            raise VisitError(
                f"{point.key!r} needs a number ({question.unit}).",
                step=f"For instance: vaclog visit answer {point.key} yes --value 10.",
            )
    old = _point(visit, point.key)
    if point.verdict == "left out" and old is not None and old.verdict == "doubtful":
        point = replace(old, verdict="left out", at=point.at, text=f"Left as it is. {old.text}")
    return _settled(_with_point(visit, point))


def _captured(visit: Visit, event: Captured) -> Visit:
    capture = event.capture
    step = _step(visit)
    if capture.purpose not in _ANY_TIME and capture.purpose != step.purpose:
        wanted = f" It wants a capture for {step.purpose!r}." if step.purpose else ""
        raise VisitError(
            f"A capture for {capture.purpose!r} is not due: next is {step.key!r}, "
            f"{step.title.lower()}.{wanted}",
            cause="Steps build on one another; each changes what the next one finds.",
            step=f"{_how_on(step)} To keep the capture only: --for other.",
        )
    visit = replace(visit, captures=(*visit.captures, capture))
    if capture.purpose == "check":
        for point in measured_points(capture.result, visit.engine_toml, at=capture.at):
            old = _point(visit, point.key)
            if point.verdict != "not known" or old is None or old.measured:
                visit = _with_point(visit, point)
        return _settled(visit)
    done = _CAPTURED.get(capture.purpose)
    return visit if done is None else done(visit, capture)


def _curve_seen(visit: Visit, capture: Capture) -> Visit:
    """A slow rev-up also shows a vacuum advance that is still on: then it is not the curve."""
    points = measured_points(capture.result, visit.engine_toml, at=capture.at)
    hose = next(each for each in points if each.key == "vacuum_off")
    old = _point(visit, "vacuum_off")
    if hose.verdict == "doubtful" or (old is not None and old.verdict == "doubtful"):
        visit = _with_point(visit, hose)
    return _settled(visit)


def _swept_again(visit: Visit, capture: Capture) -> Visit:
    visit = _reached(visit, capture)
    found = moved_top(visit.captures)
    count = sum(1 for each in visit.captures if each.purpose == "again")
    if found is None or found.verdict != "moved" or count >= AGAIN_MOST:
        return _finished(visit, "again")
    visit = _aimed(visit, deg=capture.result.advice.set_deg, why="")
    return _back(visit, ("set", "idle", "again"), forget=("idle_set", "mixture"))


def _lock_seen(visit: Visit, capture: Capture) -> Visit:
    checks = getattr(capture.result, "checks", None)
    moved = getattr(checks, "moved_deg", None)
    u_moved = getattr(checks, "u_moved_deg", None)
    visit = _reached(visit, capture)
    return _tightened(visit, Tightened(moved_deg=moved, u_moved_deg=u_moved, at=capture.at))


def _turned_to(visit: Visit, event: TurnedTo) -> Visit:
    _due(visit, "set")
    setting = filled(visit, event.setting)
    most = ceiling_deg(visit)
    for angle in (setting.aimed_deg, setting.reached_deg):
        if most is not None and angle is not None and angle > most + road.NEAR_DEG:
            raise VisitError(
                f"{angle:.1f}° is too far: more than {most:.1f}° pinked, kicked back or ran on in "
                "this visit.",
                cause="Pinking is cured by retarding, never by advancing.",
                step=f"Turn it back to {most:.1f}° or less.",
            )
    visit = replace(visit, settings=(*visit.settings, setting))
    return _finished(_aimed(visit, deg=None, why=""), "set")


def _tightened(visit: Visit, event: Tightened) -> Visit:
    _due(visit, "lock")
    moved = event.moved_deg
    if not visit.settings:
        raise VisitError("Nothing was set yet.", step="Tell the setting: vaclog visit set.")
    setting = replace(
        visit.settings[-1],
        locked=True,
        moved_deg=moved,
        u_moved_deg=event.u_moved_deg,
        at=event.at or visit.settings[-1].at,
    )
    visit = replace(visit, settings=(*visit.settings[:-1], setting))
    if not lock_moved(moved, event.u_moved_deg):
        return _finished(visit, "lock")
    assert moved is not None
    way = "advance" if moved > 0 else "retard"
    why = f"Tightening moved it by {abs(moved):.1f}° to {way}: loosen, set again, hold it, lock."
    wanted = setting.aimed_deg
    by_deg = moved if wanted is None and moved > 0 else 0.0
    visit = _aimed(visit, deg=wanted, by_deg=by_deg, why=why)
    return _back(visit, ("set", "lock"))


def lock_moved(moved_deg: float | None, u_moved_deg: float | None) -> bool:
    """Whether tightening moved it by as much as matters and as can be told."""
    if moved_deg is None:
        return False
    if u_moved_deg is None:
        return abs(moved_deg) >= LOCK_BY_EYE_DEG
    return abs(moved_deg) >= max(LOCK_MOVED_DEG, 2.0 * u_moved_deg)


def _driven(visit: Visit, event: Driven) -> Visit:
    if event.trial.pinking != "none heard" and "road" in visit.done:
        visit = _back(visit, ("road",))  # heard after all, on the way home: never too late
    _due(visit, "road")
    trial = road.completed(visit, event.trial)
    most = ceiling_deg(visit)
    if most is not None and (trial.advance_deg or most) > most + road.NEAR_DEG:
        raise VisitError(
            f"That trial was driven at {trial.advance_deg:.1f}°, more than the {most:.1f}° that "
            "earlier ones leave.",
            step="Set it back, lock it, and drive again.",
        )
    visit = replace(visit, trials=(*visit.trials, trial))
    if trial.retard_deg == 0:
        return _finished(visit, "road")
    if road.persists(visit):
        return replace(_back(visit, ("road",)), step="defer")
    why = " ".join(road.follows(visit))
    deg = None if trial.advance_deg is None else trial.advance_deg - trial.retard_deg
    return _back(_aimed(visit, deg=deg, by_deg=trial.retard_deg, why=why), ("set", "lock", "road"))


def _hot(visit: Visit) -> Visit:
    """After the answers of the hot restart: done, or back to the setting."""
    kicks, runs_on = _point(visit, "kick_back"), _point(visit, "running_on")
    by_deg = KICK_BACK_DEG if kicks and kicks.verdict == "doubtful" else 0.0
    if runs_on and runs_on.verdict == "doubtful":
        by_deg = max(by_deg, RUNNING_ON_DEG)
    visit, reserve_deg = _reserved(visit)
    if max(by_deg, reserve_deg) == 0.0:
        return _finished(visit, "hot")
    here = road.set_deg(visit)
    if by_deg == 0.0:
        deg = None if here is None else here - reserve_deg
        why = f"Reserve for a hotter day or poorer fuel: retard by {reserve_deg:g}° of the crank."
        return _back(
            _aimed(_finished(visit, "hot"), deg=deg, by_deg=reserve_deg, why=why), ("set", "lock")
        )
    sign = "kicked back" if by_deg == KICK_BACK_DEG else "ran on; check the idle speed too"
    visit = replace(visit, notes=(*visit.notes, f"Hot restart: it {sign}."))
    if here is not None:
        visit = replace(visit, ceiling_deg=_lower(visit.ceiling_deg, here - by_deg))
    by_deg = max(by_deg, reserve_deg)
    deg = None if here is None else here - by_deg
    why = f"Hot, it {sign}: retard by {by_deg:g}° of the crank."
    return _back(
        _aimed(visit, deg=deg, by_deg=by_deg, why=why),
        ("set", "lock", "hot"),
        forget=("kick_back", "running_on"),
    )


def _reserved(visit: Visit) -> tuple[Visit, float]:
    """How much comes off for kinder conditions; each is taken off once."""
    found_deg = 0.0
    for key in RESERVE:
        point = _point(visit, key)
        if point is not None and point.verdict == "not known":
            found_deg += road.RESERVE_DEG
            text = f"It was not: {road.RESERVE_DEG:g}° taken off for it."
            visit = _with_point(visit, replace(point, verdict="in order", text=text))
    return visit, found_deg


def _left_out(visit: Visit, event: LeftOut) -> Visit:
    if event.step == "check":
        return _settled(_with_point(visit, Point(key="check", verdict="left out")))
    _due(visit, event.step)
    step = _step(visit)
    if not step.costs:
        raise VisitError(f"{step.title} cannot be left out.", cause=step.why)
    if step.key == "road" and road.pinking_open(visit):
        raise VisitError(
            "The road test cannot be left out after pinking.",
            cause="Nobody knows yet whether it is cured.",
            step="Drive the same stretch again, or end the visit with: vaclog visit end.",
        )
    for key in step.asks:
        point = _point(visit, key)
        if QUESTIONS[key].must and (point is None or point.verdict == "doubtful"):
            raise VisitError(
                f"Before that, one thing that is not optional: {QUESTIONS[key].ask}",
                step=f"vaclog visit answer {key} yes. If no: {QUESTIONS[key].if_no}",
            )
    why = f" Why: {event.why}" if event.why else ""
    note = f"Left out: {step.title.lower()}. {step.costs}{why}"
    return _finished(replace(visit, notes=(*visit.notes, note)), step.key)


def _redone(visit: Visit, event: Redone) -> Visit:
    known = [key for key in ORDER if key in visit.done]
    if event.step not in known:
        raise VisitError(
            f"{event.step!r} is not a step that was done.",
            step=f"Done so far: {', '.join(known) or 'nothing'}.",
        )
    later = ORDER[ORDER.index(event.step) :]
    keys = [key for name in later for key in getattr(step_of(name), "asks", ())]
    stage = further(visit) if event.step == "set" else None
    why = "" if stage is None else "Nothing was heard: one stage further, and a trial again."
    visit = _aimed(visit, deg=stage, why=why)
    return _back(visit, later, forget=tuple(keys))


def _noted(visit: Visit, event: Noted) -> Visit:
    return replace(visit, notes=(*visit.notes, event.text))


def _ended(visit: Visit, event: Ended) -> Visit:
    if visit.step == "record":
        visit = replace(visit, done=(*visit.done, "record"))
    else:
        left = ", ".join(key for key in ORDER if key not in visit.done)
        visit = replace(visit, notes=(*visit.notes, f"Ended before: {left}."))
    return replace(visit, ended=event.at)


_TAKERS: Final[dict[type, Callable[[Visit, Any], Visit]]] = {
    Answered: _answered,
    Captured: _captured,
    TurnedTo: _turned_to,
    Tightened: _tightened,
    Driven: _driven,
    LeftOut: _left_out,
    Redone: _redone,
    Noted: _noted,
    Ended: _ended,
}

_CAPTURED: Final[dict[str, Callable[[Visit, Capture], Visit]]] = {
    "curve": _curve_seen,
    "sweep": lambda visit, _: _finished(visit, "sweep"),
    "again": _swept_again,
    "lock": _lock_seen,
}


# --- how it moves ---------------------------------------------------------------------------------


def _settled(visit: Visit) -> Visit:
    """Go on if the questions of this step are answered and nothing is left to put right."""
    step = _step(visit)
    if step.key == "curve":
        seen = bool(visit.captures) and visit.captures[-1].purpose == "curve"
        doubt = any(point.verdict == "doubtful" for point in _points_of(visit, step))
        return _finished(visit, "curve") if seen and not doubt else visit
    if not step.asks or any(_point(visit, key) is None for key in _asks(visit, step)):
        return visit
    if step.key == "hot":
        return _hot(visit)
    if step.purpose and not _has_capture(visit, step):
        return visit
    if any(point.verdict == "doubtful" for point in _points_of(visit, step)):
        return visit
    return _finished(visit, step.key)


def _finished(visit: Visit, key: str) -> Visit:
    done = (*(each for each in visit.done if each != key), key)
    return _stand(replace(visit, done=done))


def _back(visit: Visit, keys: tuple[str, ...], forget: tuple[str, ...] = ()) -> Visit:
    done = tuple(each for each in visit.done if each not in keys)
    points = tuple(each for each in visit.points if each.key not in forget)
    return _stand(replace(visit, done=done, points=points))


def _stand(visit: Visit) -> Visit:
    """At the first step of the order that is not done; points of the past may fill it."""
    step = next((key for key in ORDER if key not in visit.done), ORDER[-1])
    return replace(visit, step=step)


def _aimed(visit: Visit, *, deg: float | None, why: str, by_deg: float = 0.0) -> Visit:
    return replace(visit, aim_deg=deg if why else None, aim_by_deg=by_deg, aim_why=why)


def _reached(visit: Visit, capture: Capture) -> Visit:
    """Where the distributor stands by the last hold of a capture."""
    angle_deg = capture.result.idle.angle_deg
    if not visit.settings or angle_deg is None:
        return visit
    setting = replace(visit.settings[-1], reached_deg=angle_deg)
    return replace(visit, settings=(*visit.settings[:-1], setting))


def _due(visit: Visit, key: str) -> None:
    if visit.step == key:
        return
    step = _step(visit)
    raise VisitError(
        f"Not now: next is {step.key!r}, {step.title.lower()}.",
        cause="Steps build on one another.",
        step=_how_on(step),
    )


def _how_on(step: Step) -> str:
    """How to get past a step, or back."""
    skip = f" Or leave it out: vaclog visit skip {step.key}." if step.costs else ""
    return f"Do it first: vaclog visit next shows how.{skip} To go back: vaclog visit redo STEP."


def _refuse_early(visit: Visit, key: str) -> None:
    """A question of a step that is still to come cannot be answered yet."""
    for name in ORDER[ORDER.index(visit.step) + 1 :] if visit.step in ORDER else ():
        step = step_of(name)
        if step is not None and key in step.asks and name not in visit.done:
            _due(visit, name)


def _step(visit: Visit) -> Step:
    step = step_of(visit.step or ORDER[0])
    if step is None:
        raise VisitError(
            f"This version knows no step {visit.step!r}.",
            cause="The visit was kept by a newer version.",
            step="Update vaclog.",
        )
    return step


def _asks(visit: Visit, step: Step) -> tuple[str, ...]:
    """Keys that this step asks; a reserve only where there was a trial."""
    return tuple(key for key in step.asks if key not in RESERVE or visit.trials)


def _asked_now(visit: Visit, key: str) -> bool:
    """Not answered yet; or what must be put right before anything else."""
    point = _point(visit, key)
    return point is None or (point.verdict == "doubtful" and QUESTIONS[key].must)


def _point(visit: Visit, key: str) -> Point | None:
    return next((each for each in visit.points if each.key == key), None)


def _points_of(visit: Visit, step: Step) -> list[Point]:
    keys = {*step.asks, *_MEASURED_AT.get(step.key, ())}
    return [each for each in visit.points if each.key in keys]


def _with_point(visit: Visit, point: Point) -> Visit:
    kept = tuple(each for each in visit.points if each.key != point.key)
    return replace(visit, points=(*kept, point))


def _has_capture(visit: Visit, step: Step) -> bool:
    """Whether a step's capture is there; a trial's is welcome, not needed."""
    if step.key == "road":
        return True
    if step.key == "fit":
        return visit.last("check") is not None or _point(visit, "check") is not None
    return False


def _lower(one: float | None, two: float | None) -> float | None:
    return min((each for each in (one, two) if each is not None), default=None)


def _lines(visit: Visit, step: Step) -> tuple[str, ...]:
    """What else to know at this step."""
    if step.key == "set":
        return _turn_lines(visit)
    warned = (beyond_words(visit),) if "set" in visit.done else ()
    return (*(line for line in warned if line), *_lines_after(visit, step))


def _lines_after(visit: Visit, step: Step) -> tuple[str, ...]:
    """What else to know at any other step."""
    if step.key == "idle" and (found := moved_top(visit.captures)) is not None:
        return (found.text,)
    if step.key == "defer":
        return road.trail(visit)
    if step.key == "road" and visit.trials:
        here = road.set_deg(visit)
        at = "" if here is None else f", now at {here:.1f}°"
        return (*road.trail(visit), f"Drive the same stretch again{at}.")
    if step.key == "hot" and visit.trials:
        more = further(visit)
        stage = (
            f"There is more in it: redo set takes you one stage on, to {more:.1f}°."
            if more is not None
            else ""
        )
        return tuple(line for line in (*road.follows(visit), stage) if line)
    return ()


def _turn_lines(visit: Visit) -> tuple[str, ...]:
    wanted, here = aim(visit), road.set_deg(visit)
    lines = [wanted.why] if wanted.why else []
    found: Moved | None = moved_top(visit.captures)
    if found is not None and found.verdict == "moved" and not visit.aim_why:
        lines.append(found.text)
    by_deg = -wanted.by_deg
    if wanted.deg is not None and here is None:
        capture = visit.last("sweep", "curve", "check")
        here = None if capture is None else capture.result.idle.angle_deg
    if wanted.deg is not None and here is not None:
        by_deg = wanted.deg - here
    if abs(by_deg) >= 0.1:
        way = "Advance" if by_deg > 0 else "Retard"
        from_where = f" from {here:.1f}°" if here is not None else ""
        lines.append(
            f"{way} by {abs(by_deg):.1f}° of the crank{from_where}: {turn_words(visit, by_deg)}."
        )
    return tuple(lines)
