"""The road in the report: full-load runs and the pinking that was marked in them.

Enters: a result and a unit. Leaves: sentences; none where nothing was driven.
"""

from __future__ import annotations

from typing import Final

from vaclog.report.words import degrees, difference, fixed, listed, pressure
from vaclog.result import Result
from vaclog.result.road import LoadRun, PinkingMark
from vaclog.units import PressureUnit

ROAD: Final = "On the road"
BY: Final = {"button": "the button", "tap": "a tap", "typed": "the time that was typed in"}
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
