"""The sentences of a visit, all in one place.

Enters: parts of a visit and of a comparison. Leaves: phrases and sentences that page and terminal
share. What a capture told is worded in :mod:`vaclog.report.words`.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import datetime
from typing import Final

from vaclog.report.words import quantities
from vaclog.units import PressureUnit
from vaclog.visit.catalogue import STEPS
from vaclog.visit.records import Capture, Point, Purpose, RoadTrial, Setting, Visit

REHEARSAL: Final = "REHEARSAL on a simulated engine, nothing here is real:"

# --- headings ------------------------------------------------------------------------------------

DONE: Final = "What was done"
SETTING: Final = "The setting"
LIMITS: Final = "What holds it back"
FINDINGS: Final = "What was found"
ROAD: Final = "On the road"
SINCE: Final = "Since"
WATCH: Final = "What to watch"
NOTES: Final = "Notes"
NUMBERS: Final = "Numbers"
METHOD: Final = "How it was found out"
SOURCES: Final = "What it rests on"
CARDS: Final = "The cards at that time"

# --- when ----------------------------------------------------------------------------------------

_MONTHS: Final = (
    *("January", "February", "March", "April", "May", "June", "July"),
    *("August", "September", "October", "November", "December"),
)


def day(at: str) -> str:
    """A date as one says it; text that is no date stays as it is."""
    try:
        when = datetime.fromisoformat(at)
    except ValueError:
        return at
    return f"{when.day} {_MONTHS[when.month - 1]} {when.year}"


def title(visit: Visit) -> str:
    """Which visit, to what, when; a rehearsal says so first."""
    if visit.rehearsal:
        return f"{REHEARSAL} {title(replace(visit, rehearsal=False))}"
    number = f"Visit {visit.number}" if visit.number else "Visit"
    engine = f" to {visit.engine}" if visit.engine else ""
    return f"{number}{engine}{', ' + day(visit.begun) if visit.begun else ''}"


# --- the answer ----------------------------------------------------------------------------------


def headline(visit: Visit) -> str:
    """How the engine was left, in one or two sentences."""
    played = "REHEARSAL." if visit.rehearsal else ""
    return " ".join(part for part in (played, _left(visit), _drove(visit)) if part)


def _left(visit: Visit) -> str:
    if not visit.settings:
        capture = visit.last("sweep", "again")
        advised_deg = capture.result.advice.set_deg if capture else None
        if advised_deg is not None:
            return f"Nothing was set yet; the advice is {quantities.before_top(advised_deg)}."
        return "Nothing was set."
    setting = visit.settings[-1]
    at_deg = setting.reached_deg if setting.reached_deg is not None else setting.aimed_deg
    if at_deg is None:
        return "Set and locked." if setting.locked else "Set, and not locked yet."
    if not setting.locked:
        return f"Set to {quantities.before_top(at_deg)}, and not locked yet."
    return f"Set to {quantities.before_top(at_deg)} and locked."


def _drove(visit: Visit) -> str:
    if not visit.trials:
        return ""
    return {
        "heard": "On the last road trial it still pinked.",
        "unsure": "Whether it pinked on the last road trial is not sure.",
        "none heard": "On the last road trial no pinking was heard.",
    }[visit.trials[-1].pinking]


# --- what was done -------------------------------------------------------------------------------

_PURPOSES: Final[dict[Purpose, tuple[str, str]]] = {
    "check": ("a look at the engine as it was found", "looks at the engine as it was found"),
    "curve": ("a slow rev-up for what the weights add", "slow rev-ups for what the weights add"),
    "sweep": ("a sweep of the timing", "sweeps of the timing"),
    "again": ("a short sweep around the setting", "short sweeps around the setting"),
    "lock": ("a look after locking", "looks after locking"),
    "road": ("a run on the road", "runs on the road"),
    "other": ("another recording", "other recordings"),
}


def purpose(of: Purpose) -> str:
    """What a capture was recorded for."""
    return _PURPOSES[of][0]


def done(visit: Visit) -> list[str]:
    """What was asked and recorded, in the order of the work."""
    said = []
    if visit.points:
        verdicts = Counter(point.verdict for point in visit.points)
        parts = [
            f"{verdicts[verdict]} {verdict}"
            for verdict in ("in order", "doubtful", "not known", "left out")
            if verdicts[verdict]
        ]
        total = len(visit.points)
        points = f"{total} point{'' if total == 1 else 's'}"
        said.append(f"Looked over first: {points}, {quantities.listed(parts)}.")
    counts = Counter(capture.purpose for capture in visit.captures)
    if counts:
        parts = [
            _PURPOSES[of][0] if count == 1 else f"{number(count)} {_PURPOSES[of][1]}"
            for of, count in counts.items()
        ]
        said.append(f"Recorded: {quantities.listed(parts)}.")
    else:
        said.append("Nothing was recorded.")
    if visit.ended:
        said.append(f"Ended {day(visit.ended)}.")
    elif visit.step:
        said.append(f"The visit is not finished; next comes: {step_title(visit.step)}.")
    return said


_COUNTS: Final = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")


def number(count: int) -> str:
    """A small count as a word."""
    return _COUNTS[count] if count < len(_COUNTS) else str(count)


def step_title(key: str) -> str:
    """A step by its title, in the middle of a sentence."""
    title = next((step.title for step in STEPS if step.key == key), plain(key))
    return title[:1].lower() + title[1:]


def plain(key: str) -> str:
    """A stable name as words."""
    return key.replace("_", " ").replace("-", " ")


# --- the setting ---------------------------------------------------------------------------------


def setting(one: Setting) -> list[str]:
    """Where it was aimed, where it came to stand, whether it stayed there."""
    said = []
    if one.aimed_deg is not None and one.reached_deg is not None:
        u = f" ± {quantities.degrees(2 * one.u_reached_deg)}" if one.u_reached_deg else ""
        said.append(
            f"Aimed at {quantities.degrees(one.aimed_deg)}, it stands at "
            f"{quantities.degrees(one.reached_deg)}{u}, read at idle on this rig."
        )
    elif one.aimed_deg is not None:
        said.append(f"Aimed at {quantities.degrees(one.aimed_deg)}; where it stands was not read.")
    elif one.reached_deg is not None:
        said.append(
            f"It stands at {quantities.degrees(one.reached_deg)}, read at idle on this rig."
        )
    said.append(locking(one))
    if one.note:
        said.append(sentence(one.note))
    return said


def locking(one: Setting) -> str:
    """Whether locking moved it."""
    if not one.locked:
        return "It is not locked: a nipped clamp does not hold on the road."
    if one.moved_deg is None:
        return "Locked; whether that moved it was not measured."
    if one.u_moved_deg is not None and abs(one.moved_deg) <= 2 * one.u_moved_deg:
        return (
            f"Locking did not move it by more than can be seen ({signed(one.moved_deg)} ± "
            f"{quantities.degrees(2 * one.u_moved_deg)})."
        )
    side = "advanced" if one.moved_deg > 0 else "retarded"
    return f"Locking {side} it by {quantities.degrees(abs(one.moved_deg))}."


def signed(angle_deg: float) -> str:
    """A difference of angles with its sign: +0.4°, −1.2°, 0.0°."""
    text = quantities.fixed(angle_deg, 1)
    if text in ("0.0", "-0.0"):
        return "0.0°"
    return (f"+{text}" if angle_deg > 0 else f"−{text[1:]}") + "°"


def sentence(text: str) -> str:
    """A person's note as a sentence."""
    text = " ".join(text.split())
    text = text[:1].upper() + text[1:]
    return text if not text or text[-1] in ".!?" else text + "."


