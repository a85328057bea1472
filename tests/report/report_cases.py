"""Results for the tests of the report, made by hand: no analysis has a part in them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vaclog.result import (
    Advice,
    HillPicture,
    Idle,
    Misfire,
    Peak,
    PhaseSpan,
    Result,
    SourceInfo,
    SweepSpan,
)

CAUTIONS = (
    "Hands, sleeves, hair and the phone clear of fan and belts; an electric fan starts by itself.",
    "Road test on a private or quiet road. If it pinks: retard 1 to 2° and try again.",
)


def trodden(
    low: float, high: float, peak: float, steep: float = 0.009, top_kpa: float = 40.0
) -> HillPicture:
    """A hill walked up and down, with the scatter of an idling engine."""
    rng = np.random.default_rng(7)
    path = np.concatenate(
        [
            np.full(40, low),
            np.linspace(low, high, 160),
            np.linspace(high, (low + high) / 2, 120),
            np.full(40, (low + high) / 2),
        ]
    )
    scatter = np.convolve(rng.normal(0, 0.35, len(path) + 8), np.ones(9) / 9, "valid")
    deg = np.arange(np.floor(low - 20), np.ceil(high + 6) + 0.25, 0.5)
    kpa = top_kpa + steep * (deg - peak) ** 2 * np.where(deg > peak, 1.15, 1.0)
    away = np.maximum(0, np.maximum(low - deg, deg - high))
    band = 0.08 + 0.004 * away**2
    foot_kpa = np.interp(path, deg, kpa) + scatter + rng.normal(0, 0.08, len(path))
    return HillPicture(
        curve_deg=tuple(deg.tolist()),
        curve_kpa=tuple(kpa.tolist()),
        low_kpa=tuple((kpa - band).tolist()),
        high_kpa=tuple((kpa + band).tolist()),
        foot_deg=tuple((path + rng.normal(0, 0.1, len(path))).tolist()),
        foot_kpa=tuple(foot_kpa.tolist()),
        foot_age=tuple(np.linspace(0, 1, len(path)).tolist()),
        limits_deg=(("maximum total", 13.4), ("maker's figure", 11.6)),
    )


FOUND = Result(
    source=SourceInfo(
        capture="bench.vlog",
        duration_s=254.0,
        gaps=1,
        lines_skipped=0,
        advance_source="mark",
        engine="Workshop engine",
    ),
    barometer_kpa=100.2,
    phases=(
        PhaseSpan(kind="hold", start_s=0.0, end_s=40.0),
        PhaseSpan(kind="advancing", start_s=40.0, end_s=120.0),
        PhaseSpan(kind="retarding", start_s=120.0, end_s=214.0),
        PhaseSpan(kind="hold", start_s=214.0, end_s=254.0),
    ),
    sweeps=(
        SweepSpan(start_s=40.0, end_s=120.0, direction="advancing"),
        SweepSpan(start_s=120.0, end_s=214.0, direction="retarding"),
    ),
    peak=Peak(
        found=True,
        angle_deg=27.3,
        u_deg=0.4,
        low_deg=26.4,
        high_deg=28.1,
        u_abs_deg=1.3,
        low_abs_deg=24.6,
        high_abs_deg=30.0,
        flat_prior_deg=26.9,
        pressure_kpa=40.0,
        vacuum_kpa=60.2,
        swept_low_deg=10.0,
        swept_high_deg=34.0,
    ),
    idle=Idle(rpm=872.0, pressure_kpa=40.3, vacuum_kpa=59.9, angle_deg=22.0),
    misfire=Misfire(events=0, cycles=1710, per_thousand=0.0),
    advice=Advice(
        set_deg=11.6,
        hill_deg=13.6,
        limit="maker's figure",
        turn_deg=-5.2,
        turn_mm=-2.9,
        turn_way="clockwise",
        gain_kpa=-1.96,
        warnings=(
            "Top dead centre is not verified: the mark is taken to be within 2° of it. A slipped "
            "ring shifts every angle here and on a strobe alike.",
        ),
        hill_extrapolated=False,
        next_step="Set 11.6° and road-test. If it does not pink, steps of 2° up to 13.4° may be "
        "tried, with a road test after each.",
        home_deg=-6.0,
        home_mm=-3.35,
        home_way="clockwise",
        cap_deg=13.4,
        steps_deg=(13.4,),
        drop_kpa=1.693,
        rotor_turns="counterclockwise",
        cautions=CAUTIONS,
    ),
    hill=trodden(10.0, 34.0, 27.3),
)

# The ordinary case: prudence stopped short of the top.
NOT_REACHED = replace(
    FOUND,
    peak=Peak(
        found=False,
        why_not="the top lies beyond the advanced end of the sweep",
        beyond="advanced",
        swept_low_deg=8.0,
        swept_high_deg=20.0,
    ),
    idle=Idle(rpm=861.0, pressure_kpa=41.0, vacuum_kpa=59.2, angle_deg=14.0),
    advice=replace(
        FOUND.advice,
        hill_deg=5.1,
        hill_extrapolated=True,
        set_deg=5.1,
        limit="hill",
        turn_deg=-4.45,
        turn_mm=-2.5,
        gain_kpa=-0.9,
        steps_deg=(),
    ),
    hill=trodden(8.0, 20.0, 27.3),
)
NO_CAP = replace(
    FOUND,
    advice=Advice(
        hill_deg=13.6,
        next_step="Set the baseline (10.0° by the maker's figure), at most 2° more, then "
        "road-test. Without a maximum total and the centrifugal curve there is no cap.",
        warnings=("No cap, no number: max_total_deg on the engine card is missing.",),
        cautions=CAUTIONS,
        drop_kpa=1.693,
        home_deg=-6.0,
    ),
    hill=replace(FOUND.hill, limits_deg=(("maker's figure", 11.6),)),
)
NO_BAROMETER = replace(
    FOUND,
    barometer_kpa=None,
    peak=replace(FOUND.peak, vacuum_kpa=None),
    idle=replace(FOUND.idle, vacuum_kpa=None),
)
STUMBLING = replace(
    FOUND,
    misfire=Misfire(
        events=43,
        cycles=1710,
        per_thousand=25.1,
        onset_deg=31.2,
        slot=2,
        cylinder=4,
        low_per_thousand=18.2,
        high_per_thousand=33.9,
    ),
    hill=replace(FOUND.hill, limits_deg=(*FOUND.hill.limits_deg, ("misfire", 29.2))),
)
NO_ADVANCE = Result(
    source=SourceInfo(
        capture="plain.txt", duration_s=61.0, gaps=0, lines_skipped=3, advance_source="none"
    ),
    barometer_kpa=None,
    phases=(PhaseSpan(kind="running", start_s=0.0, end_s=61.0),),
    sweeps=(),
    peak=Peak(found=False, why_not="no advance is known"),
    idle=Idle(rpm=845.0, pressure_kpa=41.0),
    misfire=Misfire(events=0, cycles=0),
    advice=Advice(
        next_step="Give the tool the advance: a crank mark sensor, or strobe readings at holds.",
        warnings=("No advance is known, so no angle can be given.",),
        cautions=CAUTIONS,
    ),
)
EMPTY = Result(
    source=SourceInfo(capture="", duration_s=0.0, gaps=0, lines_skipped=0, advance_source="none"),
    barometer_kpa=None,
    phases=(),
    sweeps=(),
    peak=Peak(found=False),
    idle=Idle(),
    misfire=Misfire(events=0, cycles=0),
    advice=Advice(),
)

CASES = {
    "found": FOUND,
    "not_reached": NOT_REACHED,
    "no_cap": NO_CAP,
    "no_barometer": NO_BAROMETER,
    "stumbling": STUMBLING,
    "no_advance": NO_ADVANCE,
    "empty": EMPTY,
}
