"""Hand-made fits for the tests of the advice: a parabolic hill, as swept, found or not."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from vaclog.analysis.advice.angle_scale import angle_scale
from vaclog.analysis.advice.situation import Situation
from vaclog.analysis.findings import CurveFinding, MisfireFinding, SweepFit
from vaclog.cards import EngineCard, MarkSensor, RigCard
from vaclog.result import AdvanceSource, Idle

SMOOTH = MisfireFinding(
    cycles=np.zeros(0, np.int64),
    judged=1000,
    per_thousand=0.0,
    low_per_thousand=0.0,
    high_per_thousand=3.0,
    false_alarms_per_thousand=0.1,
    onset_deg=math.nan,
    u_onset_deg=math.nan,
    slot=-1,
    singles=True,
)

ENGINE = EngineCard(
    cylinders=4,
    firing_order=(1, 3, 4, 2),
    rotor_turns="clockwise",
    static_deg=10.0,
    static_tolerance_deg=2.0,
    idle_rpm=850.0,
    centrifugal=((1000.0, 0.0), (3000.0, 20.0)),
    max_total_deg=34.0,
    body_radius_mm=32.0,
    tdc_verified=True,
)
RIG = RigCard(mark=MarkSensor(angle_deg=10.0, u_angle_deg=0.5))


def stumbling(onset_deg: float, u_onset_deg: float = 0.5) -> MisfireFinding:
    """Misfire that begins at an advance."""
    return replace(SMOOTH, onset_deg=onset_deg, u_onset_deg=u_onset_deg, per_thousand=4.0)


def hill(
    peak_deg: float = 24.0,
    *,
    steep_kpa: float = 0.009,
    top_kpa: float = 40.0,
    swept: tuple[float, float] = (8.0, 34.0),
    found: bool = True,
    side: int = 0,
    u_deg: float = 0.4,
) -> SweepFit:
    """A fit of p = top + steep (a - peak)^2, its grid just the swept range."""
    deg = np.linspace(*swept, 53)
    kpa = top_kpa + steep_kpa * (deg - peak_deg) ** 2
    known = peak_deg if found else math.nan
    return SweepFit(
        found=found,
        why_not=None if found else "the top lies beyond the sweep",
        side=side,
        angle_deg=known,
        u_deg=u_deg if found else math.nan,
        low_deg=known - 2 * u_deg,
        high_deg=known + 2 * u_deg,
        flat_prior_deg=known - 0.2,
        swept_low_deg=swept[0],
        swept_high_deg=swept[1],
        evidence=30.0,
        cycles=800,
        curve_deg=deg,
        curve_kpa=kpa,
        low_kpa=kpa - 0.05,
        high_kpa=kpa + 0.05,
        noise_kpa=0.3,
        residual_white_p=0.5,
        limits=(),
    )


def rev_up(added_deg: float, max_rpm: float, *, level: bool = True) -> CurveFinding:
    """A measured curve that ends level or still rising."""
    rpm = np.linspace(850.0, max_rpm, 20)
    share = np.clip((rpm - 850.0) / (max_rpm - 850.0) / (0.7 if level else 1.0), 0.0, 1.0)
    return CurveFinding(
        rpm=rpm, added_deg=added_deg * share, u_added_deg=np.full(20, 0.3), max_rpm=max_rpm
    )


def situation(
    fit: SweepFit | None = None,
    *,
    engine: EngineCard = ENGINE,
    rig: RigCard = RIG,
    source: AdvanceSource = "mark",
    idle_deg: float | None = 30.0,
    **more: Any,
) -> Situation:
    """A situation with everything known, but for what the test changes."""
    fit = fit or hill()
    values: dict[str, Any] = {
        "misfire": SMOOTH,
        "home_deg": 10.0,
        "barometer_kpa": 101.0,
        "idle": Idle(rpm=850.0, pressure_kpa=41.0, vacuum_kpa=60.0, angle_deg=idle_deg),
    }
    values |= more
    scale = angle_scale(
        engine=engine, rig=rig, source=source, rpm=values["idle"].rpm, at_deg=idle_deg
    )
    return Situation(fit=fit, engine=engine, rig=rig, scale=scale, **values)
