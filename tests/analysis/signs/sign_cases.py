"""Cases made by formula: cycles whose pressures and speeds are what a test says.

No engine and no code of the package but its records has a part in them.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vaclog.analysis.findings import MisfireFinding, Phase, SweepFit
from vaclog.analysis.signs.evidence import Case
from vaclog.cards import EngineCard, RigCard
from vaclog.result import Idle
from vaclog.signals.tables import Background, CycleTable

NONE = np.empty(0)
NO_FIT = SweepFit(
    found=False,
    why_not="no sweep",
    side=0,
    angle_deg=np.nan,
    u_deg=np.nan,
    low_deg=np.nan,
    high_deg=np.nan,
    flat_prior_deg=np.nan,
    swept_low_deg=np.nan,
    swept_high_deg=np.nan,
    evidence=0.0,
    cycles=0,
    curve_deg=NONE,
    curve_kpa=NONE,
    low_kpa=NONE,
    high_kpa=NONE,
    noise_kpa=np.nan,
    residual_white_p=np.nan,
    limits=(),
)
NO_MISFIRE = MisfireFinding(
    cycles=np.empty(0, np.int64),
    judged=0,
    per_thousand=np.nan,
    low_per_thousand=np.nan,
    high_per_thousand=np.nan,
    false_alarms_per_thousand=np.nan,
    onset_deg=np.nan,
    u_onset_deg=np.nan,
    slot=-1,
    singles=True,
)


def hill(peak_deg: float, top_kpa: float, bend: float = 0.01) -> SweepFit:
    """A parabola of pressure over advance, found and swept around its top."""
    deg = np.arange(peak_deg - 34.0, peak_deg + 10.5, 0.5)
    kpa = top_kpa + bend * (deg - peak_deg) ** 2
    return replace(
        NO_FIT,
        found=True,
        why_not=None,
        angle_deg=peak_deg,
        u_deg=0.4,
        low_deg=peak_deg - 0.8,
        high_deg=peak_deg + 0.8,
        swept_low_deg=float(deg[0]),
        swept_high_deg=float(deg[-1]),
        curve_deg=deg,
        curve_kpa=kpa,
        low_kpa=kpa - 0.1,
        high_kpa=kpa + 0.1,
    )


def case(
    slots_kpa: np.ndarray,
    *,
    rpm: np.ndarray | float = 850.0,
    advance_deg: float = 12.0,
    barometer_kpa: float | None = 101.3,
    measured: bool = True,
    fit: SweepFit = NO_FIT,
    engine: EngineCard | None = None,
    phases: tuple[Phase, ...] | None = None,
) -> Case:
    """A capture that is one hold, unless phases are given; float64 [n, N] pressures per part."""
    n, parts = slots_kpa.shape
    speed = np.broadcast_to(np.asarray(rpm, float), (n,))
    edge = np.concatenate([[0], np.cumsum(np.round(120e6 / speed))]).astype(np.int64)
    mean = slots_kpa.mean(axis=1)
    cycles = CycleTable(
        start_us=edge[:-1],
        end_us=edge[1:],
        rpm=speed.copy(),
        pressure_kpa=mean,
        min_kpa=slots_kpa.min(axis=1),
        max_kpa=slots_kpa.max(axis=1),
        slot_kpa=slots_kpa.astype(float),
        turn_us=np.full((n, 2), np.nan),
        advance_deg=np.full(n, advance_deg),
        advance_from=np.ones(n, np.uint8),
        flags=np.zeros(n, np.uint8),
    )
    bins = int(edge[-1] // 100_000) + 1
    level = np.full(bins, float(mean.mean()))
    background = Background(
        bin_us=100_000,
        mean_kpa=level,
        min_kpa=level,
        max_kpa=level,
        sparks=np.ones(bins, np.int32),
        marks=np.zeros(bins, np.int32),
    )
    last = slice(max(n - 100, 0), n)
    return Case(
        cycles=cycles,
        background=background,
        phases=phases or (Phase(kind="hold", start_us=0, end_us=int(edge[-1])),),
        fit=fit,
        misfire=NO_MISFIRE,
        idle=Idle(
            rpm=float(np.median(speed[last])),
            pressure_kpa=float(np.median(mean[last])),
            angle_deg=advance_deg,
        ),
        engine=engine or EngineCard(cylinders=parts, firing_order=None),
        rig=RigCard(),
        barometer_kpa=barometer_kpa,
        barometer_measured=measured and barometer_kpa is not None,
    )


def remembering(
    rng: np.random.Generator, count: int, memory: float, scale: float = 1.0
) -> np.ndarray:
    """A first-order process of unit (or given) standard deviation."""
    white = rng.standard_normal(count) * scale * np.sqrt(1.0 - memory * memory)
    out, level = np.empty(count), rng.standard_normal() * scale
    for k in range(count):
        level = memory * level + white[k]
        out[k] = level
    return out


def idle(
    rng: np.random.Generator, cycles: int = 500, parts: int = 4, kpa: float = 40.0
) -> np.ndarray:
    """Pressures of a sound idle: slow wander that remembers, and a sensor's noise."""
    slow = remembering(rng, cycles * parts, 0.96, 0.4).reshape(cycles, parts)
    return kpa + slow + 0.03 * rng.standard_normal((cycles, parts))
