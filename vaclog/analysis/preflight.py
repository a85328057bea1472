"""What a capture shows of whether rig and engine are fit for a sweep.

Enters: cycles, background, phases. Leaves: :class:`~vaclog.result.checks.Checks`. Numbers only.

An idling engine wanders, so cycles are no independent readings: trends and differences are taken
over means of 16 cycles (about 2 s, longer than manifold and flywheel remember), and their
uncertainty from the scatter of those means (method of batch means, P. W. Glynn and others;
common practice of simulation output analysis).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from vaclog.analysis.findings import Phase
from vaclog.result.checks import Checks, FollowsVacuum
from vaclog.signals.tables import AdvanceFrom, Background, CycleFlag, CycleTable, FloatArray

BATCH: Final = 16
SETTLE_S: Final = 4.0  # manifold and flywheel settle in about a second; four of them leave 2 %
LEAST_IDLE_S: Final = 10.0
BESIDE_S: Final = 15.0  # of idle at either end, to see whether locking moved something
SWEEP_MINUTES: Final = 2.0
SWEEP_WIDTH_DEG: Final = 20.0
# Relative torque lost per square degree off the top, 2 to 5e-4 for all ordinary engines
# (computed with single-zone models, Woschni heat loss).
HILL_PER_DEG2: Final = 3e-4
# An idle's speed settles by about 0.8 % for each per cent of torque: air through the stop is
# fixed, friction rises with speed.
SPEED_PER_TORQUE: Final = 0.8
# Lags, drift and lopsidedness share the data: half as wide again as the bare bound.
WIDER: Final = 1.5
# Vacuum advances add 8 to 20 crank degrees (common practice), but the weights come in while one
# lets go: of 14 degrees 2 to 5 are left to be seen. Without one it is 0.2 at most, weights sticking
# or not (simulated blips).
FELL_DEG: Final = 1.0
SURE: Final = (
    3.0  # times the scatter of the idle's sparks: the lowest few of a blip are lower by 1.5
)
LEAST_NOISE_DEG: Final = 0.3
BEFORE_US: Final = 6_000_000  # of idle before it, for its level
EDGE_US: Final = 500_000  # the hand is quicker than the phase's edge is sharp
LEAST_BEFORE, LEAST_RISING = 8, 3  # cycles
# A canister has let go where less than 25 kPa (7 inHg) of vacuum is left (common practice).
LET_GO_KPA: Final = 25.0
AMBIENT_KPA: Final = 101.325  # where no barometer is known; ISO 2533, sea level
_SPOILT: Final = int(CycleFlag.SPLIT | CycleFlag.GAP | CycleFlag.RAIL | CycleFlag.CRANKING)


def find_checks(
    cycles: CycleTable,
    background: Background,
    phases: Sequence[Phase],
    *,
    barometer_kpa: float | None,
) -> Checks:
    """The numbers of the pre-flight.

    Parameters
    ----------
    cycles, background, phases
        Of the whole capture.
    barometer_kpa
        Air outside, None if unknown.
    """
    found: dict[str, Any] = {
        **_still(background, phases),
        "rail_per_thousand": _rail(cycles),
        **_cranking(cycles, background, phases, barometer_kpa),
        **_idle(cycles, phases, barometer_kpa),
        **_follows(cycles, phases, barometer_kpa),
        **_moved(cycles, _idle_rows(cycles, phases)),
    }
    return Checks(**{name: _finite(value) for name, value in found.items()})


def _finite(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _still(background: Background, phases: Sequence[Phase]) -> dict[str, float | None]:
    bins = _bins(background, phases, "still")
    mean = background.mean_kpa[bins]
    known = np.isfinite(mean)
    if known.sum() < 5:
        return {}
    span = (background.max_kpa - background.min_kpa)[bins][known]
    return {
        "still_kpa": float(np.median(mean[known])),
        "still_noise_kpa": float(np.median(span)),
        "still_s": float(known.sum()) * background.bin_us / 1e6,
    }


def _rail(cycles: CycleTable) -> float | None:
    if not len(cycles):
        return None
    return 1000.0 * float(np.mean((cycles.flags & int(CycleFlag.RAIL)) > 0))


def _cranking(
    cycles: CycleTable,
    background: Background,
    phases: Sequence[Phase],
    barometer_kpa: float | None,
) -> dict[str, float | None]:
    """The longest pull of the starter."""
    pulls = [phase for phase in phases if phase.kind == "cranking"]
    if not pulls:
        return {}
    pull = max(pulls, key=lambda phase: phase.end_us - phase.start_us)
    bins = _bins(background, [pull], "cranking")
    mean = background.mean_kpa[bins]
    mean = mean[np.isfinite(mean)]
    found: dict[str, float | None] = {"cranking_s": (pull.end_us - pull.start_us) / 1e6}
    rows = (cycles.start_us >= pull.start_us) & (cycles.start_us < pull.end_us)
    rows &= (cycles.flags & int(CycleFlag.CRANKING)) > 0
    speed = cycles.rpm[rows]
    if len(speed):
        found["cranking_rpm"] = float(np.median(speed))
    if len(mean) >= 4:
        late = mean[len(mean) // 2 :]
        found["cranking_kpa"] = level = float(np.median(late))
        found["cranking_swing_kpa"] = float(np.ptp(late))
        if barometer_kpa is not None:
            found["cranking_vacuum_kpa"] = barometer_kpa - level
            found["cranking_rise_kpa"] = max(0.0, float(mean.max()) - barometer_kpa)
    return found


def _idle(
    cycles: CycleTable, phases: Sequence[Phase], barometer_kpa: float | None
) -> dict[str, float | None]:
    """The longest idle with nothing touched."""
    best = np.zeros(0, np.int64)
    for phase in phases:
        if phase.kind in ("hold", "warming"):
            rows = np.flatnonzero(_rows(cycles, [phase], ("hold", "warming")))
            best = rows if len(rows) > len(best) else best
    if len(best) < 2 * BATCH:
        return {}
    start_s = cycles.start_us[best] / 1e6
    if float(start_s[-1] - start_s[0]) < LEAST_IDLE_S:
        return {}
    rpm, kpa = cycles.rpm[best], cycles.pressure_kpa[best]
    level_rpm, level_kpa = float(np.median(rpm)), float(np.median(kpa))
    found: dict[str, float | None] = {
        "idle_s": float(start_s[-1] - start_s[0]),
        "idle_rpm": level_rpm,
        "idle_kpa": level_kpa,
        "idle_vacuum_kpa": None if barometer_kpa is None else barometer_kpa - level_kpa,
    }
    slope, u_slope, long_run = trend(start_s, rpm)
    found["rpm_slope_per_min"], found["u_rpm_slope_per_min"] = 60.0 * slope, 60.0 * u_slope
    slope_kpa, u_slope_kpa, _ = trend(start_s, kpa)
    found["kpa_slope_per_min"], found["u_kpa_slope_per_min"] = 60.0 * slope_kpa, 60.0 * u_slope_kpa
    steady = rpm - slope * (start_s - start_s.mean())
    found["rpm_scatter_percent"] = 100.0 * float(np.std(steady, ddof=2)) / level_rpm
    found["sweep_minutes"] = SWEEP_MINUTES
    found["sweep_u_deg"] = sweep_u_deg(long_run / level_rpm, level_rpm)
    return found


def trend(at_s: FloatArray, values: FloatArray) -> tuple[float, float, float]:
    """Slope per second, its standard uncertainty, and the scatter per cycle of a long mean.

    Parameters
    ----------
    at_s, values
        float64 [n], at least 32 cycles in order.

    Returns
    -------
    slope, u_slope, long_run
        ``long_run``: the standard deviation per cycle that independent cycles would need to have
        means that scatter as these do.
    """
    count = len(values) // BATCH
    cut = count * BATCH
    x = at_s[:cut].reshape(count, BATCH).mean(axis=1)
    y = values[:cut].reshape(count, BATCH).mean(axis=1)
    x = x - x.mean()
    slope = float(x @ y / (x @ x))
    if count < 3:
        return slope, math.inf, math.inf
    left = y - y.mean() - slope * x
    variance = float(left @ left) / (count - 2)
    return slope, math.sqrt(variance / float(x @ x)), math.sqrt(variance * BATCH)


def sweep_u_deg(scatter: float, rpm: float) -> float:
    """Uncertainty of the top that a sweep would bring.

    The bound for a centred, uniform sweep of width L over n cycles with relative torque noise
    s, curvature c: s sqrt(12) / (2 c L sqrt(n)) (linear regression with a parabola), widened for
    what else is fitted. The noise of torque is that of the speed divided by how much speed
    answers to torque.

    Parameters
    ----------
    scatter
        Relative scatter of the speed per cycle, long run.
    rpm
        Idle speed: how many cycles a minute has.
    """
    torque = scatter / SPEED_PER_TORQUE
    cycles = SWEEP_MINUTES * rpm / 2.0
    bound = torque * math.sqrt(12.0) / (2.0 * HILL_PER_DEG2 * SWEEP_WIDTH_DEG * math.sqrt(cycles))
    return WIDER * bound


def _follows(
    cycles: CycleTable, phases: Sequence[Phase], barometer_kpa: float | None
) -> dict[str, float | FollowsVacuum | None]:
    """Whether the advance followed the vacuum in a blip, by what weights cannot do.

    Weights only ever add as the speed rises, and late. A canister on the manifold lets go as the
    throttle opens: the advance *falls* below idle's while the speed rises.
    """
    air_kpa = AMBIENT_KPA if barometer_kpa is None else barometer_kpa
    drops: list[tuple[float, float]] = []
    seen = (cycles.advance_from == AdvanceFrom.MARK) & np.isfinite(cycles.advance_deg)
    seen &= (cycles.flags & int(CycleFlag.SPLIT | CycleFlag.CRANKING)) == 0
    for index, phase in enumerate(phases):
        if phase.kind not in ("blip", "load") or index == 0:
            continue
        before = seen & _rows(cycles, [phases[index - 1]], ("hold", "warming"))
        before &= cycles.start_us >= phase.start_us - BEFORE_US
        before &= cycles.start_us < phase.start_us - EDGE_US
        inside = seen & (cycles.start_us >= phase.start_us - EDGE_US)
        inside &= cycles.start_us < phase.end_us
        rows = np.flatnonzero(inside)
        rising = rows[: int(np.argmax(cycles.rpm[rows])) + 1] if len(rows) else rows
        if before.sum() < LEAST_BEFORE or len(rising) < LEAST_RISING:
            continue
        if float(np.max(cycles.pressure_kpa[rising])) > air_kpa - LET_GO_KPA:
            idle_deg, noise_deg = _level(cycles.advance_deg[before])
            low = np.sort(cycles.advance_deg[rising])[: max(3, len(rising) // 4)]
            drops.append((idle_deg - float(np.median(low)), max(noise_deg, LEAST_NOISE_DEG)))
    if not drops:
        return {}
    drop_deg, u_deg = max(drops)
    found: dict[str, float | FollowsVacuum | None] = {
        "opening_drop_deg": drop_deg,
        "u_opening_drop_deg": u_deg,
    }
    if drop_deg > max(FELL_DEG, SURE * u_deg):
        found["follows_vacuum"] = "at idle"
    elif SURE * u_deg <= 2.0 * FELL_DEG and drop_deg <= FELL_DEG:
        found["follows_vacuum"] = "not seen"
    return found


def _level(values: FloatArray) -> tuple[float, float]:
    """Median, and the scatter of a value about it (1.4826 times the median deviation)."""
    middle = float(np.median(values))
    return middle, 1.4826 * float(np.median(np.abs(values - middle)))


def _moved(cycles: CycleTable, idle: NDArray[np.bool_]) -> dict[str, float | None]:
    """The last 15 s of idle against the first, at most a third of it each."""
    rows = np.flatnonzero(idle)
    if len(rows) < 6 * BATCH:
        return {}
    start_us = cycles.start_us[rows]
    beside_us = round(BESIDE_S * 1e6)
    early = rows[start_us < start_us[0] + beside_us][: len(rows) // 3]
    late = rows[start_us > start_us[-1] - beside_us][-(len(rows) // 3) :]
    found: dict[str, float | None] = {}
    for name, column in (("deg", cycles.advance_deg), ("kpa", cycles.pressure_kpa)):
        (before, u_before), (after, u_after) = _mean(column[early]), _mean(column[late])
        if math.isfinite(u_before) and math.isfinite(u_after):
            found[f"moved_{name}"] = after - before
            found[f"u_moved_{name}"] = math.hypot(u_before, u_after)
    return found


def _mean(values: FloatArray) -> tuple[float, float]:
    """Mean and standard uncertainty by means of batches."""
    values = values[np.isfinite(values)]
    size = min(BATCH, len(values) // 5)
    if size < 2:
        return math.nan, math.nan
    cut = len(values) // size * size
    means = values[:cut].reshape(-1, size).mean(axis=1)
    return float(values.mean()), float(np.std(means, ddof=1) / math.sqrt(len(means)))


def _idle_rows(cycles: CycleTable, phases: Sequence[Phase]) -> NDArray[np.bool_]:
    return _rows(cycles, phases, ("hold", "warming"))


def _rows(cycles: CycleTable, phases: Sequence[Phase], kinds: tuple[str, ...]) -> NDArray[np.bool_]:
    """Sound cycles of phases of these kinds; what still settles after another is left out."""
    use = np.zeros(len(cycles), dtype=bool)
    driven = ("cranking", "blip", "load", "running")
    for index, phase in enumerate(phases):
        if phase.kind in kinds:
            settles = index > 0 and phases[index - 1].kind in driven
            start_us = phase.start_us + (round(SETTLE_S * 1e6) if settles else 0)
            use |= (cycles.start_us >= start_us) & (cycles.end_us <= phase.end_us)
    use &= ((cycles.flags & _SPOILT) == 0) & np.isfinite(cycles.pressure_kpa)
    return use


def _bins(background: Background, phases: Sequence[Phase], kind: str) -> NDArray[np.bool_]:
    """Bins that lie wholly within phases of a kind."""
    start = np.arange(len(background.mean_kpa)) * background.bin_us
    inside = np.zeros(len(start), dtype=bool)
    for phase in phases:
        if phase.kind == kind:
            inside |= (start >= phase.start_us) & (start + background.bin_us <= phase.end_us)
    return inside
