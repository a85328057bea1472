"""A tone that rises with the vacuum, as samples.

Enters: the pressure, and how loud it may be. Leaves: sound of 16 bits whose phase never jumps. The
pitch is that of the phone page (``web/page/tone.js``): an octave for each 1.5 kPa less pressure,
beside the first pressure heard, which is the A of tuning forks.
"""

from __future__ import annotations

from typing import Any, Final, TypeAlias

import numpy as np

Samples: TypeAlias = np.ndarray[Any, np.dtype[np.int16]]

# Half an inch of mercury is an octave: a hill's height is heard as a tune.
KPA_PER_OCTAVE: Final = 1.5
MIDDLE_HZ: Final = 440.0
LOW_HZ: Final = 110.0
HIGH_HZ: Final = 1760.0
# Time constants: a step of pitch glides, a step of loudness does not click.
GLIDE_S: Final = 0.08
FADE_S: Final = 0.05
# Older pressures are silent: a tone that does not move would be taken for a reading.
OLD_S: Final = 2.0

RATE_HZ: Final = 24_000
"""Half of what most sound cards run at, and far above the highest overtone used here."""

LOUDNESS: Final = 0.15
"""Of full scale: heard beside an idling engine, and below a voice."""

DUCKED: Final = 0.15
"""Of its loudness (-16 dB), while somebody speaks."""

# A triangle's first overtones (Fourier): clearer than a sine from a small loudspeaker.
_PARTIALS: Final = ((1, 1.0), (3, -1.0 / 9.0), (5, 1.0 / 25.0))
_PEAK: Final = sum(abs(share) for _, share in _PARTIALS)


def pitch_hz(kpa: float, middle_kpa: float) -> float:
    """Pitch of a pressure, beside the one that is the middle."""
    octaves = (middle_kpa - kpa) / KPA_PER_OCTAVE
    # A stopped engine lies some forty octaves away: held before it is a power.
    return float(min(max(MIDDLE_HZ * 2.0 ** min(max(octaves, -9.0), 9.0), LOW_HZ), HIGH_HZ))


class Oscillator:
    """Sounds on from block to block."""

    def __init__(self) -> None:
        self._phase = 0.0  # of a turn
        self._hz = MIDDLE_HZ
        self._loudness = 0.0

    def render(self, count: int, hz: float, loudness: float) -> Samples:
        """The next samples.

        Parameters
        ----------
        count
            How many.
        hz, loudness
            Where pitch and loudness go to from where they are; silence takes a pitch at once.

        Returns
        -------
        array of int16, shape (count,)
        """
        t_s = np.arange(1, count + 1) / RATE_HZ
        if self._loudness < 1e-4:
            self._hz = hz
        glide = hz + (self._hz - hz) * np.exp(-t_s / GLIDE_S)
        fade = loudness + (self._loudness - loudness) * np.exp(-t_s / FADE_S)
        turns = self._phase + np.cumsum(glide) / RATE_HZ
        self._phase = float(turns[-1] % 1.0)
        self._hz, self._loudness = float(glide[-1]), float(fade[-1])
        wave = sum(share * np.sin(2.0 * np.pi * n * turns) for n, share in _PARTIALS)
        return np.asarray(np.rint(32767.0 / _PEAK * fade * wave), dtype="<i2")
