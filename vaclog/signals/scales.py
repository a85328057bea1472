"""Counts to physical units, as the rig card says.

Enters: counts and the rig card. Leaves: kilopascals absolute, crank degrees, rails.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vaclog.cards import BodySensor, PressureSensor
from vaclog.signals.tables import FloatArray
from vaclog.units import crank_from_body_deg

# A shorted or open sensor sits at the end of the scale but for the converter's own error of a
# few counts; sensors that work keep away from both ends (the tables in the tests stay within
# 4 % and 96 % of the supply).
_RAIL_FRACTION = 1 / 256


@dataclass(frozen=True, slots=True)
class PressureScale:
    """(counts + 0.5) / 2**adc_bits = gain_per_kpa * P + offset.

    Half a count is added since a converter rounds down: a count stands for the middle of
    its step.
    """

    sensor: PressureSensor
    adc_bits: int

    def kpa(self, counts: Any) -> Any:
        """Absolute pressure in kPa of counts (number or array, may be fractional)."""
        ratio = (counts + 0.5) / float(1 << self.adc_bits)
        return (ratio - self.sensor.offset) / self.sensor.gain_per_kpa

    @property
    def low_rail_counts(self) -> int:
        """Counts at or below this are a sensor shorted to ground, or open with a pull-down."""
        return int((1 << self.adc_bits) * _RAIL_FRACTION)

    @property
    def high_rail_counts(self) -> int:
        """Counts at or above this are a sensor shorted to its supply."""
        return (1 << self.adc_bits) - 1 - self.low_rail_counts

    def at_rail(self, counts: NDArray[Any]) -> NDArray[np.bool_]:
        """bool [n], True where a count sits at either end of the converter's scale."""
        return (counts <= self.low_rail_counts) | (counts >= self.high_rail_counts)


def body_deg(sensor: BodySensor, counts: NDArray[Any]) -> FloatArray:
    """Advance in crank degrees of body angle counts, float64 [n].

    ``anchor_deg + 2 * sign * deg_per_count * (counts - anchor_counts)``: the card's
    ``deg_per_count`` is of the body, which turns at half crank speed.
    """
    turned = sensor.sign * sensor.deg_per_count * (counts - sensor.anchor_counts)
    return np.asarray(sensor.anchor_deg + crank_from_body_deg(turned), np.float64)