# --- findings ------------------------------------------------------------------------------------


def point_name(one: Point) -> str:
    """A point in words."""
    return _POINT_NAMES.get(one.key) or plain(one.key)


def point(one: Point, unit: PressureUnit) -> str:
    """A point that is not plainly in order; its sentence carries the number, if it has one."""
    name = point_name(one)
    name = name[:1].upper() + name[1:]
    text = sentence(one.text) if one.text else ""
    if text and text.rstrip(".").lower() != one.verdict:
        return f"{name}, {one.verdict}: {text}"
    value = f" ({point_value(one, unit)})" if one.value is not None else ""
    return f"{name}{value}, {one.verdict}."


_POINT_NAMES: Final = {"tdc": "check of top dead centre"}

# Decimals by unit: what a person would write down.
_POINT_DECIMALS: Final = {"rpm": 0, "rpm/min": 0, "deg": 1, "mm": 2, "%": 1}
_SHOWN_UNITS: Final = {"deg": "°"}


def point_value(one: Point, unit: PressureUnit) -> str:
    """The number of a point with its unit, a pressure in the reader's; empty without one."""
    if one.value is None:
        return ""
    if one.unit == "kPa":
        return quantities.difference(one.value, unit)
    decimals = _POINT_DECIMALS.get(one.unit)
    number = f"{one.value:g}" if decimals is None else quantities.fixed(one.value, decimals)
    return (number + _SHOWN_UNITS.get(one.unit, f" {one.unit}")).strip()


