"""Where a result contradicts its own rules.

Enters: a result. Leaves: sentences; none when it is sound.
"""

from __future__ import annotations

import math
from dataclasses import fields
from itertools import pairwise
from typing import cast

from vaclog.result.curve import CurveSeen
from vaclog.result.document import to_json
from vaclog.result.records import Peak
from vaclog.result.scatter import SparkScatter
from vaclog.result.whole import Result


def faults(result: Result) -> list[str]:
    """Where a result contradicts the rules of its schema; empty when sound.

    For the tests of everything that makes a result: a fault is an error of the program.
    """
    found = [*_faults_of_peak(result.peak), *_faults_of_time(result), *_faults_of_advice(result)]
    if result.misfire.events != len(result.misfire.times_s) and result.misfire.times_s:
        found.append("misfire: events and times_s differ in number")
    for mark in result.pinking:
        if mark.load is not None and not 1 <= mark.load <= len(result.loads):
            found.append(f"pinking: at {mark.at_s} s in a load run that is not there")
        if not (mark.low_s <= mark.high_s and mark.low_rpm <= mark.rpm <= mark.high_rpm):
            found.append(f"pinking: at {mark.at_s} s the middle is outside its range")
    for sign in result.signs:
        if not sign.candidates or sign.u < 0 or not 0 < sign.false_alarm < 1:
            found.append(
                f"signs: {sign.key} lacks candidates, an uncertainty or a false-alarm rate"
            )
        if sign.key in {each.key for each in result.looked if each.why_not}:
            found.append(f"signs: {sign.key} was found and could not be judged")
    found += _faults_of_checks(result)
    found += [*_faults_of_curve(result.curve), *_faults_of_scatter(result.scatter)]
    hill = result.hill
    if not len(hill.curve_deg) == len(hill.curve_kpa) == len(hill.low_kpa) == len(hill.high_kpa):
        found.append("hill: curve arrays differ in length")
    if not len(hill.foot_deg) == len(hill.foot_kpa) == len(hill.foot_age):
        found.append("hill: footprint arrays differ in length")
    try:
        to_json(result)
    except ValueError as error:
        found.append(str(error))
    return found


def _faults_of_peak(peak: Peak) -> list[str]:
    numbers = (peak.angle_deg, peak.u_deg, peak.low_deg, peak.high_deg)
    if not peak.found:
        return [] if peak.why_not else ["peak: neither found nor why not"]
    if any(number is None or not math.isfinite(number) for number in numbers):
        return ["peak: found, but angle, u, low and high are not all numbers"]
    found = [] if peak.why_not is None else ["peak: found, and yet a reason why not"]
    angle_deg, u_deg, low_deg, high_deg = cast(tuple[float, float, float, float], numbers)
    if not low_deg <= angle_deg <= high_deg or u_deg < 0:
        found.append("peak: the angle is outside its interval")
    low_abs_deg = low_deg if peak.low_abs_deg is None else peak.low_abs_deg
    high_abs_deg = high_deg if peak.high_abs_deg is None else peak.high_abs_deg
    if low_abs_deg > low_deg or high_abs_deg < high_deg:
        found.append("peak: the absolute interval is narrower than the other")
    return found


def _faults_of_time(result: Result) -> list[str]:
    found = []
    for one, two in pairwise(result.phases):
        if abs(one.end_s - two.start_s) > 1e-6:
            found.append(f"phases: gap or overlap at {one.end_s} s")
    spans = [(span.start_s, span.end_s) for span in result.phases]
    spans += [(span.start_s, span.end_s) for span in result.sweeps]
    spans += [(run.start_s, run.end_s) for run in result.loads]
    for start_s, end_s in spans:
        if not start_s < end_s:
            found.append(f"an interval begins at {start_s} s and ends at {end_s} s")
    if result.phases and abs(result.phases[-1].end_s - result.source.duration_s) > 1e-3:
        found.append("phases: the last one does not end with the capture")
    return found


def _faults_of_advice(result: Result) -> list[str]:
    advice, found = result.advice, []
    if advice.set_deg is None:
        if advice.turn_deg is not None or advice.limit is not None:
            found.append("advice: a turn or a limit without a set point")
        return found
    if advice.limit is None:
        found.append("advice: a set point without the limit that decides")
    if advice.hill_deg is not None and advice.set_deg > advice.hill_deg + 1e-9:
        found.append("advice: the set point is ahead of the hill's proposal")
    if any(advice.set_deg > limit_deg + 1e-9 for _, limit_deg in result.hill.limits_deg):
        found.append("advice: the set point is ahead of a limit")
    if result.peak.angle_deg is not None and advice.set_deg > result.peak.angle_deg:
        found.append("advice: the set point is on the advanced side of the top")
    return found


def _faults_of_checks(result: Result) -> list[str]:
    checks = result.checks
    if checks is None:
        return []
    values = {each.name: getattr(checks, each.name) for each in fields(checks)}
    return [
        f"checks: {name} is negative or not finite"
        for name, value in values.items()
        if isinstance(value, float)
        and (not math.isfinite(value) or (name.startswith("u_") and value < 0))
    ]


def _faults_of_curve(curve: CurveSeen | None) -> list[str]:
    if curve is None:
        return []
    found = []
    if not len(curve.rpm) == len(curve.added_deg) == len(curve.low_deg) == len(curve.high_deg):
        found.append("curve: its arrays differ in length")
    if curve.card_deg and len(curve.card_deg) != len(curve.rpm):
        found.append("curve: the card's is of another length")
    if any(two <= one for one, two in pairwise(curve.rpm)):
        found.append("curve: speeds do not rise")
    bands = zip(curve.low_deg, curve.added_deg, curve.high_deg, strict=False)
    if any(not low <= middle <= high for low, middle, high in bands):
        found.append("curve: it leaves its band")
    if any(not spot.from_rpm < spot.to_rpm for spot in curve.spots):
        found.append("curve: a spot ends before it begins")
    return found


def _faults_of_scatter(scatter: SparkScatter | None) -> list[str]:
    if scatter is None:
        return []
    found = []
    parts = (scatter.low_deg, scatter.real_deg, scatter.high_deg)
    if all(part is not None for part in parts):
        low_deg, real_deg, high_deg = cast(tuple[float, float, float], parts)
        if not 0.0 <= low_deg <= real_deg <= high_deg:
            found.append("scatter: what is left lies outside its interval")
    if [slot.slot for slot in scatter.slots] != list(range(1, len(scatter.slots) + 1)):
        found.append("scatter: firing places are not counted from 1")
    return found
