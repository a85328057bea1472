"""Steadiness of the spark, put together.

Enters: cycles, phases, the curve, misfires, cards. Leaves: a
:class:`~vaclog.result.SparkScatter`, and how far the earliest cylinder is ahead of No. 1.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from vaclog.analysis.findings import CurveFinding, MisfireFinding, Phase
from vaclog.analysis.wear.advance_scatter import AdvanceScatter, advance_scatter
from vaclog.analysis.wear.slots import Spacing, intakes, spacing
from vaclog.cards import EngineCard, RigCard
from vaclog.result import SlotSeen, SparkScatter
from vaclog.signals.tables import CycleTable, FloatArray


def find_scatter(
    cycles: CycleTable,
    phases: Sequence[Phase],
    curve: CurveFinding | None,
    misfire: MisfireFinding,
    engine: EngineCard,
    rig: RigCard,
) -> SparkScatter | None:
    """What the sparks tell of distributor and drive; None where they tell nothing."""
    own = advance_scatter(cycles, phases, rig)
    others = spacing(cycles, phases)
    drawn = intakes(cycles, phases)
    if own is None and others is None:
        return None
    slots = _slots(others, drawn, engine.cylinders, _order(cycles, engine, rig))
    seen = SparkScatter(cycles=0 if own is None else own.cycles, slots=slots)
    if own is not None:
        seen = _with_own(seen, own, curve)
    # A cylinder that keeps missing moves the sparks after it by more than is allowed for here.
    if others is not None and misfire.slot <= 0:
        seen = _with_others(seen, others, slots)
    return seen


def earliest(seen: SparkScatter | None) -> tuple[float, float]:
    """How far the earliest cylinder is ahead of No. 1, and its u; zeros where it is not known."""
    if seen is None or seen.uneven or seen.ahead_deg is None or seen.u_ahead_deg is None:
        return 0.0, 0.0
    return max(seen.ahead_deg, 0.0), seen.u_ahead_deg


def _with_own(seen: SparkScatter, own: AdvanceScatter, curve: CurveFinding | None) -> SparkScatter:
    drift, by_rpm = own.slopes
    return replace(
        seen,
        total_deg=own.total_deg,
        sensor_deg=own.sensor_deg,
        speed_deg=_number(own.speed_deg),
        real_deg=own.real_deg,
        low_deg=own.low_deg,
        high_deg=own.high_deg,
        alternate_deg=_number(own.alternate_deg),
        u_alternate_deg=_number(own.u_alternate_deg),
        slow_deg=own.slow_deg,
        drift_deg_per_min=drift[0],
        u_drift_deg_per_min=drift[1],
        per_100rpm_deg=by_rpm[0],
        u_per_100rpm_deg=by_rpm[1],
        at_speed_deg=None if curve is None else _number(curve.noise_deg),
        at_speed_rpm=None if curve is None else float(np.mean(curve.rpm)),
    )


def _with_others(seen: SparkScatter, others: Spacing, slots: tuple[SlotSeen, ...]) -> SparkScatter:
    first, last = int(np.argmax(others.ahead_deg)), int(np.argmin(others.ahead_deg))
    return replace(
        seen,
        earliest_slot=first + 1,
        earliest_cylinder=slots[first].cylinder,
        ahead_deg=float(others.ahead_deg[first]),
        u_ahead_deg=float(others.u_ahead_deg[first]),
        spread_deg=float(others.ahead_deg[first] - others.ahead_deg[last]),
        u_spread_deg=float(np.hypot(others.u_ahead_deg[first], others.u_ahead_deg[last])),
        uneven=others.uneven,
    )


def _slots(
    others: Spacing | None,
    drawn: tuple[FloatArray, FloatArray] | None,
    count: int,
    order: tuple[int, ...] | None,
) -> tuple[SlotSeen, ...]:
    return tuple(
        SlotSeen(
            slot=slot + 1,
            cylinder=None if order is None else order[slot],
            ahead_deg=None if others is None else float(others.ahead_deg[slot]),
            u_ahead_deg=None if others is None else float(others.u_ahead_deg[slot]),
            intake_kpa=None if drawn is None else float(drawn[0][slot]),
            u_intake_kpa=None if drawn is None else float(drawn[1][slot]),
            pull_percent=None if others is None else float(others.pull_percent[slot]),
            u_pull_percent=None if others is None else float(others.u_pull_percent[slot]),
        )
        for slot in range(count)
    )


def _order(cycles: CycleTable, engine: EngineCard, rig: RigCard) -> tuple[int, ...] | None:
    """Cylinders in firing order, where it is known which of them begins a cycle.

    From a pickup that sparks every turn, or from the coil lead alone, a crank mark cannot tell No.
    1 from its companion a turn later; angles are then right and names would be a guess.
    """
    first = cycles.coil_us[:, 0] if cycles.coil_us.shape[1] else np.empty(0)
    first = first[np.isfinite(first)]
    by_coil = bool(len(first)) and not np.any(first)
    return engine.firing_order if rig.spark.pickup == "no1" and not by_coil else None


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
