"""The words of the report, all in one place.

Enters: numbers. Leaves: phrases and sentences that text, page, picture and speech share.
"""

from __future__ import annotations

from typing import Final

from vaclog.result import AdvanceSource, Peak, Result, TurnWay
from vaclog.units import PressureUnit, from_kpa

# --- headings ------------------------------------------------------------------------------------

TITLE: Final = "Ignition timing by manifold vacuum"
TURN: Final = "How to get there"
HOME: Final = "Way back"
WHY: Final = "Why there"
ALLOWED: Final = "What is allowed"
SEEN: Final = "What was seen"
NEXT: Final = "What next"
MIND: Final = "Mind"
CAUTIONS: Final = "Before hand and road"
CAPTURE: Final = "The capture"

# --- numbers -------------------------------------------------------------------------------------

# Decimals of a pressure and of a small difference: a hundredth of an inch is the finest that an
# average over many cycles can mean.
_DECIMALS: Final[dict[PressureUnit, tuple[int, int]]] = {
    "inHg": (1, 2),
    "kPa": (1, 2),
    "mbar": (0, 1),
    "mmHg": (0, 1),
    "psi": (2, 2),
}
_SPOKEN_UNIT: Final[dict[PressureUnit, str]] = {
    "inHg": "inches of mercury",
    "kPa": "kilopascals",
    "mbar": "millibars",
    "mmHg": "millimetres of mercury",
    "psi": "pounds per square inch",
}
_SMALL_TURN_DEG: Final = 0.25  # of the body: half a degree of the crank; nobody's hand is finer


def fixed(value: float, decimals: int) -> str:
    """A number without a minus sign before zero."""
    return f"{round(value, decimals) + 0.0:.{decimals}f}"


def degrees(angle_deg: float) -> str:
    """A crank angle on the rig's scale: 8.8°."""
    return fixed(angle_deg, 1) + "°"


def before_top(angle_deg: float) -> str:
    """A crank angle in full."""
    side = "after" if angle_deg < -0.05 else "before"
    return f"{fixed(abs(angle_deg), 1)}° {side} top dead centre"


def pressure(value_kpa: float, unit: PressureUnit) -> str:
    """A pressure or vacuum in the reader's unit."""
    return f"{fixed(from_kpa(value_kpa, unit), _DECIMALS[unit][0])} {unit}"


def difference(value_kpa: float, unit: PressureUnit) -> str:
    """A small difference of pressure, without its sign."""
    return f"{fixed(abs(from_kpa(value_kpa, unit)), _DECIMALS[unit][1])} {unit}"


def spoken_unit(unit: PressureUnit) -> str:
    """A unit as it is said."""
    return _SPOKEN_UNIT[unit]


def half_millimetres(way_mm: float) -> str:
    """A way along the rim to the nearest half millimetre: what a hand and a rule can do."""
    halves = round(abs(way_mm) * 2)
    whole, half = divmod(halves, 2)
    if halves == 0:
        return "less than ½ mm"
    return f"{whole or ''}{'½' if half else ''} mm"


def way(direction: TurnWay | None) -> str:
    """Which way, as seen from above the cap."""
    return f"{direction}, seen from above" if direction else ""


def listed(parts: list[str]) -> str:
    """One, two and three."""
    return " and ".join(part for part in (", ".join(parts[:-1]), *parts[-1:]) if part)


# --- the answer ----------------------------------------------------------------------------------


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


# --- why -----------------------------------------------------------------------------------------

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


# --- what was seen -------------------------------------------------------------------------------


def top(peak: Peak) -> str:
    """The top of the hill and how sure it is."""
    if peak.angle_deg is None or peak.low_deg is None or peak.high_deg is None:
        return not_found(peak)
    return (
        f"The top of the hill is at {degrees(peak.angle_deg)}, with 95 % confidence between "
        f"{degrees(peak.low_deg)} and {degrees(peak.high_deg)} on this rig's own scale."
    )


def not_found(peak: Peak) -> str:
    """Why there is no top, and what was seen of the hill."""
    reason = (peak.why_not or "the data do not show one").rstrip(".")
    says_itself = reason.startswith(("the top", "no top"))
    text = f"{reason[0].upper()}{reason[1:]}." if says_itself else f"No top was found: {reason}."
    if peak.swept_low_deg is not None and peak.swept_high_deg is not None:
        text += f" The sweep went from {degrees(peak.swept_low_deg)} to "
        text += f"{degrees(peak.swept_high_deg)}."
    return text


def absolute(peak: Peak) -> str:
    """The same on the real crank."""
    if peak.low_abs_deg is None or peak.high_abs_deg is None:
        return "" if not peak.found else "Where that is on the crank itself is not known."
    return (
        f"On the crank itself: between {degrees(peak.low_abs_deg)} and "
        f"{degrees(peak.high_abs_deg)}, since what the mark, the pickup or the strobe may be off "
        "comes in."
    )


