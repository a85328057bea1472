"""The curve's part of the result.

Enters: the curve finding, what was seen of a vacuum advance, the card, the judged limits, the
advice. Leaves: a :class:`~vaclog.result.CurveSeen`.
"""

from __future__ import annotations

import math

from vaclog.analysis.advice.situation import Judged
from vaclog.analysis.curve.hose import HoseSeen
from vaclog.analysis.curve.spots import flat, off_card, on_card
from vaclog.analysis.findings import CurveFinding
from vaclog.cards import EngineCard, curve_added_deg
from vaclog.result import Advice, CurveSeen, Idle
from vaclog.signals.tables import FloatArray

_K95 = 1.96  # standard normal


def curve_seen(
    curve: CurveFinding,
    hose: HoseSeen | None,
    engine: EngineCard,
    judged: Judged,
    idle: Idle,
    advice: Advice,
) -> CurveSeen:
    """Write down what the rev-ups showed, and what it makes of the total at speed."""
    card_deg = on_card(curve, engine.centrifugal or ())
    half = _K95 * curve.u_added_deg
    added = judged.added
    added_deg = None if added is None else added.added_deg
    return CurveSeen(
        rpm=_floats(curve.rpm),
        added_deg=_floats(curve.added_deg),
        low_deg=_floats(curve.added_deg - half),
        high_deg=_floats(curve.added_deg + half),
        card_deg=_floats(card_deg) if engine.centrifugal else (),
        idle_rpm=curve.idle_rpm,
        most_rpm=curve.max_rpm,
        start_rpm=_number(curve.start_rpm),
        u_start_rpm=_number(curve.u_start_rpm),
        all_in_rpm=_number(curve.all_in_rpm),
        u_all_in_rpm=_number(curve.u_all_in_rpm),
        most_deg=_number(curve.most_deg),
        u_most_deg=_number(curve.u_most_deg),
        slope_deg_per_1000rpm=_number(curve.slope_deg_per_1000rpm),
        u_slope_deg_per_1000rpm=_number(curve.u_slope_deg_per_1000rpm),
        moving_at_idle=curve.moving_at_idle,
        all_seen=math.isfinite(curve.all_in_rpm),
        friction_deg=_number(curve.friction_deg),
        u_friction_deg=_number(curve.u_friction_deg),
        lag_s=_number(curve.lag_s),
        u_lag_s=_number(curve.u_lag_s),
        delay_us=_number(curve.delay_us),
        u_delay_us=_number(curve.u_delay_us),
        stays_out_deg=_number(curve.stays_out_deg),
        u_stays_out_deg=_number(curve.u_stays_out_deg),
        hose=None if hose is None else hose.verdict,
        hose_swing_deg=None if hose is None else _number(hose.swing_deg),
        u_hose_swing_deg=None if hose is None else _number(hose.u_swing_deg),
        spots=(*flat(curve), *off_card(curve, card_deg)),
        total_now_deg=_sum(idle.angle_deg, added_deg),
        total_set_deg=_sum(advice.set_deg, added_deg),
        u_total_deg=None
        if added is None or judged.u_deg is None
        else math.hypot(added.u_added_deg, judged.u_deg),
        max_total_deg=engine.max_total_deg,
        from_card_deg=_from_card(curve, engine),
        rev_ups=curve.rev_ups,
        sparks=curve.sparks,
    )


def _from_card(curve: CurveFinding, engine: EngineCard) -> float | None:
    if not engine.centrifugal:
        return None
    most_deg = max(added for _, added in engine.centrifugal)
    return most_deg - curve_added_deg(engine.centrifugal, curve.idle_rpm)


def _sum(one: float | None, two: float | None) -> float | None:
    return None if one is None or two is None else one + two


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _floats(values: FloatArray) -> tuple[float, ...]:
    return tuple(float(value) for value in values)
