"""The engine simulator at the pins of the emulated chip.

Enters: pin signals of :mod:`vaclog.simulator`. Leaves: a :class:`harness.Stimulus`.
"""

from __future__ import annotations

import numpy as np
from harness import BUTTON, COIL, MARK, SPARK, Stimulus

from vaclog.simulator.rig import PinSignals


def stimulus(pins: PinSignals) -> Stimulus:
    """The pickups pull their pins low at each edge; a press of the button lasts 0.2 s."""
    presses = pins.marker_ns.tolist()
    return Stimulus(
        end_ns=pins.duration_ns,
        falls_ns={SPARK: pins.spark_ns, COIL: pins.coil_ns, MARK: pins.mark_ns},
        levels=[
            change for ns in presses for change in ((ns, BUTTON, 0), (ns + 200_000_000, BUTTON, 1))
        ],
        grid_ns=pins.grid_us * 1000,
        pressure_mv=np.round(pins.pressure_mv).astype(np.int64),
        body_mv=np.round(pins.body_mv).astype(np.int64),
    )
