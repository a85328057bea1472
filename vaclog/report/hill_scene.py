"""The hill in the reader's units, before it is drawn.

Enters: a result and a unit. Leaves: a :class:`Scene`, or None where there is no hill to draw.
Without a barometer the height is absolute pressure, less of it being higher up.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from vaclog.result import Result
from vaclog.units import PressureUnit, from_kpa

FloatArray: TypeAlias = NDArray[np.float64]
_FEET_AT_MOST: Final = 110


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """The hill in the reader's units, height up.

    ``deg``, ``height``, ``low``, ``high`` are the curve with its band; ``feet_*`` the footprints;
    ``swept`` the ends of what was trodden. ``sign`` is +1 for vacuum, -1 for absolute pressure.
    """

    deg: FloatArray
    height: FloatArray
    low: FloatArray
    high: FloatArray
    feet_deg: FloatArray
    feet_height: FloatArray
    feet_age: FloatArray
    swept: tuple[float, float]
    sign: int

    def at(self, angle_deg: float) -> float:
        """Height of the ground at an angle."""
        return float(np.interp(angle_deg, self.deg, self.height))


def make_scene(result: Result, unit: PressureUnit) -> Scene | None:
    """The hill in the reader's units; None when there is none."""
    hill = result.hill
    deg = np.array(hill.curve_deg, dtype=np.float64)
    barometer_kpa = result.barometer_kpa

    def height(kpa: tuple[float, ...]) -> FloatArray:
        absolute = np.array(kpa, dtype=np.float64)
        up = -absolute if barometer_kpa is None else barometer_kpa - absolute
        return from_kpa(up, unit)

    ground = height(hill.curve_kpa)
    feet_deg = np.array(hill.foot_deg, dtype=np.float64)
    swept = _swept(result, feet_deg)
    sound = np.isfinite(deg) & np.isfinite(ground)
    if sound.sum() < 3 or swept is None:
        return None
    low, high = height(hill.high_kpa), height(hill.low_kpa)
    feet_height = height(hill.foot_kpa)
    walked = np.flatnonzero(np.isfinite(feet_deg) & np.isfinite(feet_height))
    walked = walked[:: max(1, -(-len(walked) // _FEET_AT_MOST))]
    return Scene(
        deg=deg[sound],
        height=ground[sound],
        low=np.where(np.isfinite(low), low, ground)[sound],
        high=np.where(np.isfinite(high), high, ground)[sound],
        feet_deg=feet_deg[walked],
        feet_height=feet_height[walked],
        feet_age=np.array(hill.foot_age, dtype=np.float64)[walked],
        swept=swept,
        sign=-1 if barometer_kpa is None else 1,
    )


def _swept(result: Result, feet_deg: FloatArray) -> tuple[float, float] | None:
    low, high = result.peak.swept_low_deg, result.peak.swept_high_deg
    if low is not None and high is not None and low < high:
        return low, high
    known = feet_deg[np.isfinite(feet_deg)]
    if len(known) < 2 or not known.min() < known.max():
        return None
    return float(known.min()), float(known.max())
