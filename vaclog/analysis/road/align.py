"""Where a sound recording lies on the capture's clock.

Enters: the sound, and the working strokes of the load runs as the capture knows them. Leaves: for
each run the offset between the two clocks with its uncertainty, or why there is none.

Sound rises and falls once a stroke. During a pull the strokes come ever faster, so their beat is a
chirp that fits the sound at one place only, as an echo fits a radar's chirp (matched filter;
P. M. Woodward, Probability and Information Theory, with Applications to Radar, 1953). The
magnitude of the fit does not depend on the angle at which the noise is loudest, so that neither
that angle nor the sound's way to the microphone has to be known: the way is part of the offset.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from vaclog.analysis.road.strokes import Strokes
from vaclog.signals.tables import FloatArray

GRID_HZ: Final = 2000.0  # of the slowed-down sound: twice the beat of eight cylinders at 6000 rpm
# The rattle below the pitch of pinking; whether there is pinking must not decide the place.
ENVELOPE_HZ: Final = (400.0, 4500.0)
# Boom of intake, exhaust and cabin; phones cut off what lies below.
BOOM_HZ: Final = (25.0, 450.0)
LEVEL_S: Final = 0.4  # gain control and gusts are slower than this, strokes far faster
HARMONICS: Final = (1, 2)
# Quartz clocks of phone and rig differ by less than this (each is good to about 50 ppm, common
# practice).
DRIFT: Final = 200e-6
# Systematic parts of the delay that no fit shows, in the made sound of the tests up to 1.5 ms by
# the rattle and 2.8 ms by the boom, whose phase a phone's own high-pass shifts with speed.
RATTLE_ALLOWANCE_S: Final = 1.0e-3
BOOM_ALLOWANCE_S: Final = 2.0e-3
# The place found must beat chance by far, and any other place clearly.
CHANCE: Final = 1e-6
BETTER: Final = 1.4
CLEAR: Final = 12.0  # times the noise, for a run to be placed by a track alone
ELSEWHERE_S: Final = 0.25
HINT_S: Final = 3.0  # how well a person knows when a recording was started


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """Offset of one run: capture time = sound time + offset."""

    offset_s: float
    u_offset_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Alignment:
    """Offsets of all runs, or a reason.

    Attributes
    ----------
    runs
        One for each run; None where the recording does not cover it.
    why_not
        Why there is no alignment; None when there is.
    """

    runs: tuple[Placed | None, ...] = ()
    why_not: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Match:
    """How well one run fits at each offset, ``first_s + k / rate``, by rattle and by boom."""

    first_s: float
    rattle: FloatArray
    boom: FloatArray
    spread_rad_s: float

    @property
    def fit(self) -> FloatArray:
        """Both together."""
        return self.rattle + self.boom


def align(
    samples: FloatArray, rate_hz: int, runs: Sequence[Strokes], *, hint_s: float | None = None
) -> Alignment:
    """Find where the recording lies.

    Parameters
    ----------
    samples, rate_hz
        The sound, one channel.
    runs
        Strokes of each load run, with what lies around it.
    hint_s
        Offset as far as a person knows it, in seconds; None: anywhere.
    """
    tracks, grid_hz = _tracks(samples, rate_hz)
    matches = [_match(tracks, grid_hz, run) for run in runs]
    total, first_s = _together(matches, grid_hz)
    offsets = first_s + np.arange(len(total)) / grid_hz
    open_to = np.ones(len(total), dtype=bool)
    if hint_s is not None:
        open_to = np.abs(offsets - hint_s) <= HINT_S
    if not open_to.any():
        return Alignment(why_not="the recording does not reach the load runs")
    best = int(np.argmax(np.where(open_to, total, -1.0)))
    away = open_to & (np.abs(offsets - offsets[best]) > ELSEWHERE_S)
    other = float(total[away].max()) if away.any() else 0.0
    if not _beats_chance(float(total[best]), total, len(tracks) * len(HARMONICS) * len(runs)):
        return Alignment(
            why_not="the beat of the strokes was not found in the recording: it does not cover a "
            "load run, or the engine is drowned"
        )
    if total[best] < BETTER * other:
        return Alignment(
            why_not="the recording fits at two places: give --sound-from, the second of the "
            "capture at which it was started"
        )
    placed = tuple(_refine(match, grid_hz, float(offsets[best]), runs) for match in matches)
    return Alignment(runs=placed)


def _tracks(samples: FloatArray, rate_hz: int) -> tuple[list[FloatArray], float]:
    """Envelope and boom on a coarse grid, levelled; and the rate of that grid."""
    from scipy import signal

    every = max(1, round(rate_hz / GRID_HZ))
    whole = len(samples) // every * every
    grid_hz = rate_hz / every
    tracks = []
    for low_hz, high_hz, power in ((*ENVELOPE_HZ, True), (*BOOM_HZ, False)):
        edges = (low_hz, min(high_hz, 0.45 * rate_hz))
        sos = signal.butter(2, edges, "bandpass", fs=rate_hz, output="sos")
        band = signal.sosfiltfilt(sos, samples[:whole])
        blocks = (np.square(band) if power else band).reshape(-1, every).mean(axis=1)
        if power:
            blocks = np.log(blocks + 1e-12)
        blocks = blocks - _level(blocks, grid_hz)
        spread = np.sqrt(_level(np.square(blocks), grid_hz)) + 1e-9
        tracks.append(np.clip(blocks / spread, -4.0, 4.0))
    return tracks, grid_hz


def _level(values: FloatArray, grid_hz: float) -> FloatArray:
    """Running mean."""
    from scipy.ndimage import uniform_filter1d

    level: FloatArray = uniform_filter1d(values, max(3, round(LEVEL_S * grid_hz)), mode="nearest")
    return level


def _match(tracks: Sequence[FloatArray], grid_hz: float, run: Strokes) -> _Match:
    """Power of the run's chirp in the sound for each offset; 1 is what noise gives."""
    from scipy import signal

    begin_s, end_s = float(run.top_s[0]), float(run.top_s[-1])
    times = np.arange(begin_s, end_s, 1.0 / grid_hz)
    turns = np.interp(times, run.top_s, np.arange(len(run), dtype=np.float64))
    window = signal.windows.tukey(len(times), 0.2)
    fits = np.zeros((len(tracks), len(tracks[0]) + len(times) - 1))
    for row, track in enumerate(tracks):
        for harmonic in HARMONICS:
            chirp = window * np.exp(2j * np.pi * harmonic * turns)
            power = np.abs(signal.fftconvolve(track, np.conj(chirp)[::-1])) ** 2
            # Noise is not white: the median of an exponential law is ln 2 of its mean.
            fits[row] += power / max(float(np.median(power)) / np.log(2.0), 1e-12)
    beat_hz = np.gradient(turns, times)
    spread_hz = float(np.sqrt(np.average((beat_hz - beat_hz.mean()) ** 2, weights=window)))
    # fftconvolve's row k pairs the chirp's first sample with sound sample k - (len - 1).
    # A grid sample stands for the middle of its block.
    last_s = begin_s - (len(tracks[0]) - 0.5) / grid_hz
    return _Match(
        first_s=last_s,
        rattle=fits[0, ::-1],
        boom=fits[1, ::-1],
        spread_rad_s=2.0 * np.pi * spread_hz,
    )


