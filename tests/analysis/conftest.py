"""A small engine, one step per power stroke, that makes cycle tables with known truth.

It serves the tests of phases, misfire, curve and usable cycles only: the tables come straight
from the crank without a wire, a sensor or a clock between, so a failure here is a failure of
the analysis. It shares no code with the package beyond the records.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pytest

from vaclog.signals.tables import AdvanceFrom, Background, CycleFlag, CycleTable

BARO_KPA = 100.0
TORQUE_DEG = 45.0  # after top dead centre, where a stroke's torque acts
MARK_DEG = 20.0  # before top dead centre


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """Tables and the truth beside them."""

    cycles: CycleTable
    background: Background
    duration_us: int
    misfired: np.ndarray  # bool [n, N], power stroke lost, by cycle and firing place


def make_engine(  # noqa: PLR0915 - one loop over power strokes reads best in one piece
    hand: Sequence[tuple[float, float]],
    *,
    throttle: Sequence[tuple[float, float]] = ((0.0, 1.0),),
    road: Sequence[tuple[float, float]] = ((0.0, 0.0),),
    still_s: float = 0.0,
    crank_s: float = 0.0,
    run_down: bool = False,
    still_after_s: float = 0.0,
    cylinders: int = 4,
    scatter: float = 0.05,
    noise_deg: float = 0.4,
    outliers: float = 0.0,
    step_deg: float = 0.0,
    peak_deg: float = 26.0,
    hill: float = 3e-4,
    misfire: Callable[[float, int, float], float] | None = None,
    curve: Sequence[tuple[float, float]] = ((1000.0, 0.0), (3000.0, 20.0)),
    mark: bool = True,
    source: AdvanceFrom = AdvanceFrom.MARK,
    warm: float = 0.0,
    seed: int = 0,
) -> Made:
    """Run the engine along scripts of (seconds, value) corners, joined by straight lines.

    ``hand`` is the angle of the body in crank degrees, ``throttle`` the air flow relative to
    idle, ``road`` the load relative to idle friction; time 0 of the scripts is the first firing
    cycle. ``misfire(t_s, slot, advance_deg)`` gives a probability. ``warm`` is extra friction
    at the start that fades with 20 s.
    """
    rng = np.random.default_rng(seed)
    hand_t, hand_v = np.array(hand, float).T
    thr_t, thr_v = np.array(throttle, float).T
    road_t, road_v = np.array(road, float).T
    curve_n, curve_v = np.array(curve, float).T
    end_s = float(hand_t[-1])
    n0, p0, tau_p = 850.0, 38.0, 0.35
    accel = 1600.0  # rpm/s that the idle's indicated torque gives the flywheel
    t, n, p = -crank_s, 220.0 if crank_s else n0, BARO_KPA if crank_s else p0
    starts: list[float] = []
    times: list[list[float]] = []
    pressures: list[list[float]] = []
    advances: list[float] = []
    lost: list[list[bool]] = []
    killed = False
    step_angle = 720.0 / cylinders
    while True:
        cranking = t < 0.0
        if not killed and t >= end_s:
            killed = True
            if not run_down:
                break
        if killed and (n < 120.0 or t > end_s + 4.0):
            break
        added = float(np.interp(n, curve_n, curve_v))
        alpha = float(np.interp(t, hand_t, hand_v)) + added
        starts.append(t)
        advances.append(alpha)
        times.append([])
        pressures.append([])
        lost.append([])
        for slot in range(cylinders):
            miss = misfire is not None and rng.random() < misfire(t, slot + 1, alpha)
            lost[-1].append(miss)
            work = 0.0 if miss or cranking or killed else 1.0 + scatter * rng.standard_normal()
            off = alpha - peak_deg
            eta = 1.0 - hill * off * off * (1.2 if off > 0 else 1.0)
            drag = (0.7 + 0.3 * n / n0) * (
                1.0 + float(np.interp(t, road_t, road_v)) + warm * np.exp(-max(t, 0) / 20.0)
            )
            dt = step_angle / (6.0 * n)
            if cranking:
                n = 220.0 + 5.0 * rng.standard_normal()
            else:
                n += accel * (work * p / p0 * eta - drag) * dt
            n = min(max(n, 60.0), 7000.0)
            flow = float(np.interp(t, thr_t, thr_v)) * min(
                1.0,
                2.0 * np.sqrt(max(p / BARO_KPA - (p / BARO_KPA) ** 2, 0.0))
                if p > BARO_KPA / 2
                else 1.0,
            )
            rate = n / n0 / tau_p  # relaxes toward the pressure at which flow in = flow out
            goal = p0 * flow / (n / n0)
            p = min(goal + (p - goal) * np.exp(-rate * dt), BARO_KPA)
            t += dt
            times[-1].append(dt)
            pressures[-1].append(p)
        if n > 380.0 or killed or cranking:
            continue
        break
    return _tables(
        crank=(np.array(starts), np.array(times), np.array(pressures), np.array(lost)),
        advances=np.array(advances),
        rng=rng,
        before_s=still_s + crank_s,
        still_after_s=still_after_s,
        noise=(noise_deg, outliers, step_deg),
        mark=mark,
        source=source,
    )


def _tables(
    *,
    crank: tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray],
    advances: np.ndarray,
    rng: np.random.Generator,
    before_s: float,
    still_after_s: float,
    noise: tuple[float, float, float],
    mark: bool,
    source: AdvanceFrom,
) -> Made:
    """Cycle table and background from what the crank did, moved to a clock from 0."""
    starts, times, pressures, lost = crank
    noise_deg, outliers, step_deg = noise
    count, cylinders = times.shape
    edge_s = before_s + starts[0] + np.concatenate([[0.0], np.cumsum(times)])
    edge_deg = np.arange(len(edge_s)) * 720.0 / cylinders
    # The stroke of place s acts where its slot ends; its spark is early by the advance and by
    # the way from top dead centre to where the torque is.
    top_deg = np.arange(count + 1) * 720.0 + 720.0 / cylinders - TORQUE_DEG
    ahead = np.append(advances, advances[-1])
    spark_s = np.interp(top_deg - ahead, edge_deg, edge_s)
    mark_s = np.interp(np.arange(2 * count + 1) * 360.0 + top_deg[0] - MARK_DEG, edge_deg, edge_s)
    level = np.concatenate([pressures.ravel()[:1], pressures.ravel()])
    area = np.concatenate([[0.0], np.cumsum(0.5 * (level[1:] + level[:-1]) * np.diff(edge_s))])
    parts = spark_s[:-1, None] + np.diff(spark_s)[:, None] * np.linspace(0, 1, cylinders + 1)
    slots = np.diff(np.interp(parts, edge_s, area), axis=1) / np.diff(parts, axis=1)
    keep = np.diff(spark_s) > 1e-3
    keep[-1] = False  # its end lies beyond the run
    n = int(keep.sum())
    advances, lost, slots = advances[keep], lost[keep], slots[keep]
    start_us = np.round(spark_s[:-1][keep] * 1e6).astype(np.int64)
    end_us = np.append(start_us[1:], round(float(spark_s[:-1][~keep][-1]) * 1e6))
    alpha = advances + noise_deg * rng.standard_normal(n)
    if step_deg:
        alpha = np.round(alpha / step_deg) * step_deg
    bad = rng.random(n) < outliers
    alpha = np.where(bad, alpha + rng.uniform(-40, 40, n), alpha)
    if source == AdvanceFrom.NONE:
        alpha = np.full(n, np.nan)
    turns = np.diff(mark_s).reshape(-1, 2)[keep] * 1e6
    rpm = 120e6 / (end_us - start_us)
    flags = np.where(rpm < 350.0, int(CycleFlag.CRANKING), 0).astype(np.uint8)
    cycles = CycleTable(
        start_us=start_us,
        end_us=end_us.astype(np.int64),
        rpm=rpm,
        pressure_kpa=slots.mean(axis=1) + 0.02 * rng.standard_normal(n),
        min_kpa=slots.min(axis=1) - 2.0,
        max_kpa=slots.max(axis=1) + 2.0,
        slot_kpa=slots + 0.05 * rng.standard_normal(slots.shape),
        turn_us=turns if mark else np.full((n, 2), np.nan),
        advance_deg=alpha,
        advance_from=np.full(n, int(source), np.uint8),
        flags=flags,
    )
    total_s = end_us[-1] / 1e6 + still_after_s
    bins = int(np.ceil(total_s / 0.1))
    at = (np.arange(bins) + 0.5) * 0.1
    mean = np.interp(at, edge_s, level, left=BARO_KPA, right=BARO_KPA)
    turning = (at > edge_s[0]) & (at < edge_s[-1])
    swing = np.where(turning, 2.0, 0.05)
    edges = np.arange(bins + 1) * 0.1
    background = Background(
        bin_us=100_000,
        mean_kpa=mean,
        min_kpa=mean - swing,
        max_kpa=mean + swing,
        sparks=np.histogram(start_us / 1e6, edges)[0].astype(np.int32),
        marks=(np.histogram(mark_s, edges)[0] if mark else np.zeros(bins)).astype(np.int32),
    )
    return Made(
        cycles=cycles, background=background, duration_us=round(total_s * 1e6), misfired=lost
    )


@pytest.fixture(name="make_engine")
def _make_engine() -> Callable[..., Made]:
    return make_engine
