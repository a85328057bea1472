"""A passenger who listens for pinking and presses the marker button.

Enters: a :class:`~vaclog.simulator.crank.Trace`, where the engine pinks, a random generator.
Leaves: the strokes that truly pinked and the times of the button.

Pinking sets in where the advance at full load passes a limit that rises with speed (less time for
the last gas to burn by itself) and falls with pressure. The numbers are invented; the way it goes
is common practice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vaclog.simulator.crank import Trace

LOUD = 5  # strokes within half a second, to be noticed beside the noise of a pull
LOUD_S = 0.5
DELAY_S = (0.5, 1.5)
REST_S = 2.5  # a mark made, the finger rests


@dataclass(frozen=True, slots=True, kw_only=True)
class PinkSpec:
    """Where an engine pinks.

    Attributes
    ----------
    limit_deg
        Advance from which it may, at 2000 rpm and 100 kPa.
    per_1000_rpm_deg, per_kpa_deg
        How the limit moves with speed and pressure.
    share_per_deg
        Share of strokes that pink, for each degree beyond the limit.
    """

    limit_deg: float = 26.0
    per_1000_rpm_deg: float = 6.0
    per_kpa_deg: float = -0.3
    share_per_deg: float = 0.06


def pinking_s(trace: Trace, spec: PinkSpec, rng: np.random.Generator) -> NDArray[np.float64]:
    """Times of the sparks whose strokes pink."""
    limit = (
        spec.limit_deg
        + spec.per_1000_rpm_deg * (trace.event_rpm - 2000.0) / 1000.0
        + spec.per_kpa_deg * (trace.event_kpa - 100.0)
    )
    over = np.maximum(trace.event_advance_deg - limit, 0.0)
    pinks = rng.random(len(over)) < np.minimum(spec.share_per_deg * over, 0.8)
    return np.asarray(trace.event_s[pinks & (trace.event_s >= 0.0) & ~trace.event_misfired])


def presses_s(heard_s: NDArray[np.float64], rng: np.random.Generator) -> tuple[float, ...]:
    """When a passenger presses who hears these."""
    presses: list[float] = []
    for k in range(LOUD - 1, len(heard_s)):
        if heard_s[k] - heard_s[k - LOUD + 1] > LOUD_S:
            continue
        if presses and heard_s[k] - presses[-1] < REST_S:
            continue
        presses.append(float(heard_s[k] + rng.uniform(*DELAY_S)))
    return tuple(presses)
