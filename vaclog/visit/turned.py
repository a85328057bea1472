"""What turning, tightening and driving make of a visit.

Enters: a visit and what the hand or the road did. Leaves: the visit after it; back at the setting
where the lock moved it or the road test heard pinking.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from vaclog.errors import VisitError
from vaclog.visit import road
from vaclog.visit.aim import ceiling_deg, filled
from vaclog.visit.events import (
    Driven,
    Tightened,
    TurnedTo,
)
from vaclog.visit.records import Visit
from vaclog.visit.standing import (
    aimed,
    finished,
    put_back,
    refuse_unless_due,
)

# A hand sets to about a degree (0.3 mm at the rim); half of it matters, as in the live lock check.
LOCK_MOVED_DEG: Final = 0.5

# ... and a strobe read by eye before and after tells a degree at best (common practice).
LOCK_BY_EYE_DEG: Final = 1.0


def turned_to(visit: Visit, event: TurnedTo) -> Visit:
    """The distributor was set: never beyond what was shown to be too far."""
    refuse_unless_due(visit, "set")
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
    return finished(aimed(visit, deg=None, why=""), "set")


def tightened(visit: Visit, event: Tightened) -> Visit:
    """It was locked; where that moved it, it is set again."""
    refuse_unless_due(visit, "lock")
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
        return finished(visit, "lock")
    assert moved is not None
    way = "advance" if moved > 0 else "retard"
    why = f"Tightening moved it by {abs(moved):.1f}° to {way}: loosen, set again, hold it, lock."
    wanted = setting.aimed_deg
    by_deg = moved if wanted is None and moved > 0 else 0.0
    visit = aimed(visit, deg=wanted, by_deg=by_deg, why=why)
    return put_back(visit, ("set", "lock"))


def lock_moved(moved_deg: float | None, u_moved_deg: float | None) -> bool:
    """Whether tightening moved it by as much as matters and as can be told."""
    if moved_deg is None:
        return False
    if u_moved_deg is None:
        return abs(moved_deg) >= LOCK_BY_EYE_DEG
    return abs(moved_deg) >= max(LOCK_MOVED_DEG, 2.0 * u_moved_deg)


def driven(visit: Visit, event: Driven) -> Visit:
    """A trial on the road; what it heard takes the setting back."""
    if event.trial.pinking != "none heard" and "road" in visit.done:
        visit = put_back(visit, ("road",))  # heard after all, on the way home: never too late
    refuse_unless_due(visit, "road")
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
        return finished(visit, "road")
    if road.persists(visit):
        return replace(put_back(visit, ("road",)), step="defer")
    why = " ".join(road.follows(visit))
    deg = None if trial.advance_deg is None else trial.advance_deg - trial.retard_deg
    return put_back(
        aimed(visit, deg=deg, by_deg=trial.retard_deg, why=why), ("set", "lock", "road")
    )
