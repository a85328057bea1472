"""The sound of an engine under load, made from physics, with and without pinking.

Shares no code with what judges it. Strokes sound as bursts of filtered noise, the exhaust as
harmonics of the beat, valves as damped clicks at fixed angles (some of them where pinking would
be), the road as coloured noise in gusts and as stones; pinking is a damped ringing at the bore's
first circumferential mode with random onset, phase, temperature and strength. The phone adds its
distance, gain control, clipping at 16 bits, a clock of its own and an unknown start.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal
from scipy.special import jnp_zeros

Array = NDArray[np.float64]
SPEEDS_M_S = (900.0, 1000.0)


@dataclass(frozen=True, kw_only=True)
class Phone:
    """What the phone does to the sound."""

    rate_hz: int = 48_000
    starts_s: float = -7.3  # on the engine's clock
    drift_ppm: float = 50.0
    delay_s: float = 0.004
    agc: bool = True
    clip_share: float = 1.0  # peak level over full scale; above 1 it clips
    highpass_hz: float = 60.0
    lowpass_hz: float | None = None


@dataclass(frozen=True, kw_only=True)
class Noise:
    """How loud everything else is, relative to the bursts of the strokes."""

    burst_scatter: float = 0.25
    mechanical: float = 0.35
    valves: float = 1.0
    wind: float = 1.0
    stones_per_s: float = 0.3


@dataclass(frozen=True, kw_only=True, eq=False)
class MadeSound:
    """A recording and what is true of it.

    ``samples`` float32 [n]; ``offset_s``: engine time = sound time + offset (the way to the
    microphone included, drift at its value half way through); ``knocked`` bool [strokes].
    """

    samples: NDArray[np.float32]
    rate_hz: int
    offset_s: float
    drift_ppm: float
    knocked: NDArray[np.bool_]
    full_level: float


def ring_hz(bore_mm: float, c_m_s: float) -> float:
    """First circumferential mode, from scipy's zero of the Bessel derivative."""
    return float(jnp_zeros(1, 1)[0]) * c_m_s / (np.pi * bore_mm / 1000.0)


def make_sound(
    top_s: Array,
    rpm: Array,
    slot: NDArray[np.int64],
    under_load: NDArray[np.bool_],
    *,
    rng: np.random.Generator,
    knock_share: float = 0.0,
    snr_db: float = 12.0,
    bore_mm: float = 80.0,
    only_slot: int | None = None,
    length_s: float | None = None,
    phone: Phone | None = None,
    noise: Noise | None = None,
) -> MadeSound:
    """Render the sound of strokes.

    Parameters
    ----------
    top_s, rpm, slot, under_load
        Every working stroke: top dead centre, speed, cylinder, whether the throttle is wide.
    knock_share
        Share of strokes under load that pink; ``only_slot``: only that cylinder's.
    snr_db
        Median energy of a pinking stroke in the band over the median energy of all other noise
        in the band during the 60° after the stroke's onset.
    length_s
        Of the recording; None: to two seconds past the last stroke.
    """
    phone, noise = phone or Phone(), noise or Noise()
    fs = phone.rate_hz
    end_s = float(top_s[-1]) + 2.0 if length_s is None else phone.starts_s + length_s
    count = int((end_s - phone.starts_s) * fs)
    stretch = 1.0 + phone.drift_ppm * 1e-6

    def index(at_s: Array) -> Array:
        return (at_s + phone.delay_s - phone.starts_s) * fs * stretch

    cylinders = int(slot.max()) + 1
    own = rng.normal(1.0, 0.1, cylinders)
    background = _wind(count, fs, noise, rng)
    at = index(top_s)
    background += _exhaust(at, count, under_load)
    loud = np.where(under_load, 1.0, 0.3)
    onset = at + rng.normal(12.0, 3.0, len(at)) / (6.0 * rpm) * fs
    burst = loud * own[slot] * np.exp(noise.burst_scatter * rng.standard_normal(len(at)))
    background += _bursts(onset, burst, count, fs, rng)
    background += _mechanical(at, rpm, loud, count, fs, noise, rng)
    background += _valves(at, rpm, slot, loud, count, fs, noise, rng)
    background += _stones(count, fs, noise, rng)
    knocks, knocked, knock_at = _knocks(
        at, rpm, slot, under_load, count, fs, rng, knock_share, only_slot, bore_mm
    )
    if knocked.any():
        gain = _gain(background, knocks, at, rpm, under_load, knock_at, fs, bore_mm, snr_db)
        background += gain * knocks
    samples, level = _phone(background, fs, phone)
    middle_s = 0.5 * (count / fs)
    return MadeSound(
        samples=samples,
        rate_hz=fs,
        offset_s=phone.starts_s - phone.delay_s - middle_s * (stretch - 1.0),
        drift_ppm=phone.drift_ppm,
        knocked=knocked,
        full_level=level,
    )


