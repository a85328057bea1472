"""Visits and results by hand, for the tests of this room."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from vaclog.cards import EngineCard
from vaclog.result import (
    Advice,
    Checks,
    CurveSeen,
    Idle,
    LoadRun,
    Misfire,
    Peak,
    PinkingMark,
    Result,
    SourceInfo,
)
from vaclog.visit.catalogue import ORDER, step_of
from vaclog.visit.events import Answered, Captured, Driven, LeftOut, Tightened, TurnedTo
from vaclog.visit.preflight import MEASURED
from vaclog.visit.questions import QUESTIONS, point
from vaclog.visit.records import Capture, Pinking, Point, Purpose, RoadTrial, Setting, Visit
from vaclog.visit.steps import begin, take

CARD = """
name = "Workshop engine"
cylinders = 4
rotor_turns = "clockwise"
static_deg = 10.0
idle_rpm = 850
centrifugal = [[1000, 0], [1500, 10], [3000, 22]]
max_total_deg = 36.0
body_radius_mm = 32.0
altitude_m = 0
"""
ENGINE = EngineCard(name="Workshop engine", static_deg=10.0, idle_rpm=850.0)
AT = "2026-04-02T10:00:00"

# What an engine in order shows.
SOUND = Checks(
    still_kpa=101.3,
    still_noise_kpa=0.5,
    still_s=5.0,
    rail_per_thousand=0.0,
    cranking_s=4.0,
    cranking_rpm=220.0,
    cranking_kpa=88.0,
    cranking_vacuum_kpa=13.3,
    cranking_swing_kpa=2.0,
    cranking_rise_kpa=0.0,
    idle_s=60.0,
    idle_rpm=850.0,
    idle_kpa=40.0,
    idle_vacuum_kpa=61.3,
    rpm_slope_per_min=1.0,
    u_rpm_slope_per_min=3.0,
    kpa_slope_per_min=0.0,
    u_kpa_slope_per_min=0.1,
    rpm_scatter_percent=1.0,
    sweep_minutes=2.0,
    sweep_u_deg=0.4,
    follows_vacuum="not seen",
    opening_drop_deg=0.1,
    u_opening_drop_deg=0.3,
)


def result(
    *,
    top_deg: float | None = 24.0,
    u_deg: float = 0.5,
    set_deg: float | None = 12.0,
    here_deg: float | None = 10.0,
    checks: Checks | None = None,
    loads: tuple[LoadRun, ...] = (),
    pinking: tuple[PinkingMark, ...] = (),
    steps_deg: tuple[float, ...] = (),
    barometer_kpa: float | None = 101.3,
    gaps: int = 0,
    hose: str = "",
) -> Result:
    """A result with what a visit reads of it."""
    peak = Peak(found=False, why_not="not swept")
    if top_deg is not None:
        peak = Peak(
            found=True,
            angle_deg=top_deg,
            u_deg=u_deg,
            low_deg=top_deg - 2 * u_deg,
            high_deg=top_deg + 2 * u_deg,
        )
    return Result(
        source=SourceInfo(
            capture="made", duration_s=60.0, gaps=gaps, lines_skipped=0, advance_source="mark"
        ),
        barometer_kpa=barometer_kpa,
        phases=(),
        sweeps=(),
        peak=peak,
        idle=Idle(rpm=850.0, pressure_kpa=40.0, vacuum_kpa=61.3, angle_deg=here_deg),
        misfire=Misfire(events=0, cycles=100),
        advice=Advice(
            set_deg=set_deg,
            limit=None if set_deg is None else "maker's figure",
            steps_deg=steps_deg,
        ),
        checks=checks,
        loads=loads,
        pinking=pinking,
        curve=None if not hose else _curve(hose),
    )


def _curve(hose: str) -> CurveSeen:
    """A curve with what it says of the vacuum advance."""
    return CurveSeen(
        rpm=(900.0, 3000.0),
        added_deg=(0.0, 22.0),
        low_deg=(-1.0, 21.0),
        high_deg=(1.0, 23.0),
        idle_rpm=850.0,
        most_rpm=3000.0,
        hose=hose,
        hose_swing_deg=8.0,
    )


def capture(purpose: Purpose, at: str = AT, **told: Any) -> Captured:
    """A capture for a purpose."""
    made = result(**told)
    return Captured(
        capture=Capture(purpose=purpose, sha256="ab" * 32, path="a", result=made, at=at)
    )


def answered(key: str, word: Any = "yes", value: float | None = None, unit: str = "") -> Answered:
    """An answer."""
    if key not in QUESTIONS:
        verdicts = {"yes": "in order", "no": "doubtful", "skip": "left out"}
        return Answered(point=Point(key=key, verdict=verdicts[word]))  # type: ignore[arg-type]
    return Answered(point=point(key, word, engine=ENGINE, value=value, unit=unit, at=AT))


def driven(pinking: Pinking, at: str = AT, **told: Any) -> Driven:
    """A road trial."""
    return Driven(trial=RoadTrial(number=0, pinking=pinking, at=at, **told))


def fresh(card: str = CARD) -> Visit:
    """A visit that has just begun."""
    return begin(Visit(engine="Workshop engine", engine_toml=card, begun=AT))


def brought_to(step: str, card: str = CARD, **sweep: Any) -> Visit:
    """A visit brought to a step the straight way, with everything in order."""
    visit = fresh(card)
    ways: dict[str, list[Any]] = {
        "curve": [capture("curve")],
        "sweep": [capture("sweep", **sweep)],
        "set": [TurnedTo(setting=Setting(at=AT))],
        "again": [capture("again", **{"here_deg": None, **sweep})],
        "lock": [Tightened(moved_deg=0.1, u_moved_deg=0.2, at=AT)],
        "road": [driven("none heard")],
    }
    for key in ORDER:
        if key == step:
            assert visit.step == step
            return visit
        due = step_of(key)
        assert due is not None
        events = ways.get(key) or [
            answered(ask, value=10.0 if ask == "baseline" else None) for ask in due.asks
        ]
        if key == "fit":
            events.append(capture("check", checks=SOUND))
        for event in events:
            visit = take(visit, event)
    raise AssertionError(step)


__all__ = [
    "AT",
    "CARD",
    "ENGINE",
    "MEASURED",
    "SOUND",
    "LeftOut",
    "answered",
    "brought_to",
    "capture",
    "driven",
    "fresh",
    "replace",
    "result",
]
