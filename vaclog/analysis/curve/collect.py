"""The cycles that tell the curve: rev-ups, each with the idle that it is compared with.

Enters: cycles with advance from crank mark and spark, phases. Leaves: :class:`RevUps`, flat
arrays with one row per spark.

The speed at a spark is the mean of the cycles on either side of it: nothing here is used as a
cause, so later cycles may be looked at.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vaclog.analysis.findings import Phase
from vaclog.signals.tables import AdvanceFrom, CycleFlag, CycleTable, FloatArray, IntArray

_SPOILT: Final = int(CycleFlag.SPLIT | CycleFlag.AFTER_BREAK | CycleFlag.CRANKING)
_EXCURSIONS: Final = ("blip", "load", "running")
_IDLES: Final = ("hold", "warming")
_BEFORE_S: Final = 6.0  # of idle on either side give the speed and advance to compare with
_LEAST_IDLE: Final = 8  # cycles
# As many sparks as a dozen slow rev-ups have; of a long drive the newest are as good as all.
_MOST_SPARKS: Final = 5000
# Faster than this the parabola through three marks no longer gives an angle.
FAST_RPM_S: Final = 2500.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RevUps:
    """Sparks of all rev-ups and of the idle before each.

    Attributes
    ----------
    t_s
        float64 [n], time of the spark.
    rpm, rate_rpm_s
        float64 [n], speed at the spark and its rate of change.
    advance_deg
        float64 [n], as read.
    kpa
        float64 [n], mean manifold pressure of the cycle before the spark; NaN if unknown.
    group
        int64 [n], number of the rev-up.
    idle
        bool [n], True for the idle before (or, where there is none, after) the rev-up.
    idle_rpm
        Speed of that idle, median over all.
    stays_out_deg, u_stays_out_deg
        Advance of the idle after less that before, weighted over rev-ups; NaN: not seen.
    """

    t_s: FloatArray
    rpm: FloatArray
    rate_rpm_s: FloatArray
    advance_deg: FloatArray
    kpa: FloatArray
    group: IntArray
    idle: NDArray[np.bool_]
    idle_rpm: float
    stays_out_deg: float
    u_stays_out_deg: float

    def __len__(self) -> int:
        return len(self.t_s)

    def rows(self, keep: NDArray[np.bool_]) -> RevUps:
        """Some of the sparks."""
        columns = {
            each.name: getattr(self, each.name)[keep]
            if isinstance(getattr(self, each.name), np.ndarray)
            else getattr(self, each.name)
            for each in fields(self)
        }
        return RevUps(**columns)


def collect(cycles: CycleTable, phases: Sequence[Phase]) -> RevUps | None:
    """Gather the rev-ups of a capture; None without one that has an idle beside it."""
    seen = (cycles.advance_from == AdvanceFrom.MARK) & np.isfinite(cycles.advance_deg)
    seen &= (cycles.flags & _SPOILT) == 0
    rpm, rate = speed_at_spark(cycles)
    chosen: list[IntArray] = []
    idles: list[NDArray[np.bool_]] = []
    after: list[tuple[float, float]] = []
    for first, last in reversed(_excursions(phases)):
        if sum(map(len, chosen)) > _MOST_SPARKS:
            break
        before = _idle_rows(cycles, phases, first - 1, seen, late=True)
        behind = _idle_rows(cycles, phases, last, seen, late=False)
        idle = before if before is not None else behind
        if idle is None:
            continue
        if before is not None and behind is not None:
            after.append(_difference(cycles.advance_deg[before], cycles.advance_deg[behind]))
        start_us, end_us = phases[first].start_us, phases[last - 1].end_us
        inside = seen & (cycles.start_us >= start_us) & (cycles.start_us < end_us)
        rows = np.flatnonzero(inside & (np.abs(rate) < FAST_RPM_S))[:_MOST_SPARKS]
        both = np.concatenate([idle, rows]) if idle is before else np.concatenate([rows, idle])
        chosen.append(both)
        idles.append(np.isin(both, idle))
    if not chosen:
        return None
    chosen.reverse()
    idles.reverse()
    rows, idle_row = np.concatenate(chosen), np.concatenate(idles)
    kpa = np.concatenate([cycles.pressure_kpa[:1] * np.nan, cycles.pressure_kpa[:-1]])
    stays_out_deg, u_deg = _mean(after)
    return RevUps(
        t_s=cycles.start_us[rows] / 1e6,
        rpm=rpm[rows],
        rate_rpm_s=rate[rows],
        advance_deg=cycles.advance_deg[rows],
        kpa=kpa[rows],
        group=np.repeat(np.arange(len(chosen)), [len(each) for each in chosen]),
        idle=idle_row,
        idle_rpm=float(np.median(rpm[rows][idle_row])),
        stays_out_deg=stays_out_deg,
        u_stays_out_deg=u_deg,
    )


def speed_at_spark(cycles: CycleTable) -> tuple[FloatArray, FloatArray]:
    """Speed at the spark that starts each cycle, rpm, and its rate of change, rpm/s."""
    n = len(cycles)
    if n < 2:
        return cycles.rpm.copy(), np.zeros(n)
    before = np.concatenate([cycles.rpm[:1], cycles.rpm[:-1]])
    length = np.diff(cycles.start_us, prepend=cycles.start_us[0] - 140_000) / 1e6
    return 0.5 * (before + cycles.rpm), (cycles.rpm - before) / np.maximum(length, 1e-3)


def _excursions(phases: Sequence[Phase]) -> list[tuple[int, int]]:
    """Half-open ranges of phases in which the throttle was used without idle between."""
    found: list[tuple[int, int]] = []
    for index, phase in enumerate(phases):
        if phase.kind not in _EXCURSIONS:
            continue
        if found and found[-1][1] == index:
            found[-1] = (found[-1][0], index + 1)
        else:
            found.append((index, index + 1))
    return found


def _idle_rows(
    cycles: CycleTable, phases: Sequence[Phase], at: int, seen: NDArray[np.bool_], *, late: bool
) -> IntArray | None:
    """Rows of the idle beside an excursion: the end of the one before, the start of the next."""
    if not 0 <= at < len(phases) or phases[at].kind not in _IDLES:
        return None
    phase, reach = phases[at], round(_BEFORE_S * 1e6)
    start_us = max(phase.start_us, phase.end_us - reach) if late else phase.start_us
    end_us = phase.end_us if late else min(phase.end_us, phase.start_us + reach)
    rows = np.flatnonzero(seen & (cycles.start_us >= start_us) & (cycles.start_us < end_us))
    return rows if len(rows) >= _LEAST_IDLE else None


def _difference(before: FloatArray, after: FloatArray) -> tuple[float, float]:
    """Mean of the second less that of the first, and its standard uncertainty."""
    variance = before.var(ddof=1) / len(before) + after.var(ddof=1) / len(after)
    return float(after.mean() - before.mean()), float(np.sqrt(variance) + 1e-6)


def _mean(values: list[tuple[float, float]]) -> tuple[float, float]:
    if not values:
        return float("nan"), float("nan")
    value, u = np.array(values).T
    weight = 1.0 / u**2
    return float(np.average(value, weights=weight)), float(np.sqrt(1.0 / weight.sum()))
