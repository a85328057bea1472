"""Hunting: a slow regular rise and fall of an idle that nobody touches.

Enters: the evidence. Leaves: a sign or None.

Speed and pressure of the holds (and of an idle that still warms: a line is no trend) are cut into
stretches of equal length, whitened by their own first-order memory, and their periodograms added.
A line is what stands out of its neighbours in frequency: the ratio of its power to theirs follows
Fisher's F where the background is smooth, and the largest of all lines is judged with the number
of lines looked at, as in Fisher's own test (R. A. Fisher, Proc. R. Soc. A 125, 1929, there against
the whole of a white spectrum).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from vaclog.analysis.signs.chance import FALSE_ALARM
from vaclog.analysis.signs.evidence import Evidence
from vaclog.analysis.signs.say import common, data
from vaclog.result import Candidate, Sign
from vaclog.signals.tables import FloatArray

STEP_S: Final = 0.25  # longer than a cycle above 480 rpm
STRETCH_S: Final = (20.0, 14.0)  # the longest that fits into a hold
LOW_HZ, HIGH_HZ = 0.15, 1.2  # hunting takes one to six seconds (common practice)
ASIDE: Final = 1  # bins beside a line that may belong to it
BESIDE: Final = 4  # bins on either side that serve as background
LEAST_PERCENT: Final = 1.0  # of the speed, half of the swing: what an ear and a needle notice
ROUND_DEG: Final = 180.0
AIR_DEG: Final = 75.0  # closer than this to in step or out of step


@dataclass(frozen=True, slots=True, kw_only=True)
class Swing:
    """The strongest line.

    Attributes
    ----------
    hz
        Its frequency.
    p
        Probability that the strongest of all lines looked at is so strong by chance.
    percent, u_percent
        Amplitude of speed, half of the swing, per cent; and its standard uncertainty.
    kpa
        Amplitude of pressure.
    phase_deg
        By how much pressure is ahead of speed, -180 … 180.
    at_s
        When the stretch in which it was largest began.
    """

    hz: float
    p: float
    percent: float
    u_percent: float
    kpa: float
    phase_deg: float
    at_s: float


def find_hunting(evidence: Evidence) -> Sign | None:
    """Hunting at idle, if there is any."""
    swing = strongest(*stretches(evidence))
    if swing is None or swing.p >= FALSE_ALARM or swing.percent < LEAST_PERCENT:
        return None
    return Sign(
        key="hunting",
        text=f"The idle hunts: speed and vacuum rise and fall every {1.0 / swing.hz:.1f} s",
        number=swing.percent,
        u=swing.u_percent,
        unit="%",
        threshold=LEAST_PERCENT,
        false_alarm=FALSE_ALARM,
        candidates=_candidates(swing),
        next_look="Warm it fully, then turn the mixture screw a quarter either way and look "
        "whether the hunting goes; a sprayed joint that changes it is the leak.",
        at_s=swing.at_s,
    )


def judged(evidence: Evidence) -> bool:
    """Whether a hold is long enough."""
    return len(stretches(evidence)[0]) > 0


def stretches(evidence: Evidence) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Equally long stretches of holds on an even grid of ``STEP_S``.

    Returns
    -------
    start_s : float64 [s]
    speed : float64 [s, g]
        Relative to its mean.
    kpa : float64 [s, g]
    """
    cycles, time_s = evidence.case.cycles, evidence.time_s
    for length_s in STRETCH_S:
        grid = np.arange(0.0, length_s - 1e-9, STEP_S)
        starts, speed, kpa = [], [], []
        for first, last in evidence.calm:
            t = time_s[first:last]
            for at_s in np.arange(t[0], t[-1] - length_s, length_s).tolist():
                fine = at_s + grid
                n = np.interp(fine, t, cycles.rpm[first:last])
                starts.append(at_s)
                speed.append(n / n.mean() - 1.0)
                kpa.append(np.interp(fine, t, cycles.pressure_kpa[first:last]))
        if starts:
            return np.array(starts), np.array(speed), np.array(kpa)
    return np.empty(0), np.empty((0, 0)), np.empty((0, 0))


