"""What a capture shows of whether rig and engine are fit for a sweep.

Enters: nothing. Leaves: :class:`Checks`, numbers only; what is in order is judged by who knows the
engine's card (:mod:`vaclog.visit.preflight`). None: the capture does not show it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

# Whether the advance followed the manifold vacuum when the throttle opened.
FollowsVacuum: TypeAlias = Literal["at idle", "not seen"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Checks:
    """Numbers of the pre-flight.

    Attributes
    ----------
    still_kpa, still_noise_kpa, still_s
        Engine standing: median pressure, its range within a tenth of a second, for how long.
    rail_per_thousand
        Cycles with the pressure at a rail of the converter.
    cranking_s, cranking_rpm, cranking_kpa, cranking_vacuum_kpa, cranking_swing_kpa
        The starter: how long, speed, median pressure of its second half, vacuum, and the range of
        100 ms means in it.
    cranking_rise_kpa
        How far the sensor read above the open air as the starter pulled: the supply sags.
    idle_s, idle_rpm, idle_kpa, idle_vacuum_kpa
        The longest idle: how long, medians.
    rpm_slope_per_min, u_rpm_slope_per_min, kpa_slope_per_min, u_kpa_slope_per_min
        Its trend and standard uncertainties, correlation between cycles allowed for.
    rpm_scatter_percent
        Standard deviation of the speed from cycle to cycle, trend taken off.
    sweep_minutes, sweep_u_deg
        The standard uncertainty of the top that a sweep of so many minutes over 20 degrees would
        bring with this scatter.
    follows_vacuum
        Whether the advance fell as the throttle opened, as a canister on the manifold makes it;
        None: no mark, no blip, the throttle opened too little, or the sparks scatter too much. One
        on a port shows in a slow rev-up only.
    opening_drop_deg, u_opening_drop_deg
        By how much it fell.
    moved_deg, u_moved_deg, moved_kpa, u_moved_kpa
        Advance and pressure of the last 15 s of idle against the first 15 s.
    """

    still_kpa: float | None = None
    still_noise_kpa: float | None = None
    still_s: float | None = None
    rail_per_thousand: float | None = None
    cranking_s: float | None = None
    cranking_rpm: float | None = None
    cranking_kpa: float | None = None
    cranking_vacuum_kpa: float | None = None
    cranking_swing_kpa: float | None = None
    cranking_rise_kpa: float | None = None
    idle_s: float | None = None
    idle_rpm: float | None = None
    idle_kpa: float | None = None
    idle_vacuum_kpa: float | None = None
    rpm_slope_per_min: float | None = None
    u_rpm_slope_per_min: float | None = None
    kpa_slope_per_min: float | None = None
    u_kpa_slope_per_min: float | None = None
    rpm_scatter_percent: float | None = None
    sweep_minutes: float | None = None
    sweep_u_deg: float | None = None
    follows_vacuum: FollowsVacuum | None = None
    opening_drop_deg: float | None = None
    u_opening_drop_deg: float | None = None
    moved_deg: float | None = None
    u_moved_deg: float | None = None
    moved_kpa: float | None = None
    u_moved_kpa: float | None = None
