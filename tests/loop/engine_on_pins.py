"""The engine simulator at the pins of the emulated chip.

Enters: pin signals of :mod:`vaclog.simulator`. Leaves: a :class:`harness.Stimulus`.
"""

from __future__ import annotations

import numpy as np
from harness import BUTTON, COIL, MARK, SPARK, Stimulus

from vaclog.simulator.rig import PinSignals

# Two edges of a pin must be this far apart; the pickup circuit sees to it (wiring.md).
PICKUP_DEAF_NS = 50_000


def pickup(edges_ns: np.ndarray) -> np.ndarray:
    """What a pickup lets through: an edge, then nothing for a while, then the next edge."""
    kept: list[int] = []
    for ns in edges_ns.tolist():
        if not kept or ns - kept[-1] >= PICKUP_DEAF_NS:
            kept.append(ns)
    return np.array(kept, dtype=np.int64)


def stimulus(pins: PinSignals) -> Stimulus:
    """The pickups pull their pins low at each edge; a press of the button lasts 0.2 s."""
    presses = pins.marker_ns.tolist()
    return Stimulus(
        end_ns=pins.duration_ns,
        falls_ns={
            SPARK: pickup(pins.spark_ns),
            COIL: pickup(pins.coil_ns),
            MARK: pickup(pins.mark_ns),
        },
        levels=[
            change for ns in presses for change in ((ns, BUTTON, 0), (ns + 200_000_000, BUTTON, 1))
        ],
        grid_ns=pins.grid_us * 1000,
        pressure_mv=np.round(pins.pressure_mv).astype(np.int64),
        body_mv=np.round(pins.body_mv).astype(np.int64),
    )
