"""Noise that is not white at the hand's pace: by how much it widens what is known.

Enters: innovations and the advance they were met at. Leaves: a factor on their variance.

The mixture of an idling engine wanders over seconds, by less than one combustion differs from
the next; in single cycles it is not seen. But a hand that moves every ten seconds tells the hill
from what lasts for ten seconds, and there the wander may be most of the noise. Innovations whose
neighbours are alike by a few in a thousand over many cycles give it away: the variance of a
regression coefficient is that of white noise times 1 + 2 sum rho_noise(l) rho_signal(l)
(M. S. Bartlett, J. R. Stat. Soc. 98, 1935, for two series with memory). The sum is tapered
(Bartlett's window), and compared with what white noise would give: of that the smooth columns
of the fit take their part away, most where it matters.
"""

from __future__ import annotations

import numpy as np

from vaclog.signals.tables import FloatArray

# Three nudges with their waits; longer memory is drift, which has a term of its own.
LONGEST_S = 30.0
LONGEST_SHARE = 0.25  # of the rows
# What a record shows of its own colour is believed in full where it holds so many such spans;
# in a minute and a half chance alone makes it half as much again as often as half as much.
SPANS = 8.0


def colour(
    rest: FloatArray, advance_deg: FloatArray, minutes: FloatArray, weights: FloatArray
) -> float:
    """Variance of what the hand's pace meets, over that of white innovations; at least 1.

    Parameters
    ----------
    rest
        float64 [n], innovations.
    advance_deg, minutes, weights
        float64 [n], of the same rows.
    """
    n = len(rest)
    root = np.sqrt(weights)
    steps = np.diff(minutes) * 60.0
    cycle_s = float(np.median(steps)) if n > 1 else 0.0
    longest = int(min(LONGEST_S / cycle_s if cycle_s > 0 else 0.0, LONGEST_SHARE * n))
    x = advance_deg - advance_deg.mean()
    smooth = np.stack([np.ones(n), minutes, x, x**2, x**3], axis=1) * root[:, None]
    taken, _ = np.linalg.qr(smooth)
    still, _ = np.linalg.qr(smooth[:, :2])
    signal = x * root
    signal = signal - still @ (still.T @ signal)
    noise = rest * root
    if longest < 2 or not (noise @ noise > 0 and signal @ signal > 0):
        return 1.0
    lag = np.arange(longest)
    weight = 2.0 * (1.0 - lag / longest)
    weight[0] = 1.0
    weight = weight * _memory(signal[None, :], longest) / (signal @ signal)
    # Innovations less their projection remember by what was projected out of them.
    left = -_memory(taken.T, longest) / (n - taken.shape[1])
    left[0] = 1.0
    found = float(weight @ _memory(noise[None, :], longest)) / float(noise @ noise)
    seen = max(found / max(float(weight @ left), _LEAST), 1.0)
    return 1.0 + (seen - 1.0) * min(n * cycle_s / (SPANS * LONGEST_S), 1.0)


# What is left of white noise never falls so low unless hardly anything but the smooth columns was.
_LEAST = 0.3


def _memory(series: FloatArray, longest: int) -> FloatArray:
    """Sum over series [m, n] of products with themselves so many rows later; float64 [longest]."""
    size = 1 << (series.shape[1] + longest).bit_length()
    spectrum = np.fft.rfft(series, size, axis=1)
    power = (spectrum.real**2 + spectrum.imag**2).sum(axis=0)
    return np.asarray(np.fft.irfft(power, size)[:longest])
