"""Full-load runs in a capture.

Enters: the cycle table and the phases, of which those of kind ``load`` are wide throttle against
a weight. Leaves: runs as rows of the table, and their records for the result.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vaclog.analysis.findings import Phase
from vaclog.result.road import LoadRun
from vaclog.signals.tables import AdvanceFrom, CycleFlag, CycleTable, FloatArray
from vaclog.units import s_from_us, us_from_s

# A foot that wavers, or a lost pulse, does not end a pull; a change of gear takes longer.
JOINED_US: Final = 400_000
# Fewer cycles say nothing of from where to where it pulled.
FEWEST_CYCLES: Final = 8
# Median of so many cycles: a single odd advance is not "the greatest that was reached".
SMOOTH_CYCLES: Final = 5

_SPOILT: Final = int(CycleFlag.GAP | CycleFlag.RAIL)


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """A full-load run: rows [first, last) of the cycle table."""

    first: int
    last: int


def find_loads(cycles: CycleTable, phases: Sequence[Phase]) -> list[Load]:
    """Full-load runs, in order of time.

    Parameters
    ----------
    cycles
        Cycles of the whole capture.
    phases
        Phases of the same.
    """
    spans: list[tuple[int, int]] = []
    for phase in phases:
        if phase.kind != "load":
            continue
        if spans and phase.start_us - spans[-1][1] <= JOINED_US:
            spans[-1] = (spans[-1][0], phase.end_us)
        else:
            spans.append((phase.start_us, phase.end_us))
    loads = []
    for start_us, end_us in spans:
        first = int(np.searchsorted(cycles.start_us, start_us))
        last = int(np.searchsorted(cycles.end_us, end_us, side="right"))
        if last - first >= FEWEST_CYCLES and _sound(cycles, slice(first, last)).any():
            loads.append(Load(first=first, last=last))
    return loads


def rows_of(cycles: CycleTable, runs: Sequence[LoadRun]) -> list[Load]:
    """The rows of runs that are told in a result of the same capture."""
    return [
        Load(
            first=int(np.searchsorted(cycles.start_us, us_from_s(run.start_s))),
            last=int(np.searchsorted(cycles.end_us, us_from_s(run.end_s), side="right")),
        )
        for run in runs
    ]


def load_records(
    cycles: CycleTable, loads: Sequence[Load], *, cylinders: int, barometer_kpa: float | None
) -> tuple[LoadRun, ...]:
    """The runs as the result tells them."""
    return tuple(_record(cycles, load, cylinders, barometer_kpa) for load in loads)


def _record(cycles: CycleTable, load: Load, cylinders: int, barometer_kpa: float | None) -> LoadRun:
    rows = slice(load.first, load.last)
    rpm = cycles.rpm[rows]
    pressure_kpa = float(cycles.pressure_kpa[rows][_sound(cycles, rows)].mean())
    advance = advance_under_load(cycles)[rows]
    smooth = _smooth(advance)
    top = int(np.nanargmax(smooth)) if np.isfinite(smooth).any() else None
    return LoadRun(
        start_s=s_from_us(int(cycles.start_us[load.first])),
        end_s=s_from_us(int(cycles.end_us[load.last - 1])),
        from_rpm=float(np.median(rpm[:3])),
        to_rpm=float(np.median(rpm[-3:])),
        pressure_kpa=pressure_kpa,
        below_barometer_kpa=None if barometer_kpa is None else barometer_kpa - pressure_kpa,
        advance_deg=None if top is None else float(smooth[top]),
        advance_rpm=None if top is None else float(rpm[top]),
        firings=(load.last - load.first) * cylinders,
    )


def _sound(cycles: CycleTable, rows: slice) -> NDArray[np.bool_]:
    """Which of the rows have a pressure that can be believed."""
    sound: NDArray[np.bool_] = (cycles.flags[rows] & _SPOILT) == 0
    return sound & np.isfinite(cycles.pressure_kpa[rows])


def advance_under_load(cycles: CycleTable) -> FloatArray:
    """Advance with the weights' part in it, deg [n]; NaN where no crank mark saw it."""
    seen: NDArray[np.bool_] = cycles.advance_from == int(AdvanceFrom.MARK)
    advance: FloatArray = np.where(seen, cycles.advance_deg, np.nan)
    return advance


def _smooth(values: FloatArray) -> FloatArray:
    """Running median of the known values; NaN where fewer than half of the window is known."""
    reach = SMOOTH_CYCLES // 2
    padded = np.pad(values, reach, constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, SMOOTH_CYCLES)
    out = np.full(len(values), np.nan)
    known = np.isfinite(windows).sum(axis=1) > reach
    if known.any():
        out[known] = np.nanmedian(windows[known], axis=1)
    return out
