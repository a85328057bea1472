"""Engine card and rig card: what the wire does not carry.

Enters: TOML text. Leaves: validated, frozen records. Every key has a default or is optional;
a missing one only costs the answers that need it. An unknown key or a bad value is a
:class:`~vaclog.errors.CardError` that names it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

Rotation: TypeAlias = Literal["clockwise", "counterclockwise"]
VacuumAdvance: TypeAlias = Literal["none", "ported", "manifold", "retard"]
SparkPickup: TypeAlias = Literal["no1", "wasted", "coil"]


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


@dataclass(frozen=True, slots=True, kw_only=True)
class PressureSensor:
    """(counts + 0.5) / 2**adc_bits = gain_per_kpa * P + offset."""

    gain_per_kpa: float = 0.004
    offset: float = -0.04


@dataclass(frozen=True, slots=True, kw_only=True)
class SparkSensor:
    """What the spark pickup is clamped on, and its delay."""

    pickup: SparkPickup = "no1"
    delay_us: float = 0.0
    u_delay_us: float = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkSensor:
    """The mark passes its sensor ``angle_deg`` before top dead centre of No. 1."""

    angle_deg: float = 0.0
    u_angle_deg: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BodySensor:
    """Angle sensor on the distributor body, anchored by one strobe reading."""

    deg_per_count: float
    sign: int = 1
    anchor_counts: float
    anchor_deg: float
    u_anchor_deg: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RigCard:
    """What is clipped on. ``mark`` or ``body`` None: not declared on the card."""

    pressure: PressureSensor = PressureSensor()
    spark: SparkSensor = SparkSensor()
    mark: MarkSensor | None = None
    body: BodySensor | None = None
