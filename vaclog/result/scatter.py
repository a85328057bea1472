"""How steadily the sparks come: scatter of No. 1, and the cylinders against each other.

Enters: nothing. Leaves: :class:`SparkScatter` and :class:`SlotSeen`. Fields are added, never
renamed. Angles are crank degrees; ``u_x`` is the standard uncertainty of x, low and high bound
95 %.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class SlotSeen:
    """One firing place against the others.

    Attributes
    ----------
    slot, cylinder
        Firing place, 1 is No. 1; its number by the firing order, None without one.
    ahead_deg
        How far its spark is ahead of an even spacing from No. 1's; None without a pickup on the
        coil lead.
    intake_kpa
        Mean pressure in its part of the cycle less the mean of the cycle, at idle.
    pull_percent
        Speed gained or lost in the interval after its spark, at idle, against the mean.
    """

    slot: int
    cylinder: int | None = None
    ahead_deg: float | None = None
    u_ahead_deg: float | None = None
    intake_kpa: float | None = None
    u_intake_kpa: float | None = None
    pull_percent: float | None = None
    u_pull_percent: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SparkScatter:
    """Scatter of the spark about its angle, and where it comes from.

    Attributes
    ----------
    cycles
        Cycles of holds that it rests on.
    total_deg
        Standard deviation of the advance from cycle to cycle, as read.
    sensor_deg, speed_deg
        The part that ticks and pickups make, and the part that changes of speed within a turn
        make, which a single mark takes for changes of the advance.
    real_deg, low_deg, high_deg
        What is left for the distributor and its drive, with its 95 % interval.
    alternate_deg
        Half the difference between every other cycle, always the same way round.
    slow_deg
        The part of the scatter that wanders from cycle to cycle instead of jumping.
    drift_deg_per_min
        Of the advance within holds.
    per_100rpm_deg
        Change of the advance with idle speed within holds.
    at_speed_deg, at_speed_rpm
        Scatter about the centrifugal curve in rev-ups, and their mean speed.
    slots
        The cylinders against each other, in firing order.
    earliest_slot, earliest_cylinder, ahead_deg
        The cylinder that sparks earliest and how far it is ahead of No. 1.
    spread_deg
        From the earliest to the latest.
    uneven
        The spacing is uneven as only a maker makes it: no wear is told from it.
    """

    cycles: int
    total_deg: float | None = None
    sensor_deg: float | None = None
    speed_deg: float | None = None
    real_deg: float | None = None
    low_deg: float | None = None
    high_deg: float | None = None
    alternate_deg: float | None = None
    u_alternate_deg: float | None = None
    slow_deg: float | None = None
    drift_deg_per_min: float | None = None
    u_drift_deg_per_min: float | None = None
    per_100rpm_deg: float | None = None
    u_per_100rpm_deg: float | None = None
    at_speed_deg: float | None = None
    at_speed_rpm: float | None = None
    slots: tuple[SlotSeen, ...] = ()
    earliest_slot: int | None = None
    earliest_cylinder: int | None = None
    ahead_deg: float | None = None
    u_ahead_deg: float | None = None
    spread_deg: float | None = None
    u_spread_deg: float | None = None
    uneven: bool = False

    @property
    def scatter_deg(self) -> float | None:
        """Scatter of the spark itself, one standard deviation."""
        return self.real_deg
