"""What else to know at a step: why it is done again, by how much to turn, what the road test left.

Enters: a visit and its step. Leaves: lines.
"""

from __future__ import annotations

from vaclog.visit import road
from vaclog.visit.aim import aim, beyond_words, further, turn_words
from vaclog.visit.catalogue import Step
from vaclog.visit.compare_tops import Moved, moved_top
from vaclog.visit.records import Visit


def hints(visit: Visit, step: Step) -> tuple[str, ...]:
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
    """By how much and which way to turn."""
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
