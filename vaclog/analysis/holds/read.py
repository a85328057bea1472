"""From readings to a table that carries them, with its phases and what was noticed.

Enters: the tables of the signals room, the engine card, the readings. Leaves: :class:`Held`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from vaclog.analysis.findings import Phase, Sweep
from vaclog.analysis.hill.fit import DEFAULT_PRIOR
from vaclog.analysis.holds.check import believe
from vaclog.analysis.holds.fill import fill
from vaclog.analysis.holds.fit import pooled
from vaclog.analysis.holds.levels import Levels, find_levels
from vaclog.analysis.holds.pair import PairedHold, Pairing, pair, prepare
from vaclog.analysis.holds.phases import phases_by_holds
from vaclog.analysis.holds.readings import Readings
from vaclog.analysis.phases.find import find_phases
from vaclog.analysis.phases.usable import idle_cycles, usable_cycles
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
    ways
        Tables of other ways to divide the capture into the holds, as likely as each other.
    u_deg
        Standard uncertainty of one reading.
    warnings
        Findings as plain sentences: fact, likely cause, next step.
    """

    cycles: CycleTable
    phases: Sequence[Phase]
    sweeps: Sequence[Sweep]
    holds: tuple[PairedHold, ...]
    ways: tuple[CycleTable, ...]
    u_deg: float
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
    believed = None
    if ground is not None:

        def levels_of(pairing: Pairing) -> Levels | None:
            return _levels(cycles, phases, pairing, engine)

        believed = believe(ground, readings.taken, levels_of, DEFAULT_PRIOR)
    found = believed.pairing if believed is not None else pair(None, readings.taken)
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
            ways=(),
            u_deg=readings.u_deg,
            warnings=(*readings.remarks, said),
        )
    laid, passes = phases_by_holds(phases, found.holds)
    degs = [each.reading.deg for each in found.holds]
    likeliest = [(each.start_us, each.end_us) for each in found.holds]
    filled, *ways = (_filled(cycles, way, degs) for way in (likeliest, *found.ways))
    return Held(
        cycles=filled,
        phases=laid,
        sweeps=passes,
        holds=found.holds,
        ways=tuple(ways),
        u_deg=readings.u_deg,
        warnings=(*readings.remarks, *(believed.warnings if believed is not None else ())),
    )


def _levels(
    cycles: CycleTable, phases: Sequence[Phase], found: Pairing, engine: EngineCard
) -> Levels | None:
    """Levels of a pairing, over all ways to divide the capture."""
    laid, passes = phases_by_holds(phases, found.holds)
    degs = [each.reading.deg for each in found.holds]
    likeliest = tuple((each.start_us, each.end_us) for each in found.holds)
    tables = [_filled(cycles, way, degs) for way in (likeliest, *found.ways)]
    levels = [
        find_levels(table, usable_cycles(table, laid, passes, engine), DEFAULT_PRIOR)
        for table in tables
    ]
    return pooled([each for each in levels if each is not None])


def _filled(
    cycles: CycleTable, way: Sequence[tuple[int, int]], degs: Sequence[float]
) -> CycleTable:
    """The table with the readings that are known."""
    spans = zip(way, degs, strict=True)
    return fill(cycles, ((start, end, deg) for (start, end), deg in spans if np.isfinite(deg)))


def sensor_sees(cycles: CycleTable) -> bool:
    """Whether a sensor measured the advance of most cycles."""
    return bool(np.isfinite(cycles.advance_deg).mean() >= KNOWN_SHARE)
