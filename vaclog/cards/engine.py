"""The engine card's record, and what its centrifugal curve adds at a speed.

Enters: values that were read and checked. Leaves: a frozen record. A key that is missing on the
card only costs the answers that need it.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from typing import Literal, TypeAlias

Rotation: TypeAlias = Literal["clockwise", "counterclockwise"]
VacuumAdvance: TypeAlias = Literal["none", "ported", "manifold", "retard"]


@dataclass(frozen=True, slots=True, kw_only=True)
class EngineCard:
    """What the maker says about the engine; crank degrees, engine rpm."""

    name: str = ""
    cylinders: int = 4
    firing_order: tuple[int, ...] | None = None
    rotor_turns: Rotation | None = None
    static_deg: float | None = None
    static_tolerance_deg: float = 2.0
    idle_rpm: float | None = None
    centrifugal: tuple[tuple[float, float], ...] | None = None
    max_total_deg: float | None = None
    body_radius_mm: float | None = None
    click_deg: float = 0.0
    vacuum_advance: VacuumAdvance = "none"
    altitude_m: float | None = None
    tdc_verified: bool = False
    bore_mm: float | None = None  # of a cylinder: gives the pitch at which pinking rings
    # No keys of a card: the curve stands here because a capture before this one showed it.
    centrifugal_measured: bool = False
    u_centrifugal_deg: float = 0.0


def curve_added_deg(points: tuple[tuple[float, float], ...], rpm: float) -> float:
    """Crank degrees that a centrifugal curve adds at an engine speed.

    Straight lines between the points, level beyond the first and the last (stops of the
    weights; common practice in the maker's tables).
    """
    speeds = [speed for speed, _ in points]
    if rpm <= speeds[0]:
        return points[0][1]
    if rpm >= speeds[-1]:
        return points[-1][1]
    right = bisect_right(speeds, rpm)
    (rpm0, deg0), (rpm1, deg1) = points[right - 1], points[right]
    return deg0 + (deg1 - deg0) * (rpm - rpm0) / (rpm1 - rpm0)
