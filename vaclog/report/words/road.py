"""The road in the report: full-load runs and the pinking that was marked in them.

Enters: a result or a road test, and a unit. Leaves: sentences; none where nothing was driven.
"""

from __future__ import annotations

import textwrap
from typing import Final

from vaclog.report.words.quantities import degrees, difference, fixed, listed, pressure
from vaclog.result import Result
from vaclog.result.road import HeardRun, Hearing, LoadRun, PinkingMark, RoadTest
from vaclog.units import PressureUnit

ROAD: Final = "On the road"
BY: Final = {"button": "the button", "tap": "a tap", "typed": "the time given"}
NO_PROOF: Final = (
    "No pinking was marked. That is no proof: some pinking cannot be heard from the seat."
)
PINKED: Final = (
    "It pinked: retard, a degree or two of the crank at a time, and drive again. Never advance "
    "for it."
)


def road(result: Result, unit: PressureUnit) -> tuple[str, ...]:
    """What the drives in a capture told, one sentence each."""
    return told(result.loads, result.pinking, unit)


def told(
    loads: tuple[LoadRun, ...], pinking: tuple[PinkingMark, ...], unit: PressureUnit
) -> tuple[str, ...]:
    """The runs and the marks in order, and what follows; empty without either."""
    sentences = [run_line(number, run, unit) for number, run in enumerate(loads, start=1)]
    sentences += [mark_line(mark, unit) for mark in pinking]
    if pinking:
        sentences.append(PINKED)
    elif loads:
        sentences.append(NO_PROOF)
    return tuple(sentences)


def run_line(number: int, run: LoadRun, unit: PressureUnit) -> str:
    """One full-load run."""
    parts = [
        f"Full load {number}, at {clock(run.start_s)}: {speed(run.from_rpm)} to "
        f"{speed(run.to_rpm)} rpm in {fixed(run.end_s - run.start_s, 1)} s",
        f"{difference(run.below_barometer_kpa, unit)} below the air outside"
        if run.below_barometer_kpa is not None
        else f"{pressure(run.pressure_kpa, unit)} in the manifold",
    ]
    if run.advance_deg is not None and run.advance_rpm is not None:
        parts.append(f"up to {degrees(run.advance_deg)} of advance at {speed(run.advance_rpm)} rpm")
    return ", ".join(parts) + "."


def mark_line(mark: PinkingMark, unit: PressureUnit) -> str:
    """One mark of pinking, with the speed as the range that a person's delay leaves."""
    where = "at part throttle" if mark.load is None else f"in full load {mark.load}"
    at = [f"between {speed(mark.low_rpm)} and {speed(mark.high_rpm)} rpm"]
    if mark.pressure_kpa is not None:
        at.append(f"{pressure(mark.pressure_kpa, unit)} in the manifold")
    if mark.advance_deg is not None:
        at.append(f"{degrees(mark.advance_deg)} of advance")
    return f"Pinking marked by {BY[mark.by]} {where}: {listed(at)}."


def speed(rpm: float) -> str:
    """Engine speed to the nearest ten: nobody hears finer."""
    return f"{round(rpm, -1):.0f}"


def clock(at_s: float) -> str:
    """A time in the capture as minutes and seconds."""
    minutes, seconds = divmod(round(at_s), 60)
    return f"{minutes}:{seconds:02d}"


# --- the road test as a whole --------------------------------------------------------------------

HEADLINE: Final = {
    "pinking": "It pinked: retard by {retard:g}° of the crank.",
    "suspected": "Perhaps it pinked: retard by {retard:g}° of the crank, to be safe.",
    "none heard": "No pinking was heard.",
    "not driven": "No full load was found in this capture.",
}
NEVER_CLEAN: Final = (
    "A recording can raise suspicion. It never says that an engine does not pink. A cylinder that "
    "pinks at nearly every stroke is its own background and is missed."
)
WIDTH: Final = 80


def render(test: RoadTest, unit: PressureUnit) -> str:
    """A road test as text for a terminal, the answer first, cautions before the numbers."""
    runs = [run_line(number, run, unit) for number, run in enumerate(test.loads, start=1)]
    marks = [mark_line(mark, unit) for mark in test.pinking]
    blocks = [
        _filled(test.engine),
        _filled(HEADLINE[test.verdict].format(retard=test.retard_deg)),
        "\n".join([_filled(test.why), _filled(test.next_step)]),
        _listed("Before you drive again", test.cautions),
        _listed("What was driven", runs),
        _listed("What was marked", marks),
        _listed("What the recording says", hearing_lines(test.hearing, unit)),
        _listed("Mind", test.warnings),
    ]
    return "\n\n".join(block for block in blocks if block)


def hearing_lines(hearing: Hearing | None, unit: PressureUnit) -> list[str]:
    """What was heard, or why nothing could be."""
    if hearing is None:
        return []
    if hearing.why_not is not None:
        return [f"Nothing could be heard in {hearing.file}: {hearing.why_not}."]
    lines = []
    if hearing.low_hz is not None and hearing.high_hz is not None:
        lines.append(
            f"This bore rings at {hearing.low_hz / 1000.0:.1f} to {hearing.high_hz / 1000.0:.1f} "
            f"kHz when it pinks. The threshold lets chance make {hearing.false_per_minute:g} such "
            "beat a minute of load."
        )
    lines += [heard_line(run, unit) for run in hearing.runs]
    return [*lines, NEVER_CLEAN]


def heard_line(run: HeardRun, unit: PressureUnit) -> str:
    """What was heard in one run."""
    head = f"Full load {run.load}: {run.beats} of {run.firings} strokes rang"
    chance = (
        f"chance makes {fixed(run.expected_false, 1)}, and {run.elsewhere} rang where an engine "
        "cannot pink"
    )
    if not run.suspicious:
        return f"{head}; {chance}. Nothing that stands out."
    where = []
    if run.rpm is not None:
        where.append(f"around {speed(run.rpm)} rpm")
    if run.pressure_kpa is not None:
        where.append(f"{pressure(run.pressure_kpa, unit)} in the manifold")
    if run.advance_deg is not None:
        where.append(f"{degrees(run.advance_deg)} of advance")
    whose = "" if run.cylinder is None else f" Most by cylinder {run.cylinder}."
    return f"{head}, {listed(where)}: suspicious; {chance}.{whose}"


def _filled(text: str) -> str:
    return textwrap.fill(text, WIDTH, break_on_hyphens=False)


def _listed(title: str, points: list[str] | tuple[str, ...]) -> str:
    if not points:
        return ""
    lines = [
        textwrap.fill(
            point, WIDTH, initial_indent="  - ", subsequent_indent="    ", break_on_hyphens=False
        )
        for point in points
    ]
    return "\n".join([title, *lines])
