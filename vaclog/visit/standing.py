"""Where a visit stands in the order of its steps, and how it is moved along it.

Enters: a visit. Leaves: its step, what the step asks and has, or the visit further on or back. An
event that is not due raises :class:`~vaclog.errors.VisitError`.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from vaclog.errors import VisitError
from vaclog.visit.catalogue import ORDER, RESERVE, Step, step_of
from vaclog.visit.preflight import MEASURED
from vaclog.visit.questions import QUESTIONS
from vaclog.visit.records import Point, Visit

_MEASURED_AT: Final = {"fit": MEASURED, "curve": ("vacuum_off",)}


def step_now(visit: Visit) -> Step:
    """The step that is due."""
    step = step_of(visit.step or ORDER[0])
    if step is None:
        raise VisitError(
            f"This version knows no step {visit.step!r}.",
            cause="The visit was kept by a newer version.",
            step="Update vaclog.",
        )
    return step


def asks_of(visit: Visit, step: Step) -> tuple[str, ...]:
    """Keys that this step asks; a reserve only where there was a trial."""
    return tuple(key for key in step.asks if key not in RESERVE or visit.trials)


def asked_now(visit: Visit, key: str) -> bool:
    """Not answered yet; or what must be put right before anything else."""
    point = point_of(visit, key)
    return point is None or (point.verdict == "doubtful" and QUESTIONS[key].must)


def point_of(visit: Visit, key: str) -> Point | None:
    """What is known of a point; None: nothing yet."""
    return next((each for each in visit.points if each.key == key), None)


def points_of(visit: Visit, step: Step) -> list[Point]:
    """Points of a step, asked or measured."""
    keys = {*step.asks, *_MEASURED_AT.get(step.key, ())}
    return [each for each in visit.points if each.key in keys]


def with_point(visit: Visit, point: Point) -> Visit:
    """With a point, in the place of what was known of it."""
    kept = tuple(each for each in visit.points if each.key != point.key)
    return replace(visit, points=(*kept, point))


def has_capture(visit: Visit, step: Step) -> bool:
    """Whether a step's capture is there; a trial's is welcome, not needed."""
    if step.key == "road":
        return True
    if step.key == "fit":
        return visit.last("check") is not None or point_of(visit, "check") is not None
    return False


def refuse_unless_due(visit: Visit, key: str) -> None:
    """Refuse what belongs to another step than the one that is due."""
    if visit.step == key:
        return
    step = step_now(visit)
    raise VisitError(
        f"Not now: next is {step.key!r}, {step.title.lower()}.",
        cause="Steps build on one another.",
        step=how_on(step),
    )


def refuse_early(visit: Visit, key: str) -> None:
    """A question of a step that is still to come cannot be answered yet."""
    for name in ORDER[ORDER.index(visit.step) + 1 :] if visit.step in ORDER else ():
        step = step_of(name)
        if step is not None and key in step.asks and name not in visit.done:
            refuse_unless_due(visit, name)


def how_on(step: Step) -> str:
    """How to get past a step, or back."""
    skip = f" Or leave it out: vaclog visit skip {step.key}." if step.costs else ""
    return f"Do it first: vaclog visit next shows how.{skip} To go back: vaclog visit redo STEP."


def finished(visit: Visit, key: str) -> Visit:
    """With a step done, at the next that is not."""
    done = (*(each for each in visit.done if each != key), key)
    return _stand(replace(visit, done=done))


def put_back(visit: Visit, keys: tuple[str, ...], forget: tuple[str, ...] = ()) -> Visit:
    """With steps to be done again and answers forgotten."""
    done = tuple(each for each in visit.done if each not in keys)
    points = tuple(each for each in visit.points if each.key not in forget)
    return _stand(replace(visit, done=done, points=points))


def _stand(visit: Visit) -> Visit:
    """At the first step of the order that is not done; points of the past may fill it."""
    step = next((key for key in ORDER if key not in visit.done), ORDER[-1])
    return replace(visit, step=step)


def aimed(visit: Visit, *, deg: float | None, why: str, by_deg: float = 0.0) -> Visit:
    """With an aim for the next setting, or without one where there is no reason why."""
    return replace(visit, aim_deg=deg if why else None, aim_by_deg=by_deg, aim_why=why)


def lower(one: float | None, two: float | None) -> float | None:
    """The lower of two, as far as they are known."""
    return min((each for each in (one, two) if each is not None), default=None)
