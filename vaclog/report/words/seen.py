"""What was seen, in words: the top, the idle, misfire, the capture itself.

Enters: a result. Leaves: sentences that text, page, picture and speech share.
"""

from __future__ import annotations

from typing import Final

from vaclog.report.words.quantities import (
    degrees,
    difference,
    duration,
    fixed,
    listed,
    pressure,
)
from vaclog.result import AdvanceSource, Peak, Result
from vaclog.units import PressureUnit


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
