"""What a page shows at one moment: the hill, the ball, the footprints, one sentence.

Enters: what the guide knows. Leaves: a :class:`View`, a frozen record that turns into strict
JSON by :func:`view_json`. Numbers that are not known are null, never NaN. Angles are crank
degrees on the rig's scale, pressures kPa absolute.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, fields, is_dataclass
from typing import Any, Final

from vaclog.guidance.instructions import Instruction

VIEW_SCHEMA: Final = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """The instruction of the moment, in words and as a record."""

    said: str
    shown: str
    reason: str
    instruction: Instruction


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """One moment.

    Attributes
    ----------
    cycles, at_us
        How many cycles there are, and the device time of the last one's end.
    stage
        "prepare", "sweep", "set", "lock", "done", "home", "paused", "stopped".
    source
        Where the advance comes from: "mark", "body", "holds", "none".
    curve_deg, curve_kpa, low_kpa, high_kpa
        The hill as steady manifold pressure, with a 95 % band; empty before there is a hill.
    ball_deg, ball_kpa
        Where the engine is now: advance, pressure over about a second.
    rpm, vacuum_kpa
        The digits that ride on the ball.
    foot_deg, foot_kpa, foot_age
        Footprints of the sweep; age 0 is the oldest, 1 the newest.
    top_deg, top_low_deg, top_high_deg, top_found
        The top and its 95 % interval as known now.
    interval_deg, goal_deg
        Half width of that interval, and the one that is aimed at.
    set_deg, set_limit, hill_deg
        Set point, what decides it, and the hill's own proposal.
    limits_deg
        Name and angle of each limit that was judged.
    home_deg
        The scribed baseline.
    allowed_low_deg, allowed_high_deg
        How far the guide will lead.
    passes, pass_s
        Passes of the hand finished, and length of the one that goes on.
    misfires
        Number of misfires seen so far.
    say
        The instruction of the moment; None when there is nothing to do.
    """

    schema: int = VIEW_SCHEMA
    cycles: int
    at_us: int
    stage: str
    source: str
    curve_deg: tuple[float, ...] = ()
    curve_kpa: tuple[float, ...] = ()
    low_kpa: tuple[float, ...] = ()
    high_kpa: tuple[float, ...] = ()
    ball_deg: float | None = None
    ball_kpa: float | None = None
    rpm: float | None = None
    vacuum_kpa: float | None = None
    foot_deg: tuple[float, ...] = ()
    foot_kpa: tuple[float, ...] = ()
    foot_age: tuple[float, ...] = ()
    top_deg: float | None = None
    top_low_deg: float | None = None
    top_high_deg: float | None = None
    top_found: bool = False
    interval_deg: float | None = None
    goal_deg: float
    set_deg: float | None = None
    set_limit: str | None = None
    hill_deg: float | None = None
    limits_deg: tuple[tuple[str, float], ...] = ()
    home_deg: float | None = None
    allowed_low_deg: float | None = None
    allowed_high_deg: float | None = None
    passes: int = 0
    pass_s: float = 0.0
    misfires: int = 0
    say: Said | None = None


def view_json(view: View) -> str:
    """The view as one line of strict JSON; numbers rounded to what can be seen."""
    return json.dumps(_plain(view), allow_nan=False, separators=(",", ":"))


def _plain(value: Any) -> Any:
    # Most are the numbers of the picture, a thousand of them.
    if isinstance(value, float):
        return round(value, 3) if math.isfinite(value) else None
    if isinstance(value, tuple | list):
        return [_plain(each) for each in value]
    if is_dataclass(value):
        return {each.name: _plain(getattr(value, each.name)) for each in fields(value)}
    return value
