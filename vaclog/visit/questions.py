"""What is asked because no sensor on the rig can see it.

Enters: a key and an answer. Leaves: a :class:`~vaclog.visit.records.Point` with its verdict and a
sentence. A question is answered yes (in order), no, or left out; some take a number, and the number
decides where it can.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

from vaclog.cards import EngineCard, curve_added_deg
from vaclog.units import dwell_deg, dwell_percent, mm_from_inch
from vaclog.visit.records import Point, Verdict

Answer: TypeAlias = Literal["yes", "no", "skip"]

# Common practice: 3 to 4 degrees off the maker's figure is corrected before a vacuum sweep.
OFF_FIGURE_DEG: Final = 3.0
U_STROBE_DEG: Final = 1.0  # common practice: a strobe on a painted mark is read to a degree or two
# Common practice, no source: 45-60 degrees for four cylinders, 35-41 for six, 26-33 for eight, so
# 50 to 73 per cent of the cam's share; wider by a tenth before it is called odd.
DWELL_LOW, DWELL_HIGH = 45.0, 80.0
# Common practice: 0.025 in (0.635 mm), some makers 0.5, some owners up to 0.035 in (0.89 mm).
PLUG_LOW_MM, PLUG_HIGH_MM = 0.45, 1.1
POINTS_LOW_MM, POINTS_HIGH_MM = 0.25, 0.6  # common practice: 0.35 to 0.5 mm
RPM_OFF: Final = 0.12  # of the card's idle speed, as for the measured idle


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One thing that is asked.

    Attributes
    ----------
    key
        Name of the point.
    ask
        The question; yes means in order.
    if_no
        What to do when it is not.
    unit
        Of the number that may be given with the answer; empty: none is asked.
    needs_value
        The number is the answer.
    must
        It cannot be left out.
    soft
        "No" costs certainty only; nothing has to be put right.
    """

    key: str
    ask: str
    if_no: str
    unit: str = ""
    needs_value: bool = False
    must: bool = False
    soft: bool = False


QUESTIONS: Final[Mapping[str, Question]] = {
    each.key: each
    for each in (
        Question(
            key="plain",
            ask="An ordinary engine? No turbo, no raised compression, no gas fuel, no magneto, no "
            "twin plugs, no sealed emission settings?",
            if_no="Leave the timing to licensed work: the limits used here do not hold for it.",
            must=True,
        ),
        Question(key="brake", ask="Handbrake on, wheels chocked?", if_no="Do it now.", must=True),
        Question(
            key="gear", ask="Gear in neutral, or in park?", if_no="Take it out of gear.", must=True
        ),
        Question(
            key="air",
            ask="Outdoors, or the exhaust led out?",
            if_no="Push it out first. Exhaust gas kills without a smell.",
            must=True,
        ),
        Question(
            key="fire",
            ask="Fire extinguisher within reach? No fuel leaks?",
            if_no="Fetch one; cure leaks first. A backfire needs no more.",
        ),
        Question(
            key="clothes",
            ask="Sleeves, hair, scarf, rings, watch: nothing loose, nothing metal?",
            if_no="Put them away before the engine runs.",
            must=True,
        ),
        Question(
            key="battery",
            ask="Laptop on its own battery, phone clear of fan and belts?",
            if_no="Unplug the charger: mains and high tension do not mix.",
        ),
        Question(
            key="plugs",
            ask="Plugs clean, right grade, gapped? Gap in mm or in.",
            if_no="Clean and gap them: the maker's gap, often 0.63 mm.",
            unit="mm",
        ),
        Question(
            key="points",
            ask="Points clean, dwell or gap set? Dwell in deg or %, gap in mm or in. "
            "No points: skip.",
            if_no="Set them now, before the timing: a degree of dwell moves it by a degree.",
            unit="deg",
        ),
        Question(
            key="hose_off",
            ask="Vacuum advance hose off the distributor and plugged? No hose: yes.",
            if_no="Pull it at the distributor and plug the end: it would add its own advance.",
        ),
        Question(
            key="leaks",
            ask="No hiss at hoses, carburettor foot, gasket, servo line?",
            if_no="Find it first, engine off, hose by hose. No spray near the ignition.",
        ),
        Question(
            key="warm",
            ask="Driven warm, choke fully off?",
            if_no="Warm it up fully; a cold engine wants other timing.",
        ),
        Question(
            key="tdc",
            ask="Top dead centre mark checked with a soft stop, turned by hand?",
            if_no="Rubber pulleys slip. The turn is still right, the angle is not certain.",
            soft=True,
        ),
        Question(
            key="idle_speed",
            ask="Idle speed as on the card? In rpm.",
            if_no="Set the idle speed first: too fast, and the weights add at idle.",
            unit="rpm",
        ),
        Question(
            key="baseline",
            ask="What does the strobe read at idle, in degrees before top?",
            if_no="A strobe reading is needed here.",
            unit="deg",
            needs_value=True,
        ),
        Question(
            key="scribed",
            ask="Body scribed?",
            if_no="Scribe it: it is the way home.",
        ),
        Question(
            key="idle_set",
            ask="Idle speed back to the card's? In rpm.",
            if_no="Bring it back with the idle screw.",
            unit="rpm",
        ),
        Question(
            key="mixture",
            ask="Mixture back to the best steady idle?",
            if_no="Trim it: highest steady idle, then a touch richer.",
        ),
        Question(
            key="hose_on",
            ask="Vacuum advance hose back on, rig off or tied up, every hose back? No hose: yes.",
            if_no="Put them back before it moves.",
            must=True,
        ),
        Question(
            key="hot_day",
            ask="Was it a hot day, the engine fully hot when you listened?",
            if_no="One degree comes off for it.",
            soft=True,
        ),
        Question(
            key="poor_fuel",
            ask="Was it the poorest fuel that it will ever get?",
            if_no="One degree comes off for it.",
            soft=True,
        ),
        Question(
            key="running_on",
            ask="Switched off hot: does it stop at once?",
            if_no="Running on: too far, too hot or too fast an idle.",
        ),
        Question(
            key="kick_back",
            ask="After ten minutes: does it start without kicking back or jerking?",
            if_no="Kick-back: too far.",
        ),
    )
}