def turn_is_surer(result: Result) -> str:
    """The turn may be right where the angle is not."""
    if result.advice.limit not in ("hill", "misfire") or result.peak.u_abs_deg is None:
        return ""
    return (
        "A wrong mark shifts the top and the set point alike, so the turn is surer than the angle."
    )


def flat_prior(peak: Peak) -> str:
    """The part that the assumption on lopsidedness plays."""
    if peak.flat_prior_deg is None:
        return ""
    return (
        "Without the assumption that hills are a little steeper on the advanced side: "
        f"{degrees(peak.flat_prior_deg)}."
    )


def idle(result: Result, unit: PressureUnit) -> str:
    """The engine at the last hold."""
    state = result.idle
    parts = []
    if state.rpm is not None:
        parts.append(f"{state.rpm:.0f} rpm")
    if state.vacuum_kpa is not None:
        parts.append(f"{pressure(state.vacuum_kpa, unit)} of vacuum")
    elif state.pressure_kpa is not None:
        parts.append(f"{pressure(state.pressure_kpa, unit)} absolute")
    if not parts:
        return ""
    where = f" at {degrees(state.angle_deg)}" if state.angle_deg is not None else ""
    return f"Last hold{where}: {listed(parts)}."


def crest(peak: Peak, unit: PressureUnit) -> str:
    """Vacuum at the top."""
    if peak.vacuum_kpa is not None:
        return f"At the top: {pressure(peak.vacuum_kpa, unit)} of vacuum."
    if peak.pressure_kpa is not None:
        return f"At the top: {pressure(peak.pressure_kpa, unit)} absolute."
    return ""


def gain(gain_kpa: float | None, unit: PressureUnit) -> str:
    """Vacuum between the last hold and the set point."""
    if gain_kpa is None:
        return ""
    if abs(gain_kpa) < 0.005:
        return "Vacuum at the set point is that of the last hold."
    if gain_kpa > 0:
        return f"Set there, it has {difference(gain_kpa, unit)} more vacuum than at the last hold."
    return (
        f"Set there, it has {difference(gain_kpa, unit)} less vacuum than at the last hold: the "
        "price of a reserve at full load."
    )


def misfire(result: Result) -> str:
    """Stumbling, as one would tell it."""
    found = result.misfire
    if found.cycles == 0:
        return "Whether it stumbles could not be judged."
    rate = found.per_thousand
    if found.events == 0 and not rate:
        return f"No stumble in {found.cycles} cycles."
    if (found.low_per_thousand or 0.0) <= (found.false_alarms_per_thousand or 0.0):
        return f"No more stumbles than chance would show, in {found.cycles} cycles."
    share = f"about one cycle in {max(1, round(1000 / rate))}" if rate else "now and then a cycle"
    if found.cylinder is not None:
        which = f", always the same one: cylinder {found.cylinder}"
    elif found.slot is not None:
        which = f", always the same one: place {found.slot} in the order of firing after No. 1"
    else:
        which = ""
    span = ""
    if found.low_per_thousand is not None and found.high_per_thousand is not None:
        span = (
            f" ({fixed(found.low_per_thousand, 1)} to {fixed(found.high_per_thousand, 1)} in a "
            "thousand)"
        )
    onset = f", from {degrees(found.onset_deg)} on" if found.onset_deg is not None else ""
    return f"It stumbles {share}{span}{which}{onset}."


def passes(result: Result) -> str:
    """How many sweeps, which way."""
    up = sum(sweep.direction == "advancing" for sweep in result.sweeps)
    down = len(result.sweeps) - up
    if not result.sweeps:
        return "No sweep of the timing was seen."
    parts = [f"{count} {name}" for count, name in ((up, "advancing"), (down, "retarding")) if count]
    return f"Passes of the hand: {listed(parts)}."


# --- the capture ---------------------------------------------------------------------------------

_SOURCES: Final[dict[AdvanceSource, str]] = {
    "mark": "advance from the crank mark",
    "body": "advance from the sensor on the body",
    "holds": "advance from readings at holds",
    "none": "advance not known",
}


def capture(result: Result, unit: PressureUnit) -> str:
    """Where the answer came from."""
    source = result.source
    parts = [
        source.capture or "capture without a name",
        duration(source.duration_s),
        _SOURCES[source.advance_source],
    ]
    if result.barometer_kpa is not None:
        parts.append(f"barometer {pressure(result.barometer_kpa, unit)}")
    if source.gaps:
        parts.append(f"{source.gaps} gap{'' if source.gaps == 1 else 's'}")
    if source.lines_skipped:
        skipped = source.lines_skipped
        parts.append(f"{skipped} line{'' if skipped == 1 else 's'} skipped")
    return ", ".join(parts) + "."


def duration(time_s: float) -> str:
    """Minutes and seconds."""
    minutes, seconds = divmod(round(time_s), 60)
    return f"{minutes} min {seconds:02d} s" if minutes else f"{seconds} s"
