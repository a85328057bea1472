"""Where a curve is odd: stretches where it stands still, and where it is off the card's.

Enters: the measured curve with its band, the card's curve. Leaves: spots, each with what it is
off by and how well that is known. What it means is for the words to say.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vaclog.analysis.findings import CurveFinding
from vaclog.cards import curve_added_deg
from vaclog.result import CurveSpot
from vaclog.signals.tables import FloatArray

_LEAST_OFF_DEG: Final = 1.5  # nearer to the card than this is no finding
_LEAST_RPM: Final = 200.0  # nor is a shorter stretch: two knots
# A stretch that rises by less than this part of the slope around it stands still ...
_STILL_PART: Final = 0.25
# ... if it is so long that the curve around it would have risen by so much.
_STILL_DEG: Final = 2.0
_SIGMAS: Final = 2.0


def on_card(curve: CurveFinding, points: tuple[tuple[float, float], ...]) -> FloatArray:
    """The card's curve at the measured speeds, less what it adds at the idle of the rev-up.

    float64 [m]; NaN without a curve on the card.
    """
    if not points:
        return np.full(len(curve.rpm), np.nan)
    at_idle_deg = curve_added_deg(points, curve.idle_rpm)
    return np.array([curve_added_deg(points, rpm) - at_idle_deg for rpm in curve.rpm.tolist()])


def off_card(curve: CurveFinding, card_deg: FloatArray) -> list[CurveSpot]:
    """Stretches where the card lies outside the band, "late" (less than it) or "early"."""
    off = curve.added_deg - card_deg
    u = curve.u_added_deg
    spots: list[CurveSpot] = []
    for kind, side in (("late", -1.0), ("early", 1.0)):
        beyond = side * off > np.maximum(_SIGMAS * u, _LEAST_OFF_DEG)
        for first, last in _runs(np.nan_to_num(beyond).astype(np.bool_)):
            if curve.rpm[last - 1] - curve.rpm[first] < _LEAST_RPM:
                continue
            worst = first + int(np.argmax(side * off[first:last]))
            spots.append(
                CurveSpot(
                    kind="late" if kind == "late" else "early",
                    from_rpm=float(curve.rpm[first]),
                    to_rpm=float(curve.rpm[last - 1]),
                    off_deg=float(off[worst]),
                    u_off_deg=float(u[worst]),
                )
            )
    return spots


def flat(curve: CurveFinding) -> list[CurveSpot]:
    """Stretches between start and end of the rise where it stands still.

    A stretch counts when it is too long for the slopes on both sides of it: the rise that is
    missing in it is at least two degrees and twice its uncertainty. The knots' uncertainties
    are taken as independent, which makes a difference of two look worse known than it is.
    """
    rising = _rising_range(curve)
    if rising is None:
        return []
    first, last = rising
    rpm, level = curve.rpm[first:last], curve.added_deg[first:last]
    u = curve.u_added_deg[first:last]
    found: list[CurveSpot] = []
    begin = 0
    while begin < len(rpm) - 2:
        best: CurveSpot | None = None
        for end in range(len(rpm) - 1, begin + 1, -1):
            if (spot := _standing(rpm, level, u, begin, end)) is not None:
                best = spot
                break
        if best is None:
            begin += 1
            continue
        found.append(best)
        begin = end
    return found


def _standing(
    rpm: FloatArray, level: FloatArray, u: FloatArray, begin: int, end: int
) -> CurveSpot | None:
    """The stretch between two knots as a flat spot, if it is one."""
    span = float(rpm[end] - rpm[begin])
    before, after = level[begin] - level[0], level[-1] - level[end]
    length = float(rpm[-1] - rpm[0] - span)
    # Both sides must rise, or it is a start or an end.
    if span < _LEAST_RPM or length <= 0 or min(before, after) < 1.0:
        return None
    rise = float(level[end] - level[begin])
    slope = float(before + after) / length
    missing, u_missing = slope * span - rise, float(np.hypot(u[begin], u[end]))
    if rise > _STILL_PART * slope * span or missing < max(_STILL_DEG, _SIGMAS * u_missing):
        return None
    return CurveSpot(
        kind="flat",
        from_rpm=float(rpm[begin]),
        to_rpm=float(rpm[end]),
        off_deg=-missing,
        u_off_deg=u_missing,
    )


def _rising_range(curve: CurveFinding) -> tuple[int, int] | None:
    """Knots between the first and the last tenth of the whole rise."""
    most = float(curve.added_deg.max())
    if most < _STILL_DEG:
        return None
    inside = np.flatnonzero((curve.added_deg > 0.05 * most) & (curve.added_deg < 0.95 * most))
    if len(inside) < 4:
        return None
    return max(int(inside[0]) - 1, 0), min(int(inside[-1]) + 2, len(curve.rpm))


def _runs(mask: NDArray[np.bool_]) -> Iterator[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    yield from zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
