"""What a recording can tell at all.

Enters: the sound, the band. Leaves: a reason why nothing can be heard in it, or remarks on what
limits the listening.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from vaclog.analysis.road.band import REACH, Band
from vaclog.signals.tables import FloatArray

# A phone's codec that cuts the top off leaves less than a ten-thousandth of the power there; the
# fall of an engine's own noise from the octave below is a hundredth to a thousandth.
CUT_DB: Final = 42.0
# Rounding to 16 bits is noise of 1/sqrt(12) of a step; a band that holds no more holds nothing.
STEP: Final = 2.0**-15
CLIPPED_SHARE: Final = 1e-3
FULL: Final = 0.995


def cannot_hear(samples: FloatArray, rate_hz: int, band: Band) -> str | None:
    """Why this recording cannot tell of the band; None where it can.

    Parameters
    ----------
    samples, rate_hz
        The sound under load.
    band
        Where the bore rings.
    """
    if band.high_hz > REACH * rate_hz:
        return (
            f"the recording ends at {REACH * rate_hz / 1000.0:.1f} kHz, and this bore rings up to "
            f"{band.high_hz / 1000.0:.1f} kHz: record at 44100 or 48000 samples a second"
        )
    from scipy import signal

    hz, power = signal.welch(samples, rate_hz, nperseg=4096)
    inside = float(np.median(power[(hz >= band.low_hz) & (hz <= band.high_hz)]))
    below = float(np.median(power[(hz >= 0.25 * band.low_hz) & (hz <= 0.5 * band.low_hz)]))
    rounding = STEP**2 / 12.0 / (rate_hz / 2.0)
    if inside < 4.0 * rounding or inside < below * 10.0 ** (-CUT_DB / 10.0):
        return (
            f"the recording holds nothing at {band.low_hz / 1000.0:.1f} to "
            f"{band.high_hz / 1000.0:.1f} kHz, where this bore rings: the phone cut it off. Record "
            "with an app that writes WAV or FLAC without a speech filter"
        )
    return None


def remarks(samples: FloatArray, *, lossy: bool) -> tuple[str, ...]:
    """What limits the listening, as sentences."""
    found = []
    clipped = float(np.mean(np.abs(samples) >= FULL)) if len(samples) else 0.0
    if clipped > CLIPPED_SHARE:
        found.append(
            f"The recording is too loud: {100.0 * clipped:.1f} % of it under load is cut off at "
            "full scale, which hides pinking and makes clicks. Lay the phone farther away."
        )
    if lossy:
        found.append(
            "The recording is in a format that leaves out what an ear does not miss, which may be "
            "just what pinking sounds like. Use WAV or FLAC."
        )
    return tuple(found)
