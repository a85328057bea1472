"""Figures that are possible but look mixed up: distributor degrees for crank degrees and the like.

Enters: an engine card. Leaves: sentences, each of what stands there, what it looks like and what
to check. They are no errors: an unusual engine may be as the card says.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Final

from vaclog.cards.engine import EngineCard

# Common practice, no single source: mechanical advance is all in by 2500 to 3500 engine rpm
# and brings the total without vacuum advance to 28 to 38 crank degrees; a figure that is
# printed in distributor degrees and distributor speed is half of both.
_ALL_IN_EARLY_RPM: Final = 1900.0
_DISTRIBUTOR_ADDS_DEG: Final = 16.0
_STATIC_HIGH_DEG: Final = 22.0
_TOTAL_LOW_DEG, _TOTAL_HIGH_DEG = 22.0, 42.0
_AGREES_DEG: Final = 4.0


def doubts(engine: EngineCard) -> tuple[str, ...]:
    """What on an engine card is possible but looks like a mixed-up figure.

    Returns
    -------
    tuple of str
        Sentences: what stands there, what it looks like, what to check. Empty: nothing odd.
    """
    return tuple(sentence for check in _DOUBTS if (sentence := check(engine)))


def _doubt_static_is_total(engine: EngineCard) -> str:
    static, total = engine.static_deg, engine.max_total_deg
    if static is None or (total is not None and total < static):
        return ""
    if static <= _STATIC_HIGH_DEG and (total is None or static < total - 1.0):
        return ""
    return (
        f"The card's static_deg of {static:g}° looks like a total at speed, not like a static or "
        "idle figure (ordinary ones are 0 to 15°). Check at what speed the maker reads it."
    )


def _doubt_total_below_static(engine: EngineCard) -> str:
    static, total = engine.static_deg, engine.max_total_deg
    if static is None or total is None or total >= static:
        return ""
    return (
        f"The card's max_total_deg of {total:g}° is below its static_deg of {static:g}°, which "
        "cannot both be crank degrees before top dead centre at the speeds they belong to. "
        "Perhaps they were swapped, or the total is in distributor degrees."
    )


def _doubt_curve_is_distributor(engine: EngineCard) -> str:
    points, static, total = engine.centrifugal, engine.static_deg, engine.max_total_deg
    if not points:
        return ""
    last_rpm = next(rpm for rpm, added in points if added == points[-1][1])
    most = points[-1][1]
    early = last_rpm <= _ALL_IN_EARLY_RPM and 0 < most <= _DISTRIBUTOR_ADDS_DEG
    fits_doubled = (
        static is not None
        and total is not None
        and total - static - most > 1.5 * _AGREES_DEG
        and abs(total - static - 2 * most) <= _AGREES_DEG
    )
    if not (early or fits_doubled):
        return ""
    why = (
        f"is all in by {last_rpm:g} rpm"
        if early
        else f"adds {most:g}°, and twice that would just lead from {static:g}° to {total:g}°"
    )
    return (
        f"The card's centrifugal curve {why}, so it looks like distributor degrees over "
        "distributor speed. If it is, double both the degrees and the speeds."
    )


def _doubt_total_is_odd(engine: EngineCard) -> str:
    total = engine.max_total_deg
    if total is None or _TOTAL_LOW_DEG <= total <= _TOTAL_HIGH_DEG:
        return ""
    if engine.static_deg is not None and total < engine.static_deg:
        return ""  # said by _doubt_total_below_static
    looks = (
        "to include the vacuum advance" if total > _TOTAL_HIGH_DEG else "like distributor degrees"
    )
    return (
        f"The card's max_total_deg of {total:g}° looks {looks} (ordinary totals without vacuum "
        "advance are 28 to 38 crank degrees). Check what the maker's figure counts in."
    )


def _doubt_sum_over_cap(engine: EngineCard) -> str:
    points, static, total = engine.centrifugal, engine.static_deg, engine.max_total_deg
    if not points or static is None or total is None or total < static:
        return ""
    most = max(added for _, added in points)
    if static + most <= total + engine.static_tolerance_deg + 1.0:
        return ""
    return (
        f"By the card the maker's own setting reaches {static:g} + {most:g} = {static + most:g}° "
        f"at speed, more than its max_total_deg of {total:g}°. One of the three is wrong, or the "
        "static figure was read with the weights already out."
    )


def _doubt_curve_falls(engine: EngineCard) -> str:
    points = engine.centrifugal
    if not points or all(b[1] >= a[1] for a, b in pairwise(points)):
        return ""
    return (
        "The card's centrifugal curve falls with speed somewhere; weights only ever add. Check "
        "the pairs for a slip of the pen."
    )


_DOUBTS: Final = (
    _doubt_total_below_static,
    _doubt_static_is_total,
    _doubt_curve_is_distributor,
    _doubt_total_is_odd,
    _doubt_sum_over_cap,
    _doubt_curve_falls,
)