def strongest(start_s: FloatArray, speed: FloatArray, kpa: FloatArray) -> Swing | None:
    """The line of the speed that stands out most of its neighbours."""
    from scipy.special import fdtrc

    if not len(start_s):
        return None
    speed, kpa = _level(speed), _level(kpa)
    power, hz = _whitened_power(speed)
    total = power.sum(axis=0)
    bins = np.flatnonzero((hz >= LOW_HZ) & (hz <= HIGH_HZ))
    best, best_p = -1, 2.0
    for k in bins.tolist():
        around = [
            j for j in range(k - BESIDE - ASIDE, k + BESIDE + ASIDE + 1) if abs(j - k) > ASIDE
        ]
        around = [j for j in around if 0 < j < len(total)]
        ratio = total[k] / max(float(total[around].mean()), 1e-300)
        p = float(fdtrc(2.0 * len(start_s), 2.0 * len(start_s) * len(around), ratio))
        if p < best_p:
            best, best_p = k, p
    share = float(np.mean([total[j] for j in (best - 2, best + 2) if 0 < j < len(total)]))
    exact = _between(speed, float(hz[best]), float(hz[1]))
    line = np.exp(-2j * np.pi * exact * STEP_S * np.arange(speed.shape[1]))
    n, p = speed @ line, kpa @ line
    scale = 2.0 / speed.shape[1]
    square = np.abs(n) ** 2
    noise = float(square.mean()) * min(share / max(float(total[best]), 1e-300), 1.0)
    amplitude = scale * float(np.sqrt(max(float(square.mean()) - noise, 0.0)))
    return Swing(
        hz=exact,
        p=float(-np.expm1(len(bins) * np.log1p(-min(best_p, 1.0 - 1e-12)))),
        percent=100.0 * amplitude,
        u_percent=100.0 * scale * float(np.sqrt(noise / (2.0 * len(start_s)))),
        kpa=scale * float(np.sqrt((np.abs(p) ** 2).mean())),
        phase_deg=float(np.degrees(np.angle((p * np.conj(n)).sum()))),
        at_s=float(start_s[int(np.argmax(square))]),
    )


def _level(values: FloatArray) -> FloatArray:
    """Take a straight line out of each row."""
    x = np.arange(values.shape[1]) - 0.5 * (values.shape[1] - 1)
    values = values - values.mean(axis=1, keepdims=True)
    return np.asarray(values - np.outer(values @ x / (x @ x), x))


def _between(speed: FloatArray, hz: float, spacing_hz: float) -> float:
    """The frequency within half a bin at which the rows together have the most power."""
    fine = hz + spacing_hz * np.linspace(-0.5, 0.5, 11)
    lines = np.exp(-2j * np.pi * STEP_S * np.outer(np.arange(speed.shape[1]), fine))
    return float(fine[int(np.argmax((np.abs(speed @ lines) ** 2).sum(axis=0)))])


def _whitened_power(speed: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Periodograms of the rows less their first-order memory, and the frequencies (Hz)."""
    memory = float((speed[:, 1:] * speed[:, :-1]).sum() / max((speed * speed).sum(), 1e-300))
    new = speed[:, 1:] - memory * speed[:, :-1]
    count = speed.shape[1]
    x = np.arange(count - 1)
    hz = np.arange(count // 2) / (count * STEP_S)
    lines = np.exp(-2j * np.pi * np.outer(x, hz) * STEP_S)
    return np.abs(new @ lines) ** 2, hz


def _candidates(swing: Swing) -> tuple[Candidate, ...]:
    out_of_step = abs(swing.phase_deg) > ROUND_DEG - AIR_DEG
    in_step = abs(swing.phase_deg) < AIR_DEG
    torque = [
        data("the pull of the engine swings: vacuum rises when speed does; mixture before air"),
        common("an idle mixture that is too weak or too rich, a float that is too high"),
        common("an air leak that weakens the mixture"),
    ]
    air = [
        data("the air swings: vacuum falls when speed rises; something that moves the throttle"),
        common("an idle control, damper or brake servo that breathes"),
        common("an air leak that opens and closes"),
    ]
    if out_of_step:
        return tuple(torque)
    if in_step:
        return tuple(air)
    return (*torque[1:], *air[1:])
