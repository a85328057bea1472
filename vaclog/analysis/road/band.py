"""The pitch at which a cylinder rings when it pinks.

Enters: the bore. Leaves: a band of frequency. Gas that burns at once sets the charge ringing like
the air in a drum. Its lowest way is to slosh across the bore, the first circumferential mode:

    f = 1.841 c / (pi B)

with c the speed of sound in the burned gas and B the bore (C. S. Draper, "Pressure waves
accompanying detonation in the internal combustion engine", J. Aeronautical Sciences 5, 1938).
1.841 is the first zero of the derivative of the Bessel function J1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

# First zero of J1'. To four figures it stands in Draper's paper; more are free.
FIRST_ZERO: Final = 1.8411837813
# Speed of sound in gas that has just burned at full load, 2000 to 2500 K: sqrt(gamma R T) with
# gamma 1.27 and R 290 J/(kg K) is 860 to 960 m/s; 900 to 1000 is the range in use for the pitch
# of knock (from memory; no source seen).
SLOWEST_M_S: Final = 900.0
FASTEST_M_S: Final = 1000.0
# Beside it lie parts of the sound that the ringing hardly reaches, but any click does.
BELOW: Final = (0.5, 0.72)  # of the lower edge
REACH: Final = 0.45  # of the sampling rate: filters of phones close a little below half
ABOVE: Final = (1.13, 1.35)  # of the upper edge: the next mode is at 1.66 of the first


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """A band of frequency."""

    low_hz: float
    high_hz: float


def ringing_hz(bore_mm: float, speed_m_s: float) -> float:
    """Frequency of the first circumferential mode (Draper 1938)."""
    return FIRST_ZERO * speed_m_s / (math.pi * bore_mm * 1e-3)


def knock_band(bore_mm: float) -> Band:
    """Where this bore rings, for every temperature that is likely."""
    return Band(low_hz=ringing_hz(bore_mm, SLOWEST_M_S), high_hz=ringing_hz(bore_mm, FASTEST_M_S))


def side_bands(band: Band, rate_hz: int) -> tuple[Band, ...]:
    """Bands below and, if the recording reaches so far, above, in which only clicks are as loud."""
    below = Band(low_hz=BELOW[0] * band.low_hz, high_hz=BELOW[1] * band.low_hz)
    above = Band(low_hz=ABOVE[0] * band.high_hz, high_hz=ABOVE[1] * band.high_hz)
    return (below, above) if above.high_hz < REACH * rate_hz else (below,)
