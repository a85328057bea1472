"""Visits for the tests of their report, made by hand from results made by hand."""

from __future__ import annotations

from dataclasses import replace

from report_cases import EMPTY, FOUND, NO_ADVANCE, NOT_REACHED, STUMBLING, trodden

from vaclog.visit.records import Capture, Point, RoadTrial, Setting, Visit

ENGINE = """name = "Workshop engine"
static_deg = 10.0
max_total_deg = 34.0
centrifugal = [[600, 0], [1500, 10], [3000, 22]]
"""
RIG = """[mark]
angle_deg = 20.0
u_angle_deg = 0.5
"""

SWEEP = Capture(
    purpose="sweep",
    sha256="1f" * 32,
    path="/captures/spring sweep.vaclog",
    result=FOUND,
    at="2026-04-02T10:40:00",
)
FIRST = Visit(
    number=3,
    engine="Workshop engine",
    rig="bench",
    engine_toml=ENGINE,
    rig_toml=RIG,
    begun="2026-04-02T10:00:00",
    ended="2026-04-02T13:10:00",
    done=("fit", "baseline", "curve", "sweep", "set", "lock", "road"),
    points=(
        Point(key="plugs", verdict="in order", value=0.63, unit="mm"),
        Point(
            key="idle_speed",
            verdict="doubtful",
            measured=True,
            value=912.0,
            unit="rpm",
            text="The idle is a little high; the weights may already move",
        ),
    ),
    captures=(SWEEP,),
    settings=(
        Setting(aimed_deg=13.6, reached_deg=13.5, u_reached_deg=0.2, locked=True),
        Setting(
            aimed_deg=11.6,
            reached_deg=11.5,
            u_reached_deg=0.2,
            limit="maker's figure",
            locked=True,
            moved_deg=-0.1,
            u_moved_deg=0.2,
        ),
    ),
    trials=(
        RoadTrial(
            number=1,
            advance_deg=13.5,
            pinking="heard",
            heard_by="button",
            rpm=2350.0,
            pressure_kpa=96.0,
            retard_deg=2.0,
            note="on the hill behind the mill",
        ),
        RoadTrial(number=2, advance_deg=11.5, pinking="none heard", rpm=2600.0, pressure_kpa=97.0),
    ),
    notes=("Cold morning, fresh fuel",),
)
# A year later: the body crept back, the top moved with a leaner mixture, and one beat stumbles.
WORN = replace(
    STUMBLING,
    barometer_kpa=98.9,
    peak=replace(
        FOUND.peak,
        angle_deg=31.4,
        low_deg=30.5,
        high_deg=32.2,
        low_abs_deg=28.7,
        high_abs_deg=34.1,
        pressure_kpa=42.6,
        vacuum_kpa=56.3,
    ),
    idle=replace(FOUND.idle, rpm=801.0, pressure_kpa=43.1, vacuum_kpa=55.8),
    advice=replace(FOUND.advice, home_deg=-6.8),
    hill=trodden(10.0, 36.0, 31.4, top_kpa=42.6),
)
SECOND = replace(
    FIRST,
    number=5,
    begun="2027-04-11T09:30:00",
    ended="",
    step="road",
    captures=(replace(SWEEP, result=WORN, sha256="2e" * 32, path="autumn.vaclog"),),
    settings=(Setting(aimed_deg=11.6, reached_deg=11.7, u_reached_deg=0.2, locked=True),),
    trials=(),
    notes=(),
)
BARE = Visit(engine="Workshop engine", begun="2026-04-02")

CASES = {
    "first": (FIRST, None),
    "second": (SECOND, FIRST),
    "same": (replace(FIRST, number=4), FIRST),
    "bare": (BARE, None),
    "bare after": (BARE, FIRST),
    "no advance": (replace(FIRST, captures=(replace(SWEEP, result=NO_ADVANCE),)), FIRST),
    "not reached": (replace(FIRST, captures=(replace(SWEEP, result=NOT_REACHED),)), FIRST),
    "empty result": (replace(BARE, captures=(replace(SWEEP, result=EMPTY),)), SECOND),
    "pinks": (replace(FIRST, trials=FIRST.trials[:1]), None),
}
