"""What a capture makes of a visit: each purpose its own.

Enters: a visit and a capture with its result. Leaves: the visit after it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final

from vaclog.errors import VisitError
from vaclog.visit.aim import aim, beyond
from vaclog.visit.answers import settled
from vaclog.visit.compare_tops import moved_top
from vaclog.visit.events import (
    Captured,
    Tightened,
)
from vaclog.visit.preflight import measured_points
from vaclog.visit.records import Capture, Purpose, Visit
from vaclog.visit.standing import (
    aimed,
    finished,
    how_on,
    point_of,
    put_back,
    step_now,
    with_point,
)
from vaclog.visit.turned import tightened

AGAIN_MOST: Final = 3  # what still moves then is not the setting's doing
_ANY_TIME: Final[tuple[Purpose, ...]] = ("check", "other")


def captured(visit: Visit, event: Captured) -> Visit:
    """A capture was recorded, for the step that is due or at any time."""
    capture = event.capture
    step = step_now(visit)
    if capture.purpose not in _ANY_TIME and capture.purpose != step.purpose:
        wanted = f" It wants a capture for {step.purpose!r}." if step.purpose else ""
        raise VisitError(
            f"A capture for {capture.purpose!r} is not due: next is {step.key!r}, "
            f"{step.title.lower()}.{wanted}",
            cause="Steps build on one another; each changes what the next one finds.",
            step=f"{how_on(step)} To keep the capture only: --for other.",
        )
    visit = replace(visit, captures=(*visit.captures, capture))
    if capture.purpose == "check":
        for point in measured_points(capture.result, visit.engine_toml, at=capture.at):
            old = point_of(visit, point.key)
            if point.verdict != "not known" or old is None or old.measured:
                visit = with_point(visit, point)
        return settled(visit)
    done = _CAPTURED.get(capture.purpose)
    return visit if done is None else done(visit, capture)


def _curve_seen(visit: Visit, capture: Capture) -> Visit:
    """A slow rev-up also shows a vacuum advance that is still on: then it is not the curve."""
    points = measured_points(capture.result, visit.engine_toml, at=capture.at)
    hose = next(each for each in points if each.key == "vacuum_off")
    old = point_of(visit, "vacuum_off")
    if hose.verdict == "doubtful" or (old is not None and old.verdict == "doubtful"):
        visit = with_point(visit, hose)
    return settled(visit)


def _swept_again(visit: Visit, capture: Capture) -> Visit:
    """Swept again after idle and mixture were set: a top that moved is set again, not for ever."""
    visit = _reached(visit, capture)
    found = moved_top(visit.captures)
    count = sum(1 for each in visit.captures if each.purpose == "again")
    if found is None or found.verdict != "moved" or count >= AGAIN_MOST:
        return finished(visit, "again")
    visit = aimed(visit, deg=capture.result.advice.set_deg, why="")
    return put_back(visit, ("set", "idle", "again"), forget=("idle_set", "mixture"))


def _lock_seen(visit: Visit, capture: Capture) -> Visit:
    """A capture of the tightening itself; one that shows it too far advanced is not the last."""
    checks = getattr(capture.result, "checks", None)
    moved = getattr(checks, "moved_deg", None)
    u_moved = getattr(checks, "u_moved_deg", None)
    visit = _reached(visit, capture)
    visit = tightened(visit, Tightened(moved_deg=moved, u_moved_deg=u_moved, at=capture.at))
    found = beyond(visit)
    if "lock" not in visit.done or capture.result.idle.angle_deg is None or found is None:
        return visit
    here, most = found
    why = (
        f"Locked, but TOO FAR: the capture shows it at {here:.1f}°, and no more than {most:.1f}° "
        "is advised. Loosen it, set it back, lock and record again."
    )
    return put_back(aimed(visit, deg=aim(visit).deg, why=why), ("set", "lock"))


def _reached(visit: Visit, capture: Capture) -> Visit:
    """Where the distributor stands by the last hold of a capture."""
    angle_deg = capture.result.idle.angle_deg
    if not visit.settings or angle_deg is None:
        return visit
    setting = replace(visit.settings[-1], reached_deg=angle_deg)
    return replace(visit, settings=(*visit.settings[:-1], setting))


_CAPTURED: Final[dict[str, Callable[[Visit, Capture], Visit]]] = {
    "curve": _curve_seen,
    "sweep": lambda visit, _: finished(visit, "sweep"),
    "again": _swept_again,
    "lock": _lock_seen,
}
