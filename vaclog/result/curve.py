"""What rev-ups showed of the centrifugal curve.

Enters: nothing. Leaves: :class:`CurveSeen` and :class:`CurveSpot`. Fields are added, never
renamed. Advance is in crank degrees above that of the idle before the rev-up; ``u_x`` is the
standard uncertainty of x.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

SpotKind: TypeAlias = Literal["flat", "late", "early"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveSpot:
    """A stretch of speed where the curve is odd.

    ``off_deg`` is, for "late" and "early", the most that it is off the card's curve (late: below
    zero), for "flat" the rise that is missing in it.
    """

    kind: SpotKind
    from_rpm: float
    to_rpm: float
    off_deg: float
    u_off_deg: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CurveSeen:
    """The centrifugal curve, measured.

    Attributes
    ----------
    rpm, added_deg, low_deg, high_deg
        The curve over engine speed with its 95 % band, zero at ``idle_rpm``.
    card_deg
        The card's curve at the same speeds less what it adds at ``idle_rpm``; empty: no curve
        on the card.
    start_rpm, all_in_rpm, most_deg, slope_deg_per_1000rpm
        Where it begins to rise, where it ends, what it adds in all (so far as was seen) and
        its mean slope between.
    moving_at_idle
        It rises already at idle speed.
    all_seen
        Its end was seen.
    friction_deg
        Half the distance of the way up from the way down that no lag explains: weights that
        stick. Below zero: more on the way up, as a vacuum advance fed from a port would have it.
    lag_s
        How late the weights follow.
    delay_us
        Pickup delay beyond the rig card's.
    stays_out_deg
        Advance of the idle after less that before the rev-ups.
    hose
        Whether a vacuum advance was seen: "off", "manifold", "port", "unclear".
    hose_swing_deg
        What pressure did to the advance at the same speed over the range seen.
    spots
        Where it stands still, and where it is off the card's.
    total_now_deg, total_set_deg
        Advance at speed with the timing as it is and as advised: idle and the larger of card
        and measurement; ``max_total_deg`` is the maker's.
    """

    rpm: tuple[float, ...]
    added_deg: tuple[float, ...]
    low_deg: tuple[float, ...]
    high_deg: tuple[float, ...]
    card_deg: tuple[float, ...] = ()
    idle_rpm: float
    most_rpm: float
    start_rpm: float | None = None
    u_start_rpm: float | None = None
    all_in_rpm: float | None = None
    u_all_in_rpm: float | None = None
    most_deg: float | None = None
    u_most_deg: float | None = None
    slope_deg_per_1000rpm: float | None = None
    u_slope_deg_per_1000rpm: float | None = None
    moving_at_idle: bool = False
    all_seen: bool = False
    friction_deg: float | None = None
    u_friction_deg: float | None = None
    lag_s: float | None = None
    u_lag_s: float | None = None
    delay_us: float | None = None
    u_delay_us: float | None = None
    stays_out_deg: float | None = None
    u_stays_out_deg: float | None = None
    hose: str | None = None
    hose_swing_deg: float | None = None
    u_hose_swing_deg: float | None = None
    spots: tuple[CurveSpot, ...] = ()
    total_now_deg: float | None = None
    total_set_deg: float | None = None
    u_total_deg: float | None = None
    max_total_deg: float | None = None
    from_card_deg: float | None = None  # what the card's curve adds in all above this idle
    rev_ups: int = 0
    sparks: int = 0
