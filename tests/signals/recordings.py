"""Recordings of the simulator under many rigs, the engine run only once for all of them."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np

from vaclog.simulator import EngineSpec, Recording, RigSpec, Script, simulate
from vaclog.simulator.recording import rig_card
from vaclog.simulator.rig import pin_signals
from vaclog.simulator.script import Hold, Turn

SWEEP = Script(
    start_deg=10.0,
    segments=(
        Hold(seconds=4.0),
        Turn(to_deg=34.0, rate_deg_s=2.4),
        Hold(seconds=2.0),
        Turn(to_deg=10.0, rate_deg_s=2.4),
        Hold(seconds=3.0),
    ),
)
UNEVEN = EngineSpec(inertia_kg_m2=0.14)
"""An engine whose speed varies by some 4 % within a turn."""


@cache
def _ran(engine: EngineSpec, script: Script, seed: int) -> Recording:
    return simulate(engine, script, RigSpec(), seed)


def recording(
    rig: RigSpec, *, engine: EngineSpec | None = None, script: Script = SWEEP, seed: int = 5
) -> Recording:
    """What this rig records of the engine's run.

    The truth is of the engine; its offset of the rig's angle scale is that of a perfect rig.
    """
    ran = _ran(engine or EngineSpec(), script, seed)
    rng = np.random.default_rng([seed, 2])
    return replace(
        ran,
        rig=rig,
        pins=pin_signals(ran.trace, rig, ran.engine.spec.cylinders, rng),
        rig_card_toml=rig_card(ran.engine.spec, script, rig),
    )
