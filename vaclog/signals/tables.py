"""The tables that the signals room hands to the analysis.

Enters: nothing. Leaves: frozen records of numpy arrays. Times are int64 microseconds of the
device clock from the first record; intervals are half-open.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum, IntFlag
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

IntArray: TypeAlias = NDArray[np.int64]
FloatArray: TypeAlias = NDArray[np.float64]


class AdvanceFrom(IntEnum):
    """Where a cycle's advance came from, best first."""

    MARK = 1
    BODY = 2
    HOLDS = 3
    NONE = 4


class CycleFlag(IntFlag):
    """What is special about a cycle."""

    SPLIT = 1  # a spark was missing and was put in from marks or neighbours
    GAP = 2  # pressure samples missing for more than a tenth of the cycle
    RAIL = 4  # pressure at a rail
    AFTER_BREAK = 8  # the cycle does not follow the one before it (loss, reset, stall)
    CRANKING = 16  # speed of a starter, not of a firing engine


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CycleTable:
    """One row per 720°, No. 1 spark to No. 1 spark, in order of time.

    Attributes
    ----------
    start_us, end_us
        int64 [n], half-open; ``end_us[k] == start_us[k+1]`` unless AFTER_BREAK is set on k+1.
    rpm
        float64 [n], mean engine speed over the cycle (two turns), crank rpm.
    pressure_kpa, min_kpa, max_kpa
        float64 [n], absolute; the mean is the exact time average over the cycle.
    slot_kpa
        float64 [n, N], mean pressure in N equal parts of the cycle, N = cylinders.
    turn_us
        float64 [n, 2], time of the first and second mark-to-mark turn that belongs to the
        cycle; NaN without a crank mark.
    advance_deg
        float64 [n], advance *at the spark that starts the cycle*; NaN where unknown. It uses
        nothing later than that spark's own turn.
    advance_from
        uint8 [n], values of :class:`AdvanceFrom`.
    flags
        uint8 [n], bits of :class:`CycleFlag`.
    coil_us
        float64 [n, N], time of each slot's spark after the start of the cycle, from a pickup
        on the coil lead; the first is No. 1's own, within the scatter of two pickups of 0. A
        row is NaN unless exactly N sparks are known. Left out: nothing known.
    """

    start_us: IntArray
    end_us: IntArray
    rpm: FloatArray
    pressure_kpa: FloatArray
    min_kpa: FloatArray
    max_kpa: FloatArray
    slot_kpa: FloatArray
    turn_us: FloatArray
    advance_deg: FloatArray
    advance_from: NDArray[np.uint8]
    flags: NDArray[np.uint8]
    coil_us: FloatArray = field(default_factory=lambda: np.empty((0, 0)))

    def __post_init__(self) -> None:
        if len(self.coil_us) != len(self.start_us):
            object.__setattr__(self, "coil_us", np.full(self.slot_kpa.shape, np.nan))

    def __len__(self) -> int:
        return len(self.start_us)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Background:
    """What the pressure did on a coarse clock, with or without an engine turning.

    Bins of ``bin_us`` from time 0; phases without cycles (still, cranking, stall) and the
    barometer are judged on it.

    Attributes
    ----------
    bin_us
        Width of a bin (100 ms).
    mean_kpa, min_kpa, max_kpa
        float64 [n], NaN in a bin without samples.
    sparks, marks
        int32 [n], pulses per bin.
    """

    bin_us: int
    mean_kpa: FloatArray
    min_kpa: FloatArray
    max_kpa: FloatArray
    sparks: NDArray[np.int32]
    marks: NDArray[np.int32]


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalReport:
    """What the signals room noticed, for the warnings of the result.

    Attributes
    ----------
    duration_us
        Time from the first to the last record on the device clock.
    barometer_kpa
        From engine-off pressure, else None.
    warnings
        Findings as plain sentences: fact, likely cause, next step.
    """

    duration_us: int
    barometer_kpa: float | None
    warnings: tuple[str, ...]
