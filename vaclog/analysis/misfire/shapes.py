"""What one lost stroke does to speed and pressure, by its place in the cycle.

Enters: features. Leaves: the response to a unit loss, from how this engine recovers. A lost
stroke takes a step off the speed at its place; the speed recovers within a second or so, and the
pressure swells meanwhile.

Places count from 1: place 1 is the stroke of No. 1 itself, whose spark starts the cycle.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vaclog.analysis.misfire.features import BEFORE, Features
from vaclog.analysis.phases.segments import robust_sigma
from vaclog.signals.tables import FloatArray

TAIL = 16  # cycles over which a found event is taken out again; the recovery lasts that long
# Centre and half width of the torque that combustion adds to a motored stroke, after top dead
# centre: 52-61° and 50° (a rectangle of 29° standard deviation), whatever the advance from 5°
# to 40° and the burn from 45° to 80° (ideal gas, Wiebe burn, no heat loss; own computation).
TORQUE_DEG, SPREAD_DEG = 55.0, 50.0
USUAL_DECAY_S, USUAL_FILL_S = 1.0, 0.35  # flywheel and manifold of an idling engine
FINE = 48  # points per turn on which shapes are averaged


def dynamics(feature: Features, use: NDArray[np.bool_]) -> FloatArray:
    """How speed and pressure recover, as a 2×2 rate matrix in 1/s, from the capture.

    Cycle means of a first-order process follow it with a moving-average noise of order one,
    so the transition is estimated from lags one and two (instrumental variables): Φ = Γ₂Γ₁⁻¹.
    Falls back to a usual engine where the estimate is not that of a stable one.
    """
    usual = np.array(
        [[-0.5 / USUAL_DECAY_S, 1.0 / USUAL_DECAY_S], [-1.0 / USUAL_FILL_S, -1.0 / USUAL_FILL_S]]
    )
    speed = feature.values[:, : feature.turns].mean(axis=1)
    state = np.column_stack([speed, feature.values[:, -1]])
    run = np.cumsum(feature.breaks)
    good = np.isfinite(state).all(axis=1) & use
    rows = good[2:] & good[1:-1] & good[:-2] & (run[2:] == run[:-2])
    if rows.sum() < 100:
        return usual
    x0, x1, x2 = state[:-2][rows], state[1:-1][rows], state[2:][rows]
    calm = np.abs(x1[:, 0]) < 4.0 * robust_sigma(x1[:, 0])
    try:
        phi = (x2[calm].T @ x0[calm]) @ np.linalg.inv(x1[calm].T @ x0[calm])
        values, vectors = np.linalg.eig(phi)
        if np.any(np.abs(values) >= 0.995) or np.any(np.abs(np.angle(values)) > 1.2):
            return usual
        rate = vectors @ np.diag(np.log(values)) @ np.linalg.inv(vectors) / feature.cycle_s
    except np.linalg.LinAlgError:
        return usual
    real = np.real(rate)
    sound = bool(np.isfinite(real).all()) and real[1, 0] < 0.0 and np.abs(real).max() < 30.0
    return real if sound else usual


def shapes(feature: Features, rate: FloatArray, cylinders: int) -> FloatArray:
    """What a unit loss of speed at each place does; float64 [N, TAIL, m].

    Row 0 of an event is BEFORE cycles before the cycle that it happens in.
    """
    points = 2 * FINE * TAIL
    times = np.arange(points) * feature.cycle_s / (2 * FINE)
    values, vectors = np.linalg.eig(rate)
    start = np.linalg.inv(vectors) @ np.array([-1.0, 0.0])
    response = np.real(np.einsum("ck,tk,k->tc", vectors, np.exp(np.outer(times, values)), start))
    smear = np.ones(round(2.0 * SPREAD_DEG / 360.0 * FINE))
    smear /= len(smear)
    out = np.zeros((cylinders, TAIL, feature.turns + 1))
    area = np.zeros((points + 1, 2))
    for channel in range(2):
        area[1:, channel] = np.cumsum(np.convolve(response[:, channel], smear)[:points])

    def mean(channel: int, begin: FloatArray, length: float) -> FloatArray:
        edges = [
            np.clip(np.round(x * FINE).astype(np.intp), 0, points) for x in (begin, begin + length)
        ]
        part: FloatArray = (area[edges[1], channel] - area[edges[0], channel]) / (length * FINE)
        return part

    late = (feature.advance_deg + TORQUE_DEG - SPREAD_DEG) / 360.0
    cycle: FloatArray = 2.0 * (np.arange(TAIL, dtype=np.float64) - BEFORE)
    length = 2.0 / feature.turns
    for slot in range(cylinders):
        at = 2.0 * slot / cylinders + late
        for k in range(feature.turns):
            begin = cycle + k * length + feature.offset_turns - at
            out[slot, :, k] = mean(0, begin, length)
        out[slot, :, -1] = mean(1, cycle - at, 2.0)
    return out
