"""The answer in words: where to set, how to get there and back, what decides.

Enters: a result. Leaves: sentences that text, page, picture and speech share.
"""

from __future__ import annotations

from typing import Final

from vaclog.report.words.quantities import (
    before_top,
    degrees,
    difference,
    fixed,
    half_millimetres,
    listed,
    way,
)
from vaclog.result import Result
from vaclog.units import PressureUnit

_SMALL_TURN_DEG: Final = 0.25  # of the body: half a degree of the crank; nobody's hand is finer


def headline(result: Result) -> str:
    """The answer in one sentence."""
    if result.advice.set_deg is not None:
        return f"Set it to {before_top(result.advice.set_deg)}, read at idle on this rig."
    if result.peak.angle_deg is not None:
        return (
            f"The top was found at {degrees(result.peak.angle_deg)}, but that is no setting: no "
            "set point is given."
        )
    return "No set point is given: the top was not found."


def move(result: Result) -> str:
    """How far and which way from where the engine last idled, in one sentence."""
    advice, here_deg = result.advice, result.idle.angle_deg
    if advice.set_deg is None:
        return ""
    if advice.turn_deg is None or here_deg is None:
        return "How far to turn is not known: no angle was held at the end."
    if abs(advice.turn_deg) < _SMALL_TURN_DEG:
        return f"The body stands there already ({degrees(here_deg)} at the last hold): leave it."
    verb = "advance" if advice.turn_deg > 0 else "retard"
    return (
        f"From the last hold at {degrees(here_deg)}: {verb}, turning the body "
        f"{amount(advice.turn_deg, advice.turn_mm, advice.turn_clicks)}"
        f"{', ' + way(advice.turn_way) if advice.turn_way else ''}."
    )


def amount(turn_deg: float, way_mm: float | None, clicks: float | None = None) -> str:
    """A turn of the body in degrees, millimetres and clicks."""
    text = f"{fixed(abs(turn_deg), 1)}°"
    also = [] if way_mm is None else [f"{half_millimetres(way_mm)} at its rim"]
    if clicks is not None:
        count = round(abs(clicks))
        also.append(f"{count} click{'' if count == 1 else 's'}")
    return f"{text} ({', '.join(also)})" if also else text


def approach(turn_deg: float) -> str:
    """Always arrive from the retarded side: slack lies the same way and no step goes too far."""
    if abs(turn_deg) < _SMALL_TURN_DEG:
        return ""
    if turn_deg < 0:
        return (
            "Turn the body about a degree too far, then come back up to it: so the slack is taken "
            "up on one side, and you never arrive from too far advanced."
        )
    return (
        "Come up to it in one movement; if you pass it, go well back and come up again, so that "
        "the slack is always taken up on the same side."
    )


def no_way_known(turn_deg: float | None) -> str:
    """What to say where the card does not tell how the rotor turns."""
    if turn_deg is None or abs(turn_deg) < _SMALL_TURN_DEG:
        return ""
    against = "against the rotor" if turn_deg > 0 else "with the rotor"
    return f"Which way that is: {against}; look under the cap which way it turns."


def way_home(result: Result) -> str:
    """From the last hold back to the first."""
    advice = result.advice
    if advice.home_deg is None:
        return ""
    if abs(advice.home_deg) < _SMALL_TURN_DEG:
        return "Way home: the last hold is where the first one was."
    verb = "advance" if advice.home_deg > 0 else "retard"
    return (
        f"Way home, from the last hold to where the first one was: {verb}, the body "
        f"{amount(advice.home_deg, advice.home_mm)}"
        f"{', ' + way(advice.home_way) if advice.home_way else ''}."
    )


_DECIDES: Final = {
    "hill": "The hill itself decides: the point lies {drop} below the top on its retard side.",
    "maker's figure": "The maker's figure decides.",
    "maximum total": "The maker's maximum total decides: at speed the weights add the rest.",
    "misfire": "Misfire decides: the engine stumbles beyond.",
}


def decides(result: Result, unit: PressureUnit) -> str:
    """Which limit decides."""
    limit, drop_kpa = result.advice.limit, result.advice.drop_kpa
    if limit is None:
        return ""
    drop = difference(drop_kpa, unit) if drop_kpa is not None else "a little"
    if limit == "hill" and not result.peak.found:
        return (
            "The hill itself decides: the top was not reached, so the point lies "
            f"{drop} below where it is sure to be still climbing."
        )
    return _DECIDES[limit].format(drop=drop)


def proposal(result: Result, unit: PressureUnit) -> str:
    """The hill's own proposal, to stand beside the limits."""
    advice = result.advice
    if advice.hill_deg is None:
        return ""
    drop = f"{difference(advice.drop_kpa, unit)} below" if advice.drop_kpa else "below"
    if not result.peak.found:
        return (
            f"The hill's own proposal would be {degrees(advice.hill_deg)} or more; the top was "
            "not reached."
        )
    text = f"The hill's own proposal, {drop} the top on its retard side: "
    text += degrees(advice.hill_deg)
    return text + (" (not swept: extrapolated)." if advice.hill_extrapolated else ".")


def limit_line(name: str, angle_deg: float, why: str, decisive: bool) -> str:
    """A limit and where it lies, with everything taken off, and how it came about."""
    because = f": {why}" if why else ""
    mark = "this one decides, " if decisive else ""
    return f"{name}, {mark}not beyond {degrees(angle_deg)}{because}."


def steps(steps_deg: tuple[float, ...]) -> str:
    """The trials beyond the maker's figure."""
    if not steps_deg:
        return ""
    return (
        "Steps that may be tried, a road test after each: "
        f"{listed([degrees(step) for step in steps_deg])}."
    )


def turn_is_surer(result: Result) -> str:
    """The turn may be right where the angle is not."""
    if result.advice.limit not in ("hill", "misfire") or result.peak.u_abs_deg is None:
        return ""
    return (
        "A wrong mark shifts the top and the set point alike, so the turn is surer than the angle."
    )
