"""Strokes after which the band of pinking rings louder than this cylinder usually does.

Enters: sound and working strokes on one clock, the band. Leaves: a score for each stroke (how
unlikely its ringing is by chance), for the window in which an engine pinks and for one as long in
which it cannot. How unlikely is unlikely enough is a separate question (:func:`threshold`).

Energy of noise in a window of duration T and band of width W follows a chi-square law of about
2 W T degrees of freedom (H. Urkowitz, "Energy detection of unknown deterministic signals", Proc.
IEEE 55, 1967). The number is not taken from there but from the spread of the quieter half of the
strokes, so that valves, gusts and gain control widen it, and pinking does not.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vaclog.analysis.road.band import Band, side_bands
from vaclog.analysis.road.strokes import Strokes
from vaclog.signals.tables import FloatArray, IntArray

# Pinking begins 5 to 30 degrees after top dead centre and rings for two or three milliseconds
# (from memory; no source seen). The window is that and what the alignment leaves open, or half of
# the way to the next stroke.
BEGINS_DEG: Final = -5.0
LASTS_DEG: Final = 60.0
# Soft edges, each so much of the window: a valve that clicks there would now and then, by the play
# of a degree, be a beat out of nothing.
EDGE: Final = 0.25
# The cylinder's own background: so many of its strokes before and after, one to two seconds.
NEIGHBOURS: Final = 15
# Quantile by which the background is taken. Below the middle, so that up to a good third of the
# strokes may ring without raising it.
QUIET: Final = 0.35
FEWEST_STROKES: Final = 12  # of a cylinder, to know its background


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scores:
    """How unlikely the ringing after each stroke is by chance.

    Attributes
    ----------
    pinking, elsewhere
        float64 [n], minus log10 of the chance, in the window and in the other one; 0 where it could
        not be judged.
    judged
        bool [n].
    """

    pinking: FloatArray
    elsewhere: FloatArray
    judged: NDArray[np.bool_]


def threshold(per_minute: float, firings_per_minute: float) -> float:
    """Score beyond which chance reaches ``per_minute`` times a minute."""
    return float(np.log10(firings_per_minute / per_minute))


def score(
    samples: FloatArray, rate_hz: int, strokes: Strokes, *, band: Band, cylinders: int
) -> Scores:
    """Judge every stroke of one run.

    Parameters
    ----------
    samples, rate_hz
        The sound from about a second before the run to a second after.
    strokes
        Of the run; ``top_s`` in seconds of the sound's first sample.
    band
        Where this bore rings.
    cylinders
        Of the engine.
    """
    half_deg = min(LASTS_DEG, 360.0 / cylinders)
    begins_deg = BEGINS_DEG if half_deg >= LASTS_DEG else 0.0
    other_deg = begins_deg + 360.0 / cylinders
    bands = (band, *side_bands(band, rate_hz))
    tracks = [_energy(samples, rate_hz, each) for each in bands]
    results, judged = [], np.ones(len(strokes), dtype=bool)
    for first_deg in (begins_deg, other_deg):
        inside, levels = _windows(tracks, rate_hz, strokes, first_deg, half_deg)
        chance, known = _chance(levels[0], levels[1:], strokes.slot, inside)
        results.append(np.where(known, chance, 0.0))
        judged &= known
    return Scores(pinking=results[0], elsewhere=results[1], judged=judged)


def _energy(samples: FloatArray, rate_hz: int, band: Band) -> FloatArray:
    """Energy in a band up to each sample, [n + 1]; a difference is the energy of a window."""
    from scipy import signal

    edges = (band.low_hz, min(band.high_hz, 0.49 * rate_hz))
    sos = signal.butter(4, edges, "bandpass", fs=rate_hz, output="sos")
    total: FloatArray = np.concatenate(
        [[0.0], np.cumsum(np.square(signal.sosfiltfilt(sos, samples)))]
    )
    return total


def _windows(
    tracks: list[FloatArray], rate_hz: int, strokes: Strokes, first_deg: float, length_deg: float
) -> tuple[NDArray[np.bool_], list[FloatArray]]:
    """Mean power in a window after each stroke, for each track; whether the sound covers it."""
    per_deg = rate_hz / (6.0 * strokes.rpm)
    first = np.round((strokes.top_s * rate_hz) + first_deg * per_deg).astype(np.int64)
    ramp = np.maximum(np.round(EDGE * length_deg * per_deg).astype(np.int64), 2)
    last = first + np.maximum(np.round(length_deg * per_deg).astype(np.int64), 3 * ramp)
    inside = (first >= 0) & (last < len(tracks[0]))
    a, b = np.where(inside, first, 0), np.where(inside, last, 3 * ramp)
    levels = []
    for track in tracks:
        # ``track`` counts energy; its mean over a ramp is energy up to a soft edge.
        sums = np.cumsum(track)
        energy = (sums[b] - sums[b - ramp]) - (sums[a + ramp] - sums[a])
        levels.append(np.maximum(energy / ramp, 1e-20) / (b - a - ramp))
    return inside, levels


def _chance(
    level: FloatArray, sides: list[FloatArray], slot: IntArray, inside: NDArray[np.bool_]
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Minus log10 of the chance of each level, and which could be judged."""
    from scipy import special

    excess, known = _over_background(np.log(level), slot, inside)
    # A stone or a rattle is as loud beside the band; only what is louder within it rings.
    beside = [_over_background(np.log(side), slot, inside)[0] for side in sides]
    ringing = excess - np.maximum(np.max(beside, axis=0), 0.0)
    if not known.any():
        return np.zeros(len(level)), known
    pooled = _freedom(excess[known])
    tail = np.ones(len(level))
    for cylinder in np.unique(slot[known]):
        rows = known & (slot == cylinder)
        # A valve that clicks in the window makes its own cylinder's law wider.
        half = 0.5 * min(pooled, _freedom(excess[rows]))
        # ``excess`` is measured from the quantile QUIET; the law is scaled to have it there.
        quiet = float(special.gammaincinv(half, QUIET))
        tail[rows] = special.gammaincc(half, quiet * np.exp(np.minimum(ringing[rows], 30.0)))
    return -np.log10(np.maximum(tail, 1e-300)), known


