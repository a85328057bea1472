"""The limits under which the timing may be set.

Enters: misfire and curve findings, the cards, the uncertainty of an angle. Leaves: a
:class:`Limit` for each that can be judged: the angle *shown by the rig at idle* that must not be
passed, uncertainty already taken off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

import numpy as np

from vaclog.analysis.findings import CurveFinding, MisfireFinding
from vaclog.cards import EngineCard, curve_added_deg

LimitName: TypeAlias = Literal["misfire", "maximum total", "maker's figure"]

# Misfire is random: its onset in one sweep is not its onset in the next, so stay two degrees off
# (common practice: back off until it is smooth, then a little more).
MISFIRE_MARGIN_DEG: Final = 2.0
# Mechanical advance is all in by 2500 to 3500 rpm (common practice): a rev-up that went this far
# has seen all of it.
_ALL_IN_RPM: Final = 3500.0
# ... and so has one at whose end the curve had gone level: less than this over its last fifth.
_LEVEL_DEG: Final = 1.0
# Level ground at lower speeds may be a heavier spring that waits (common practice as above).
_ENDS_RPM: Final = 2400.0
_HOSE_ON: Final = ("manifold", "port")
# Measured and printed curve differ: worn springs, seized weights, another distributor. Makers
# print bands of two to four crank degrees around their curves (common practice).
_CURVES_DIFFER_DEG: Final = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """An angle at idle, as the rig shows it, that must not be passed.

    Attributes
    ----------
    name
        What it is.
    angle_deg
        The limit with everything taken off.
    nominal_deg
        The same before margin and uncertainty.
    why
        How it came about, in a sentence.
    """

    name: LimitName
    angle_deg: float
    nominal_deg: float
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AddedAtSpeed:
    """What the centrifugal advance adds between idle and full speed.

    Attributes
    ----------
    added_deg, u_added_deg
        Crank degrees on top of what it already adds at idle.
    source
        Which curve decided.
    remarks
        Where card and measurement disagree or one cannot be used.
    """

    added_deg: float
    u_added_deg: float
    source: Literal["card", "measured"]
    remarks: tuple[str, ...] = ()


def added_at_idle_deg(engine: EngineCard, idle_rpm: float | None) -> float:
    """What the card's curve already adds at idle; 0 when it or the speed is not known.

    0 is the careful answer: it leaves the maker's figure and the total where they are lowest.
    """
    rpm = idle_rpm if idle_rpm is not None else engine.idle_rpm
    if not engine.centrifugal or rpm is None:
        return 0.0
    return max(0.0, curve_added_deg(engine.centrifugal, rpm))


def added_at_speed(
    engine: EngineCard, curve: CurveFinding | None, idle_rpm: float | None
) -> tuple[AddedAtSpeed | None, tuple[str, ...]]:
    """What the centrifugal curve adds on top of idle, the larger of card and measurement.

    Returns
    -------
    added, remarks
        None when neither curve can be used; the remarks say why.
    """
    remarks: list[str] = []
    found: list[AddedAtSpeed] = []
    if engine.centrifugal:
        most_deg = max(added for _, added in engine.centrifugal)
        card_deg = max(0.0, most_deg - added_at_idle_deg(engine, idle_rpm))
        found.append(
            AddedAtSpeed(
                added_deg=card_deg,
                u_added_deg=engine.u_centrifugal_deg,
                source="measured" if engine.centrifugal_measured else "card",
            )
        )
    if curve is not None and len(curve.added_deg):
        top = int(np.nanargmax(curve.added_deg))
        measured = AddedAtSpeed(
            added_deg=max(0.0, float(curve.added_deg[top])),
            u_added_deg=float(np.nan_to_num(curve.u_added_deg[top])),
            source="measured",
        )
        if curve.hose in _HOSE_ON and not found:
            remarks.append(
                "The rev-up shows a vacuum advance at work, so it does not tell what the weights "
                "alone add. Take the hose off, plug it, and rev up once more."
            )
        elif _all_in(curve):
            found.append(measured)
        elif not found or measured.added_deg > found[0].added_deg:
            remarks.append(
                f"The rev-up reached only {curve.max_rpm:.0f} rpm and the centrifugal advance was "
                f"still growing there ({measured.added_deg:.1f}° on top of idle), so its end is "
                "not known. Rev slowly to 3500 rpm once, clutch out, to see all of it."
            )
            if found:
                found.append(measured)
    if len(found) == 2 and _differ(found[0], found[1]):
        remarks.append(
            f"The rev-up shows {found[1].added_deg:.1f}° of centrifugal advance on top of idle, "
            f"the card says {found[0].added_deg:.1f}°. Weak springs or seized weights, another "
            "distributor, or distributor degrees on the card; the larger of the two is used."
        )
    return max(found, key=lambda each: each.added_deg, default=None), tuple(remarks)


def _differ(card: AddedAtSpeed, measured: AddedAtSpeed) -> bool:
    """Whether card and measurement are further apart than tolerance and doubt explain."""
    apart_deg = abs(card.added_deg - measured.added_deg)
    return apart_deg > max(_CURVES_DIFFER_DEG, 2.0 * measured.u_added_deg)


def _all_in(curve: CurveFinding) -> bool:
    """Whether the measured curve had come to its end."""
    if curve.max_rpm >= _ALL_IN_RPM or math.isfinite(curve.all_in_rpm):
        return True
    if curve.max_rpm < _ENDS_RPM:
        return False
    span_rpm = float(curve.rpm[-1] - curve.rpm[0])
    late = curve.rpm >= curve.rpm[-1] - 0.2 * span_rpm
    if late.sum() < 2 or float(np.nanmax(curve.added_deg)) < _LEVEL_DEG:
        return False
    return bool(np.ptp(curve.added_deg[late]) < _LEVEL_DEG)


def misfire_limit(misfire: MisfireFinding, u_deg: float | None) -> Limit | None:
    """Onset of misfire less a margin.

    Onset and set point are read on the same scale, so a wrong mark cancels; the margin still is
    never less than the 2 u with which the other limits are judged.
    """
    onset_deg = misfire.onset_deg
    if not math.isfinite(onset_deg):
        return None
    u_onset_deg = misfire.u_onset_deg if math.isfinite(misfire.u_onset_deg) else 0.0
    margin_deg = max(MISFIRE_MARGIN_DEG, 2 * u_onset_deg, 2 * (u_deg or 0.0))
    return Limit(
        name="misfire",
        angle_deg=onset_deg - margin_deg,
        nominal_deg=onset_deg,
        why=f"stumbling begins at {onset_deg:.1f}°, less {margin_deg:.1f}° of margin",
    )


def total_limit(
    engine: EngineCard,
    added: AddedAtSpeed | None,
    u_deg: float | None,
    ahead_deg: float = 0.0,
    u_ahead_deg: float = 0.0,
) -> Limit | None:
    """The maker's maximum total less what the curve adds between idle and speed.

    Parameters
    ----------
    ahead_deg, u_ahead_deg
        How far the earliest cylinder sparks ahead of No. 1: it pinks first.
    """
    if engine.max_total_deg is None or added is None or u_deg is None:
        return None
    nominal_deg = engine.max_total_deg - added.added_deg - ahead_deg
    u_both_deg = math.hypot(u_deg, added.u_added_deg, u_ahead_deg)
    early = f" less {ahead_deg:.1f}° for the earliest cylinder" if ahead_deg > 0 else ""
    return Limit(
        name="maximum total",
        angle_deg=nominal_deg - 2 * u_both_deg,
        nominal_deg=nominal_deg,
        why=(
            f"{engine.max_total_deg:g}° in all less {added.added_deg:.1f}° that the weights add "
            f"above idle ({added.source}){early}, less {2 * u_both_deg:.1f}° for what the angle "
            "may be off"
        ),
    )


def maker_limit(
    engine: EngineCard,
    at_idle_deg: float,
    u_deg: float | None,
    ahead_deg: float = 0.0,
    u_ahead_deg: float = 0.0,
) -> Limit | None:
    """The maker's static figure and its tolerance, as it would read at idle."""
    if engine.static_deg is None or u_deg is None:
        return None
    u_deg = math.hypot(u_deg, u_ahead_deg)
    nominal_deg = engine.static_deg + engine.static_tolerance_deg + at_idle_deg - ahead_deg
    moving = f" and {at_idle_deg:.1f}° that the weights add at idle" if at_idle_deg >= 0.05 else ""
    early = f", less {ahead_deg:.1f}° for the earliest cylinder" if ahead_deg > 0 else ""
    return Limit(
        name="maker's figure",
        angle_deg=nominal_deg - 2 * u_deg,
        nominal_deg=nominal_deg,
        why=(
            f"{engine.static_deg:g}° with {engine.static_tolerance_deg:g}° of tolerance{moving}"
            f"{early}, less {2 * u_deg:.1f}° for what the angle may be off"
        ),
    )
