"""Whether the engine has stopped, and whether it runs quietly again after that.

Enters: the background while no cycles come, the cycles after it was started again. Leaves: yes or
no. A device that goes on talking tells a stopped engine from a lead that fell off: only where the
engine stands does air fill the manifold.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from vaclog.signals.tables import Background, CycleFlag, CycleTable
from vaclog.units import standard_atmosphere_kpa

# Turned by hand or running down there is a pulse sooner, down to some fifty turns a minute.
QUIET_S: Final = 1.5
# A spike on a wire at most.
MOST_PULSES: Final = 1
# Of the way from the idle to the air outside. An idle lets the manifold fill within a second; the
# air outside may be known by nothing but the standard, and then altitude takes a part of it.
FILLED: Final = 0.6
# After a start the flare is over sooner, and a manifold that was full of air is forgotten.
SETTLE_S: Final = 10.0
_BEFORE: Final = 40  # cycles: the idle before it began to die
_DYING: Final = 10  # cycles


def stands(background: Background, cycles: CycleTable, barometer_kpa: float | None) -> bool:
    """Whether the engine has stopped: no pulses, and no vacuum any more.

    Parameters
    ----------
    background
        Until now.
    cycles
        Those before it stopped.
    barometer_kpa
        Air outside, where it is known.
    """
    bins = round(QUIET_S * 1e6 / background.bin_us)
    kpa = background.mean_kpa[-bins:]
    pulses = background.sparks[-bins:] + background.marks[-bins:]
    idle = cycles.pressure_kpa[-_BEFORE - _DYING : -_DYING]
    idle = idle[np.isfinite(idle)]
    if len(kpa) < bins or not np.isfinite(kpa).all() or len(idle) == 0:
        return False
    outside_kpa = standard_atmosphere_kpa(0.0) if barometer_kpa is None else barometer_kpa
    idle_kpa = float(np.median(idle))
    filled_kpa = idle_kpa + FILLED * (outside_kpa - idle_kpa)
    return bool(pulses.sum() <= MOST_PULSES and kpa[-3:].mean() > filled_kpa)


class Stall:
    """One stop of the engine, until it has settled again.

    Parameters
    ----------
    at_us
        End of the last cycle before it.
    """

    def __init__(self, at_us: int) -> None:
        self.at_us = at_us
        self.runs_us: int | None = None  # since when it runs by itself again

    def settled(self, cycles: CycleTable) -> bool:
        """Whether the engine runs by itself for long enough; asked at each step."""
        now_us = int(cycles.end_us[-1])
        if int(cycles.flags[-1]) & int(CycleFlag.CRANKING):
            self.runs_us = None
        elif self.runs_us is None:
            self.runs_us = now_us
        return self.runs_us is not None and now_us - self.runs_us >= SETTLE_S * 1e6
