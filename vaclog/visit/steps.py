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
from vaclog.visit.aim import Aim, aim
from vaclog.visit.answers import answered, ended, left_out, noted, redone
from vaclog.visit.captured import captured
from vaclog.visit.catalogue import ORDER, Step, step_of
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
from vaclog.visit.hints import hints
from vaclog.visit.questions import QUESTIONS, Question
from vaclog.visit.records import Point, Purpose, Visit
from vaclog.visit.standing import (
    asked_now,
    asks_of,
    has_capture,
    lower,
    points_of,
    step_now,
)
from vaclog.visit.turned import driven, tightened, turned_to

_AFTER_CAPTURE: Final = ("warm", "idle_speed")  # asked only where the check could not tell


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
    met
        Cautions of this step that a step which is done has told already.
    """

    step: Step
    ask: Question | None = None
    wants: Purpose | None = None
    put_right: tuple[Point, ...] = ()
    aim: Aim | None = None
    lines: tuple[str, ...] = ()
    met: tuple[str, ...] = ()


def begin(visit: Visit, before: Visit | None = None) -> Visit:
    """A new visit at its first step, which knows what the visit before found too far."""
    visit = replace(visit, step=ORDER[0], done=())
    if before is None:
        return visit
    return replace(
        visit,
        left_deg=road.set_deg(before),
        too_far_deg=lower(
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
    step = step_now(visit)
    open_keys = [key for key in asks_of(visit, step) if asked_now(visit, key)]
    first = [key for key in open_keys if key not in _AFTER_CAPTURE]
    doubts = tuple(p for p in points_of(visit, step) if p.verdict == "doubtful")
    wants = step.purpose if step.purpose and not has_capture(visit, step) else None
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
        lines=hints(visit, step),
        met=_met(visit, step),
    )


def _met(visit: Visit, step: Step) -> tuple[str, ...]:
    """Cautions of a step that were told at one that is done."""
    told = {each for key in visit.done if (done := step_of(key)) for each in done.cautions}
    return tuple(each for each in step.cautions if each in told)


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


_TAKERS: Final[dict[type, Callable[[Visit, Any], Visit]]] = {
    Answered: answered,
    Captured: captured,
    TurnedTo: turned_to,
    Tightened: tightened,
    Driven: driven,
    LeftOut: left_out,
    Redone: redone,
    Noted: noted,
    Ended: ended,
}