def _wind(count: int, fs: int, noise: Noise, rng: np.random.Generator) -> Array:
    """Rumble in gusts, and the hiss of a microphone."""
    white = rng.standard_normal(count)
    rumble = signal.lfilter([1.0], [1.0, -0.98], white) * 0.14
    steps = max(4, count // (fs // 2))
    gusts = np.exp(0.5 * np.interp(np.arange(count), np.linspace(0, count, steps),
                                   rng.standard_normal(steps)))  # fmt: skip
    hiss = signal.lfilter([1.0, -0.3], [1.0], rng.standard_normal(count))
    return np.asarray(noise.wind * (0.3 * rumble * gusts + 0.012 * hiss * gusts))


def _exhaust(at: Array, count: int, under_load: NDArray[np.bool_]) -> Array:
    """Harmonics of the beat, half orders among them."""
    n = np.arange(count, dtype=np.float64)
    turns = np.interp(n, at, np.arange(len(at), dtype=np.float64))
    level = np.interp(n, at, np.where(under_load, 1.0, 0.25))
    inside = (n >= at[0]) & (n <= at[-1])
    out = np.zeros(count)
    for order, amplitude, phase in ((0.5, 0.15, 0.3), (1, 0.6, 1.1), (2, 0.3, 2.0), (3, 0.1, 0.4)):
        out += amplitude * np.sin(2 * np.pi * order * turns + phase)
    return np.asarray(out * level * inside)


def _add(out: Array, start: int, what: Array) -> None:
    if start < 0 or start + len(what) > len(out):
        return
    out[start : start + len(what)] += what


def _bursts(onset: Array, gain: Array, count: int, fs: int, rng: np.random.Generator) -> Array:
    """Noise of combustion: rises in a third of a millisecond, dies in two, darker than white."""
    t = np.arange(int(0.01 * fs)) / fs
    shape = (1.0 - np.exp(-t / 3e-4)) * np.exp(-t / 2e-3)
    impulses = np.zeros(count)
    for start, strength in zip(onset.astype(int), gain, strict=True):
        _add(impulses, start, strength * shape * rng.standard_normal(len(t)))
    dark = signal.butter(1, 1500.0, fs=fs, output="sos")
    return np.asarray(1.2 * signal.sosfilt(dark, impulses))


def _mechanical(
    at: Array, rpm: Array, loud: Array, count: int, fs: int, noise: Noise, rng: np.random.Generator
) -> Array:
    """Gears, chain, pistons: steady noise that grows with speed, no sharper than pink."""
    n = np.arange(count, dtype=np.float64)
    level = np.interp(n, at, (rpm / 3000.0) * (0.5 + 0.5 * loud))
    pink = signal.lfilter(
        [0.049922, -0.095993, 0.050612, -0.004408], [1, -2.494956, 2.017265, -0.522189],
        rng.standard_normal(count),
    )  # fmt: skip
    return np.asarray(noise.mechanical * level * pink)


def _valves(
    at: Array,
    rpm: Array,
    slot: NDArray[np.int64],
    loud: Array,
    count: int,
    fs: int,
    noise: Noise,
    rng: np.random.Generator,
) -> Array:
    """Two damped clicks a stroke at angles of each cylinder's own, one where pinking would be."""
    cylinders = int(slot.max()) + 1
    out = np.zeros(count)
    t = np.arange(int(0.004 * fs)) / fs
    for low_deg, high_deg in ((15.0, 60.0), (80.0, 170.0)):
        angle = rng.uniform(low_deg, high_deg, cylinders)
        pitch = rng.uniform(3000.0, 9000.0, cylinders)
        for k in range(len(at)):
            s = slot[k]
            strength = 0.15 * noise.valves * loud[k] * np.exp(0.3 * rng.standard_normal())
            start = int(at[k] + (angle[s] + rng.normal(0, 1.0)) / (6.0 * rpm[k]) * fs)
            ring = np.exp(-t / 6e-4) * np.sin(2 * np.pi * pitch[s] * t + rng.uniform(0, 6.28))
            _add(out, start, strength * ring)
    return out


def _stones(count: int, fs: int, noise: Noise, rng: np.random.Generator) -> Array:
    """Stones and rattles: clicks of any pitch at any time."""
    out = np.zeros(count)
    t = np.arange(int(0.003 * fs)) / fs
    for _ in range(rng.poisson(noise.stones_per_s * count / fs)):
        click = np.exp(-t / rng.uniform(1e-4, 6e-4)) * rng.standard_normal(len(t))
        _add(out, int(rng.integers(count)), rng.uniform(0.3, 3.0) * click)
    return out


def _knocks(
    at: Array,
    rpm: Array,
    slot: NDArray[np.int64],
    under_load: NDArray[np.bool_],
    count: int,
    fs: int,
    rng: np.random.Generator,
    share: float,
    only_slot: int | None,
    bore_mm: float,
) -> tuple[Array, NDArray[np.bool_], Array]:
    """Damped ringing, first mode and a weaker second; strength of log-normal law."""
    may = under_load & ((slot == only_slot) if only_slot is not None else True)
    knocked = may & (rng.random(len(at)) < share)
    out = np.zeros(count)
    starts = []
    for k in np.flatnonzero(knocked):
        start = at[k] + rng.uniform(8.0, 25.0) / (6.0 * rpm[k]) * fs
        starts.append(start)
        pitch = ring_hz(bore_mm, float(rng.uniform(*SPEEDS_M_S)))
        decay = rng.uniform(1e-3, 2.5e-3)
        t = np.arange(int(6 * decay * fs)) / fs
        ring = np.sin(2 * np.pi * pitch * t + rng.uniform(0, 2 * np.pi))
        ring += 0.4 * np.sin(2 * np.pi * 1.659 * pitch * t + rng.uniform(0, 2 * np.pi))
        _add(out, int(start), np.exp(0.35 * rng.standard_normal()) * np.exp(-t / decay) * ring)
    return out, knocked, np.array(starts)


def _gain(
    background: Array,
    knocks: Array,
    at: Array,
    rpm: Array,
    under_load: NDArray[np.bool_],
    knock_at: Array,
    fs: int,
    bore_mm: float,
    snr_db: float,
) -> float:
    """Factor on the knocks that makes their energy over the noise what was asked for."""
    edges = (ring_hz(bore_mm, SPEEDS_M_S[0]), ring_hz(bore_mm, SPEEDS_M_S[1]))
    sos = signal.butter(4, edges, "bandpass", fs=fs, output="sos")

    def energy(track: Array, starts: Array, rates: Array) -> float:
        total = np.concatenate([[0.0], np.cumsum(np.square(signal.sosfiltfilt(sos, track)))])
        first = np.clip(starts, 0, len(track)).astype(int)
        last = np.clip(starts + 60.0 / (6.0 * rates) * fs, 0, len(track)).astype(int)
        return float(np.median(total[last] - total[first]))

    rates = np.interp(knock_at, at, rpm)
    loaded = at[under_load] + 10.0 / (6.0 * rpm[under_load]) * fs
    ratio = energy(knocks, knock_at, rates) / energy(background, loaded, rpm[under_load])
    return float(np.sqrt(10.0 ** (snr_db / 10.0) / ratio))


def _phone(sound: Array, fs: int, phone: Phone) -> tuple[NDArray[np.float32], float]:
    """Microphone, gain control, 16 bits."""
    if phone.highpass_hz:
        high = signal.butter(2, phone.highpass_hz, "highpass", fs=fs, output="sos")
        sound = signal.sosfilt(high, sound)
    if phone.lowpass_hz is not None:
        low = signal.butter(10, phone.lowpass_hz, fs=fs, output="sos")
        sound = signal.sosfilt(low, sound)
    if phone.agc:
        level = np.sqrt(signal.lfilter([1.0 / (0.3 * fs)], [1.0, -1.0 + 1.0 / (0.3 * fs)],
                                       np.square(sound)) + 1e-6)  # fmt: skip
        sound = sound / level * 0.1
    peak = float(np.quantile(np.abs(sound), 0.9999))
    sound = sound / peak * 0.7 * phone.clip_share
    counts = np.clip(np.round(sound * 32767.0), -32768, 32767)
    return (counts / 32768.0).astype(np.float32), peak
