"""The rig card's record: each sensor that is clipped on.

Enters: values that were read and checked. Leaves: frozen records.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

SparkPickup: TypeAlias = Literal["no1", "wasted", "coil"]


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
    """Angle sensor on the distributor body, anchored by one strobe reading.

    ``anchored`` false: the card gives no anchor, so angles are relative to each other only.
    """

    deg_per_count: float
    sign: int = 1
    anchor_counts: float
    anchor_deg: float
    u_anchor_deg: float = 1.0
    anchored: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class RigCard:
    """What is clipped on. ``mark`` or ``body`` None: not declared on the card.

    ``remarks``: what the card leaves open, as sentences for the result's warnings.
    """

    pressure: PressureSensor = PressureSensor()
    spark: SparkSensor = SparkSensor()
    mark: MarkSensor | None = None
    body: BodySensor | None = None
    remarks: tuple[str, ...] = ()