def point(
    key: str,
    answer: Answer,
    *,
    engine: EngineCard,
    value: float | None = None,
    unit: str = "",
    at: str = "",
    left_deg: float | None = None,
) -> Point:
    """The point that an answer makes.

    Parameters
    ----------
    key
        Of the question.
    answer
        "yes": in order.
    engine
        The card, for what a number is judged by.
    value, unit
        A number given with it; unit "" is the question's own.
    left_deg
        Where the visit before left the timing.
    """
    question = QUESTIONS[key]
    unit = unit or question.unit
    if answer == "skip":
        return Point(key=key, verdict="left out", text="Left out.", at=at)
    no: Verdict = "not known" if question.soft else "doubtful"
    verdict: Verdict = "in order" if answer == "yes" else no
    text = "" if answer == "yes" else question.if_no
    if value is not None and (judge := _JUDGES.get(key)) is not None:
        value, unit, odd, said = judge(engine, value, unit)
        text = " ".join(part for part in (said, text) if part)
        verdict = "doubtful" if odd else verdict
        if key == "baseline" and left_deg is not None and abs(value - left_deg) < OFF_FIGURE_DEG:
            verdict, text = (
                "in order",
                f"Strobe reads {value:g}°; {left_deg:.1f}° was left last time.",
            )
    return Point(key=key, verdict=verdict, value=value, unit=unit, text=text, at=at)


_Judged: TypeAlias = tuple[float, str, bool, str]


def _plugs(engine: EngineCard, value: float, unit: str) -> _Judged:
    gap_mm = mm_from_inch(value) if unit == "in" else value
    odd = not PLUG_LOW_MM <= gap_mm <= PLUG_HIGH_MM
    said = f"Gap {gap_mm:.2f} mm."
    if odd:
        said += " Ordinary gaps are 0.5 to 0.9 mm. Inches meant? Write 0.025in."
    return gap_mm, "mm", odd, said


def _points(engine: EngineCard, value: float, unit: str) -> _Judged:
    if unit in ("mm", "in"):
        gap_mm = mm_from_inch(value) if unit == "in" else value
        odd = not POINTS_LOW_MM <= gap_mm <= POINTS_HIGH_MM
        said = f"Gap {gap_mm:.2f} mm. A worn cam hides in a gap; dwell says more."
        return gap_mm, "mm", odd, said + (" Ordinary gaps are 0.35 to 0.5 mm." if odd else "")
    percent = value if unit == "%" else dwell_percent(value, engine.cylinders)
    angle = dwell_deg(percent, engine.cylinders)
    said = f"Dwell {angle:.0f}° of {360 / engine.cylinders:.0f}°, {percent:.0f} %."
    odd = not DWELL_LOW <= percent <= DWELL_HIGH
    if odd:
        said += " Ordinary is 50 to 70 %. Degrees and per cent mixed up? Write 55% or 50deg."
    return angle, "deg", odd, said


def _idle_speed(engine: EngineCard, value: float, unit: str) -> _Judged:
    if engine.idle_rpm is None:
        return value, "rpm", False, f"Idle {value:.0f} rpm; the card gives none."
    odd = abs(value / engine.idle_rpm - 1.0) > RPM_OFF
    said = f"Idle {value:.0f} rpm, the card says {engine.idle_rpm:.0f}."
    return value, "rpm", odd, said + (" Set it first." if odd else "")


def _baseline(engine: EngineCard, value: float, unit: str) -> _Judged:
    if engine.static_deg is None:
        return value, "deg", False, f"Strobe reads {value:g}°; the card has no figure."
    moving_deg = 0.0
    if engine.centrifugal and engine.idle_rpm:
        moving_deg = curve_added_deg(engine.centrifugal, engine.idle_rpm)
    figure_deg = engine.static_deg + moving_deg
    off_deg = value - figure_deg
    said = f"Strobe reads {value:g}°, the maker's figure is {figure_deg:g}°."
    if abs(off_deg) < OFF_FIGURE_DEG:
        return value, "deg", False, said
    way = "retard" if off_deg > 0 else "advance"
    return (
        value,
        "deg",
        True,
        f"{said} {abs(off_deg):g}° off: {way} it to the figure first, then read again.",
    )


_JUDGES: Final[Mapping[str, Callable[[EngineCard, float, str], _Judged]]] = {
    "plugs": _plugs,
    "points": _points,
    "idle_speed": _idle_speed,
    "idle_set": _idle_speed,
    "baseline": _baseline,
}
