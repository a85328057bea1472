"""A second engine for the tests of the hill fit: power stroke by power stroke, many runs at once.

Mean torque per stroke, a manifold that fills and empties, a flywheel, charge from six tenths of
a cycle before; no crank angle, no bytes. It shares no code with the package or its simulator, so
that a fit which only suits the simulator would show here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vaclog.signals.tables import AdvanceFrom, CycleTable

FLOW_PER_VOLUME = 287.0 * 310.0  # J/kg of fresh charge
INDICATED_PER_KPA = 5.5  # indicated mean effective pressure over manifold pressure
BREATHING = 0.8
IDLE_RPM = 850.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """What to run; angles in crank degrees.

    ``hand`` is (seconds, advance) corners; ``lopsided`` r of two half-parabolas; ``misfire``
    (onset, probability per stroke); ``drift`` relative change of friction per minute.
    """

    hand: tuple[tuple[float, float], ...]
    runs: int = 32
    seed: int = 0
    cylinders: int = 4
    peak: tuple[float, float] = (22.0, 26.0)
    lopsided: tuple[float, float] = (-0.25, 0.65)
    k: float = 3.2e-4
    scatter: float = 0.06
    misfire: tuple[float, float] | None = None
    drift: float = 0.0


def there_and_back(low: float, high: float, rate: float = 1.0) -> tuple[tuple[float, float], ...]:
    """Corners of a sweep up and down with short holds."""
    one = (high - low) / rate
    return (
        (0.0, low),
        (8.0, low),
        (8.0 + one, high),
        (10.0 + one, high),
        (10.0 + 2 * one, low),
        (18.0 + 2 * one, low),
    )


def _friction_kpa(rpm: np.ndarray, kpa: np.ndarray) -> np.ndarray:
    n = rpm / 1000.0
    return 90.0 * (0.97 + 0.15 * n + 0.05 * n * n) + 0.55 * (100.0 - kpa)


def run(setup: Setup) -> tuple[list[CycleTable], np.ndarray]:
    """Return one cycle table per run, and the true peaks."""
    rng = np.random.default_rng(setup.seed)
    runs, strokes = setup.runs, setup.cylinders
    peak, r = rng.uniform(*setup.peak, runs), rng.uniform(*setup.lopsided, runs)
    seconds, degrees = np.array(setup.hand).T
    volume, manifold, inertia = 2.0e-3, 3.0e-3, 0.2
    kpa = np.full(runs, 30.0)
    for _ in range(60):
        kpa = _friction_kpa(np.full(runs, IDLE_RPM), kpa) / INDICATED_PER_KPA
    flow = BREATHING * volume * kpa * 1e3 / FLOW_PER_VOLUME * IDLE_RPM / 120.0
    rpm, t = np.full(runs, IDLE_RPM), np.full(runs, -8.0)
    history = [kpa] * (round(0.6 * strokes) + 1)
    area, starts, advances, means = np.zeros(runs), [], [], []
    stroke = 0
    while not (t > seconds[-1]).all():
        advance = np.interp(t, seconds, degrees)
        if stroke % strokes == 0:
            starts.append(t)
            advances.append(advance)
            if stroke:
                means.append(area / (t - starts[-2]))
            area = np.zeros(runs)
        x = advance - peak
        work = 1.0 - setup.k * np.where(x > 0, (1 + r) * x * x, x * x)
        work = work * (1.0 + setup.scatter * rng.standard_normal(runs))
        if setup.misfire is not None:
            work = np.where(
                (rng.random(runs) < setup.misfire[1]) & (advance > setup.misfire[0]), 0, work
            )
        gained = INDICATED_PER_KPA * history[0] * work
        lost = _friction_kpa(rpm, kpa) * (1.0 + setup.drift * t / 60.0)
        joules = (gained - lost) * 1e3 * volume / strokes
        omega2 = (rpm * np.pi / 30) ** 2 + 2 * joules / inertia
        after = np.sqrt(np.maximum(omega2, 400.0)) * 30 / np.pi
        dt = 240.0 / ((rpm + after) * strokes)
        filled = kpa + FLOW_PER_VOLUME / manifold * flow * dt / 1e3
        filled = filled - BREATHING * volume / strokes * kpa / manifold
        area = area + 0.5 * (kpa + filled) * dt
        kpa, rpm, t = filled, after, t + dt
        history = [*history[1:], kpa]
        stroke += 1
    begin = np.array(starts)
    mean, angle = np.array(means), np.array(advances[:-1])
    mean = mean + 0.01 * rng.standard_normal(mean.shape)
    angle = angle + 0.1 * rng.standard_normal(angle.shape)
    tables = []
    for i in range(runs):
        kept = (begin[:-1, i] >= 0) & (begin[1:, i] <= seconds[-1])
        tables.append(table(begin[:, i], kept, mean[:, i], angle[:, i], strokes))
    return tables, peak


def table(
    begin: np.ndarray, kept: np.ndarray, kpa: np.ndarray, advance: np.ndarray, cylinders: int
) -> CycleTable:
    """Put one run into a cycle table."""
    edges = np.round(begin * 1e6).astype(np.int64)
    n = int(kept.sum())
    return CycleTable(
        start_us=edges[:-1][kept],
        end_us=edges[1:][kept],
        rpm=120e6 / np.diff(edges)[kept],
        pressure_kpa=kpa[kept],
        min_kpa=kpa[kept],
        max_kpa=kpa[kept],
        slot_kpa=np.tile(kpa[kept][:, None], (1, cylinders)),
        turn_us=np.full((n, 2), np.nan),
        advance_deg=advance[kept],
        advance_from=np.full(n, int(AdvanceFrom.MARK), dtype=np.uint8),
        flags=np.zeros(n, dtype=np.uint8),
    )