def _over_background(
    logs: FloatArray, slot: IntArray, inside: NDArray[np.bool_]
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Log level over what is usual for the same cylinder around that time."""
    over = np.zeros(len(logs))
    known = np.zeros(len(logs), dtype=bool)
    for cylinder in np.unique(slot):
        rows = np.flatnonzero((slot == cylinder) & inside)
        if len(rows) < FEWEST_STROKES:
            continue
        reach = min(NEIGHBOURS, (len(rows) - 1) // 2)
        padded = np.pad(logs[rows], reach, mode="reflect")
        windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
        over[rows] = logs[rows] - np.quantile(windows, QUIET, axis=1)
        known[rows] = True
    return over, known


def _freedom(excess: FloatArray) -> float:
    """Degrees of freedom of the chi-square law whose lower half spreads as these do.

    Between the quantiles of 5 and 35 per cent: what rings is above both.
    """
    from scipy import optimize, special

    spread = float(np.quantile(excess, QUIET) - np.quantile(excess, 0.05))

    def misfit(log_freedom: float) -> float:
        half = np.exp(log_freedom) / 2.0
        low, high = special.gammaincinv(half, 0.05), special.gammaincinv(half, QUIET)
        return float(np.log(high / low)) - spread

    low, high = np.log(0.5), np.log(400.0)
    if misfit(high) > 0 or misfit(low) < 0:
        return float(np.exp(high if misfit(high) > 0 else low))
    return float(np.exp(optimize.brentq(misfit, low, high)))
