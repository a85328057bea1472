"""Ways in which a hand turns the distributor.

Enters: two ends of a travel and a habit. Leaves: a :class:`~vaclog.simulator.script.Script`.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal, TypeAlias

from vaclog.simulator.script import Follow, Hold, Script, Segment, Turn

Habit: TypeAlias = Literal[
    "there-and-back",
    "back-and-there",
    "one-way",
    "one-way-down",
    "two-passes",
    "nudge",
    "jerky",
    "overshoot",
    "follow",
]
HABITS: tuple[Habit, ...] = (
    "there-and-back",
    "back-and-there",
    "one-way",
    "one-way-down",
    "two-passes",
    "nudge",
    "jerky",
    "overshoot",
    "follow",
)


def sweep_script(
    habit: Habit,
    low_deg: float,
    high_deg: float,
    *,
    rate_deg_s: float = 1.0,
    hold_s: float = 8.0,
    seconds: float = 80.0,
) -> Script:
    """Build a hand's way between two settings that begins and ends with a hold.

    Parameters
    ----------
    habit
        How the hand goes about it.
    low_deg, high_deg
        Ends of the travel.
    rate_deg_s
        Speed of the turning hand.
    hold_s
        First and last hold; a third of it at the turning point.
    seconds
        How long a "follow" lasts.
    """
    hold, rest = Hold(seconds=hold_s), Hold(seconds=hold_s / 3.0)

    def turn(to_deg: float) -> Turn:
        return Turn(to_deg=to_deg, rate_deg_s=rate_deg_s)

    mid = 0.5 * (low_deg + high_deg)
    ways: dict[Habit, tuple[float, list[Segment]]] = {
        "there-and-back": (low_deg, [turn(high_deg), rest, turn(low_deg)]),
        "back-and-there": (high_deg, [turn(low_deg), rest, turn(high_deg)]),
        "one-way": (low_deg, [turn(high_deg)]),
        "one-way-down": (high_deg, [turn(low_deg)]),
        "two-passes": (
            low_deg,
            [turn(high_deg), rest, turn(low_deg), rest, turn(high_deg), rest, turn(low_deg)],
        ),
        "nudge": (
            low_deg,
            [
                Turn(to_deg=high_deg, rate_deg_s=4.0, step_deg=2.5, wait_s=7.0),
                Hold(seconds=7.0),
                Turn(to_deg=low_deg, rate_deg_s=4.0, step_deg=3.0, wait_s=6.0),
            ],
        ),
        "jerky": (
            low_deg,
            [
                Turn(to_deg=high_deg, rate_deg_s=2.5, step_deg=2.5, wait_s=1.5, jerky=0.5),
                rest,
                Turn(to_deg=low_deg, rate_deg_s=2.5, step_deg=2.5, wait_s=1.5, jerky=0.5),
            ],
        ),
        "overshoot": (
            low_deg,
            [turn(high_deg), rest, turn(low_deg + 2.0), rest, turn(mid + 4.0), rest, turn(mid)],
        ),
        "follow": (low_deg, [Follow(seconds=seconds, low_deg=low_deg - 3.0, high_deg=high_deg)]),
    }
    start_deg, middle = ways[habit]
    return Script(start_deg=start_deg, segments=(hold, *middle, hold))


def around(script: Script, *, before: tuple[Segment, ...], after: tuple[Segment, ...]) -> Script:
    """Put a start before a sweep and an end after it."""
    return replace(script, segments=(*before, *script.segments, *after))
