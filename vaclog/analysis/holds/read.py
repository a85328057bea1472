"""From readings to a table that carries them, with its phases and what was noticed.

Enters: the tables of the signals room, the engine card, the readings. Leaves: :class:`Held`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from vaclog.analysis.findings import Phase, Sweep
from vaclog.analysis.holds.fill import fill
from vaclog.analysis.holds.pair import PairedHold, pair, prepare
from vaclog.analysis.holds.phases import phases_by_holds
from vaclog.analysis.holds.readings import Readings
from vaclog.analysis.phases.find import find_phases
from vaclog.analysis.phases.usable import idle_cycles
from vaclog.cards import EngineCard
from vaclog.signals.tables import Background, CycleTable

# With a sensor on most cycles readings are not needed, and a hold's single number is the worse.
KNOWN_SHARE: Final = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Held:
    """What readings make of a capture.

    Attributes
    ----------
    cycles
        The table with the readings in the cycles of their holds.
    phases, sweeps
        Laid out by the holds.
    holds
        Holds with their readings, in order.
    warnings
        Findings as plain sentences: fact, likely cause, next step.
    """

    cycles: CycleTable
    phases: Sequence[Phase]
    sweeps: Sequence[Sweep]
    holds: tuple[PairedHold, ...]
    warnings: tuple[str, ...]


def read_holds(
    cycles: CycleTable,
    background: Background,
    engine: EngineCard,
    readings: Readings,
    *,
    end_us: int,
) -> Held | None:
    """Pair readings with holds and put them into the table.

    Returns
    -------
    Held or None
        None where there are no readings, or a sensor measures the advance.
    """
    if not readings.taken or len(cycles) == 0 or sensor_sees(cycles):
        return None
    phases, sweeps = find_phases(cycles, background, engine, end_us)
    ground = prepare(cycles, idle_cycles(cycles, phases))
    found = pair(ground, readings.taken)
    if not found.holds:
        said = (
            f"The readings could not be paired with holds: {found.why_not}. Record again: stand "
            "still for ten seconds at each reading, six to ten positions on both sides of the top."
        )
        return Held(
            cycles=cycles,
            phases=phases,
            sweeps=sweeps,
            holds=(),
            warnings=(*readings.remarks, said),
        )
    laid, passes = phases_by_holds(phases, found.holds)
    filled = fill(
        cycles,
        (
            (each.start_us, each.end_us, each.reading.deg)
            for each in found.holds
            if each.reading.known
        ),
    )
    return Held(
        cycles=filled,
        phases=laid,
        sweeps=passes,
        holds=found.holds,
        warnings=readings.remarks,
    )


def sensor_sees(cycles: CycleTable) -> bool:
    """Whether a sensor measured the advance of most cycles."""
    return bool(np.isfinite(cycles.advance_deg).mean() >= KNOWN_SHARE)