# --- road ----------------------------------------------------------------------------------------

_HEARD_BY: Final = {"ear": "by ear", "button": "with the button", "recording": "in a recording"}


def trial(one: RoadTrial, unit: PressureUnit) -> str:
    """One run on the road."""
    at = f" at {quantities.degrees(one.advance_deg)}" if one.advance_deg is not None else ""
    where = []
    if one.rpm is not None:
        where.append(f"{one.rpm:.0f} rpm")
    if one.pressure_kpa is not None:
        where.append(f"{quantities.pressure(one.pressure_kpa, unit)} absolute in the manifold")
    by = _HEARD_BY.get(one.heard_by, one.heard_by)
    place = f" at {quantities.listed(where)}" if where else ""
    if one.pinking == "heard":
        told = f"pinking was heard {by}{place}"
        told += f"; retard by {quantities.degrees(one.retard_deg)}" if one.retard_deg else ""
    elif one.pinking == "none heard":
        told = f"no pinking was heard {by}{', loaded most' + place if place else ''}"
    else:
        told = f"whether it pinked is not sure{place}"
    note = f" {sentence(one.note)}" if one.note else ""
    return f"Trial {one.number}{at}: {told}.{note}"


# --- what to watch -------------------------------------------------------------------------------

NO_TRIAL: Final = (
    "No road trial is recorded: at idle pinking cannot show. Try it on a private or quiet road, "
    "with a passenger to listen, before it is loaded hard."
)
NOT_PROOF: Final = (
    "That nothing was heard is no proof: listen again on the first hot day, with the worst fuel "
    "it will get, uphill. If it pinks, retard it by 1 to 2°; never advance against it."
)
STILL_PINKS: Final = (
    "It pinked when it was driven last. Retard it by {retard} and drive again; until then no full "
    "throttle."
)
UNSURE: Final = "Drive once more and listen: the last trial left it open whether it pinks."
CEILING: Final = (
    "Never beyond {most} on this rig's scale: more pinked, kicked back or ran on in this visit."
)
NOT_LOCKED: Final = "Lock the clamp, and see afterwards that nothing moved."
MOVED: Final = (
    "Locking moved it by {moved}: loosen it, set it again and lock it with a hand on the body."
)
MISFIRES: Final = (
    "It stumbled at idle more than chance would show: plugs, leads and mixture come before timing."
)
DRIVE: Final = (
    "It may be worth looking at the drive of the distributor: shaft, weights and plate. The "
    "figures above are the evidence; they do not say which part it is."
)
NEXT_YEAR: Final = (
    "Next time, record one still hold before anything is touched: it shows whether the setting "
    "stayed where it was left."
)


def still_pinks(one: RoadTrial) -> str:
    """What to do after a trial that pinked."""
    retard = quantities.degrees(one.retard_deg) if one.retard_deg else "1 to 2°"
    return STILL_PINKS.format(retard=retard)


# --- method --------------------------------------------------------------------------------------

HOW: Final = (
    "At a fixed throttle the engine idles fastest and draws the highest vacuum where the spark "
    "does the most work. Speed and pressure of each pair of turns (720°) are fitted together with "
    "their dynamics and a hill that may be lopsided; the interval is where the top lies with 95 % "
    "probability.",
    "Angles are crank degrees before top dead centre on the rig's own scale. Limits of the maker "
    "are judged with twice the uncertainty of the angle on the crank itself.",
    "Idle vacuum is compared between visits at one and the same advance, as it would be at "
    "standard sea level: 101.325 kPa (ISO 2533:1975) less the absolute manifold pressure, which "
    "unlike the vacuum hardly follows weather and altitude; what it does follow is taken off.",
    "A difference between visits is called a change only where both uncertainties together would "
    "show it by chance in fewer than 5 of 1000 pairs of unchanged visits; rates of misfire are "
    "compared by the exact binomial test. The mount of the sensor, clipped on anew, is part of it.",
    "That an idle comes back within 2 % of its speed, and the way manifold pressure follows the "
    "air outside, are our own assumptions; retarding against pinking and listening by ear are "
    "common practice.",
)


def capture_source(one: Capture) -> str:
    """A capture with what it was for and its hash."""
    name = one.path.replace("\\", "/").rsplit("/", 1)[-1] or "capture without a name"
    seal = f", SHA-256 {one.sha256[:16]}…" if one.sha256 else ""
    return f"{name}: {purpose(one.purpose)}{', ' + day(one.at) if one.at else ''}{seal}"