def _together(matches: Sequence[_Match], grid_hz: float) -> tuple[FloatArray, float]:
    """Sum over the runs, each allowed the drift that its distance in time brings."""
    from scipy.ndimage import maximum_filter1d

    first_s = min(match.first_s for match in matches)
    lengths = [round((m.first_s - first_s) * grid_hz) + len(m.fit) for m in matches]
    total = np.zeros(max(lengths))
    for match in matches:
        at = round((match.first_s - first_s) * grid_hz)
        apart_s = DRIFT * abs(match.first_s - matches[0].first_s)
        reach = 2 * round(apart_s * grid_hz) + 1
        total[at : at + len(match.fit)] += maximum_filter1d(match.fit, reach)
    return total, first_s


def _beats_chance(best: float, total: FloatArray, terms: int) -> bool:
    """Whether noise alone would hardly reach so far anywhere in the recording."""
    from scipy import stats

    return bool(stats.gamma.sf(best, terms) * len(total) < CHANCE)


def _refine(
    match: _Match, grid_hz: float, offset_s: float, runs: Sequence[Strokes]
) -> Placed | None:
    """The run's own peak near the common offset, between grid points.

    The rattle decides where it is clear enough: the boom finds the place, but its phase wanders.
    """
    far_s = max(float(run.top_s[-1]) for run in runs) - min(float(run.top_s[0]) for run in runs)
    reach = max(4, round((0.01 + DRIFT * far_s) * grid_hz))
    middle = round((offset_s - match.first_s) * grid_hz)
    terms = float(len(HARMONICS))
    for fit, allowance_s in (
        (match.rattle, RATTLE_ALLOWANCE_S),
        (match.boom, BOOM_ALLOWANCE_S),
    ):
        low, high = max(1, middle - reach), min(len(fit) - 1, middle + reach + 1)
        if high - low < 3:
            return None
        peak = low + int(np.argmax(fit[low:high]))
        left, top, right = fit[peak - 1 : peak + 2]
        if top < CLEAR * terms or match.spread_rad_s <= 0:
            continue
        bend = left - 2.0 * top + right
        shift = float(np.clip(0.5 * (left - right) / bend, -1, 1)) if bend < 0 else 0.0
        # Delay of a chirp of unknown phase: var = 1 / (2 A^2 beta^2), A^2 the power over the
        # noise, beta the rms width in rad/s (Woodward 1953).
        u_s = 1.0 / (match.spread_rad_s * np.sqrt(2.0 * (top - terms)))
        return Placed(
            offset_s=match.first_s + (peak + shift) / grid_hz,
            u_offset_s=float(np.hypot(u_s, allowance_s)),
        )
    return None  # the sound does not cover this run
