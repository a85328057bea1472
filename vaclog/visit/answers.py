"""What words make of a visit: answers, what is left out, done again, noted, ended.

Enters: a visit and such an event. Leaves: the visit after it, gone on as far as its answers let it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from vaclog.errors import VisitError
from vaclog.visit import road
from vaclog.visit.aim import further
from vaclog.visit.catalogue import ORDER, RESERVE, step_of
from vaclog.visit.events import (
    Answered,
    Ended,
    LeftOut,
    Noted,
    Redone,
)
from vaclog.visit.preflight import MEASURED
from vaclog.visit.questions import QUESTIONS
from vaclog.visit.records import Point, Visit
from vaclog.visit.standing import (
    aimed,
    asks_of,
    finished,
    has_capture,
    lower,
    point_of,
    points_of,
    put_back,
    refuse_early,
    refuse_unless_due,
    step_now,
    with_point,
)

KICK_BACK_DEG: Final = 2.0
RUNNING_ON_DEG: Final = 1.0  # a fast idle makes it run on too


def answered(visit: Visit, event: Answered) -> Visit:
    """A question is answered, or a point settled by hand."""
    point = event.point
    step = step_now(visit)
    question = QUESTIONS.get(point.key)
    if question is None and point.key not in MEASURED and point.key != "check":
        raise VisitError(
            f"There is no point {point.key!r}.",
            cause="It was mistyped.",
            step=f"Asked now: {', '.join(step.asks) or 'nothing'}.",
        )
    if question is not None:
        refuse_early(visit, point.key)
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
    old = point_of(visit, point.key)
    if point.verdict == "left out" and old is not None and old.verdict == "doubtful":
        point = replace(old, verdict="left out", at=point.at, text=f"Left as it is. {old.text}")
    return settled(with_point(visit, point))


def left_out(visit: Visit, event: LeftOut) -> Visit:
    """A step is left out, as far as that may be."""
    if event.step == "check":
        return settled(with_point(visit, Point(key="check", verdict="left out")))
    refuse_unless_due(visit, event.step)
    step = step_now(visit)
    if not step.costs:
        raise VisitError(f"{step.title} cannot be left out.", cause=step.why)
    if step.key == "road" and road.pinking_open(visit):
        raise VisitError(
            "The road test cannot be left out after pinking.",
            cause="Nobody knows yet whether it is cured.",
            step="Drive the same stretch again, or end the visit with: vaclog visit end.",
        )
    for key in step.asks:
        point = point_of(visit, key)
        if QUESTIONS[key].must and (point is None or point.verdict == "doubtful"):
            raise VisitError(
                f"Before that, one thing that is not optional: {QUESTIONS[key].ask}",
                step=f"vaclog visit answer {key} yes. If no: {QUESTIONS[key].if_no}",
            )
    why = f" Why: {event.why}" if event.why else ""
    note = f"Left out: {step.title.lower()}. {step.costs}{why}"
    return finished(replace(visit, notes=(*visit.notes, note)), step.key)


def redone(visit: Visit, event: Redone) -> Visit:
    """A step that was done is done again, and all after it."""
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
    visit = aimed(visit, deg=stage, why=why)
    return put_back(visit, later, forget=tuple(keys))


def noted(visit: Visit, event: Noted) -> Visit:
    """A note, at any time."""
    return replace(visit, notes=(*visit.notes, event.text))


def ended(visit: Visit, event: Ended) -> Visit:
    """The visit ends, its steps done or not."""
    if visit.step == "record":
        visit = replace(visit, done=(*visit.done, "record"))
    else:
        left = ", ".join(key for key in ORDER if key not in visit.done)
        visit = replace(visit, notes=(*visit.notes, f"Ended before: {left}."))
    return replace(visit, ended=event.at)


def settled(visit: Visit) -> Visit:
    """Go on if the questions of this step are answered and nothing is left to put right."""
    step = step_now(visit)
    if step.key == "curve":
        seen = bool(visit.captures) and visit.captures[-1].purpose == "curve"
        doubt = any(point.verdict == "doubtful" for point in points_of(visit, step))
        return finished(visit, "curve") if seen and not doubt else visit
    if not step.asks or any(point_of(visit, key) is None for key in asks_of(visit, step)):
        return visit
    if step.key == "hot":
        return _hot(visit)
    if step.purpose and not has_capture(visit, step):
        return visit
    if any(point.verdict == "doubtful" for point in points_of(visit, step)):
        return visit
    return finished(visit, step.key)


def _hot(visit: Visit) -> Visit:
    """After the answers of the hot restart: done, or back to the setting."""
    kicks, runs_on = point_of(visit, "kick_back"), point_of(visit, "running_on")
    by_deg = KICK_BACK_DEG if kicks and kicks.verdict == "doubtful" else 0.0
    if runs_on and runs_on.verdict == "doubtful":
        by_deg = max(by_deg, RUNNING_ON_DEG)
    visit, reserve_deg = _reserved(visit)
    if max(by_deg, reserve_deg) == 0.0:
        return finished(visit, "hot")
    here = road.set_deg(visit)
    if by_deg == 0.0:
        deg = None if here is None else here - reserve_deg
        why = f"Reserve for a hotter day or poorer fuel: retard by {reserve_deg:g}° of the crank."
        return put_back(
            aimed(finished(visit, "hot"), deg=deg, by_deg=reserve_deg, why=why), ("set", "lock")
        )
    sign = "kicked back" if by_deg == KICK_BACK_DEG else "ran on; check the idle speed too"
    visit = replace(visit, notes=(*visit.notes, f"Hot restart: it {sign}."))
    if here is not None:
        visit = replace(visit, ceiling_deg=lower(visit.ceiling_deg, here - by_deg))
    by_deg = max(by_deg, reserve_deg)
    deg = None if here is None else here - by_deg
    why = f"Hot, it {sign}: retard by {by_deg:g}° of the crank."
    return put_back(
        aimed(visit, deg=deg, by_deg=by_deg, why=why),
        ("set", "lock", "hot"),
        forget=("kick_back", "running_on"),
    )


def _reserved(visit: Visit) -> tuple[Visit, float]:
    """How much comes off for kinder conditions; each is taken off once."""
    found_deg = 0.0
    for key in RESERVE:
        point = point_of(visit, key)
        if point is not None and point.verdict == "not known":
            found_deg += road.RESERVE_DEG
            text = f"It was not: {road.RESERVE_DEG:g}° taken off for it."
            visit = with_point(visit, replace(point, verdict="in order", text=text))
    return visit, found_deg
