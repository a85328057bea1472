"""Lines in the slow spectrum of an idle."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal
from sign_cases import case, idle, remembering

from vaclog.analysis.signs.evidence import gather
from vaclog.analysis.signs.hunting import STEP_S, find_hunting, strongest

GRID = 80  # 20 s


def stretches(rng: np.random.Generator, count: int, memory: float) -> np.ndarray:
    """Rows of an idle's relative speed that wanders and nothing else."""
    return np.stack([remembering(rng, GRID, memory, 0.006) for _ in range(count)])


def test_a_line_has_its_frequency_size_and_phase() -> None:
    """2 % at 0.35 Hz, pressure 0.5 kPa and 160 degrees ahead; scipy's periodogram agrees."""
    rng = np.random.default_rng(1)
    t = np.arange(GRID) * STEP_S
    speed = stretches(rng, 3, 0.6) + 0.02 * np.sin(2 * np.pi * 0.35 * t + 0.4)
    kpa = 40.0 + 0.5 * np.sin(2 * np.pi * 0.35 * t + 0.4 + np.radians(160.0)) + 0 * speed
    swing = strongest(np.arange(3.0), speed, kpa)
    assert swing is not None
    hz, power = signal.periodogram(speed, fs=1 / STEP_S, detrend="linear", axis=1)
    assert abs(swing.hz - hz[int(np.argmax(power.sum(axis=0)))]) <= 0.5 * hz[1]
    assert swing.hz == pytest.approx(0.35, abs=0.01)
    assert swing.p < 1e-5
    assert swing.percent == pytest.approx(2.0, abs=3 * swing.u_percent + 0.05)
    assert swing.kpa == pytest.approx(0.5, rel=0.02)
    assert swing.phase_deg == pytest.approx(160.0, abs=8.0)


@pytest.mark.parametrize("memory", [0.0, 0.5, 0.8])
@pytest.mark.parametrize("count", [1, 3])
def test_false_alarms_of_an_idle_that_only_remembers(memory: float, count: int) -> None:
    """400 draws of a first-order process: p below 0.01 in at most 2.5 % of them."""
    rng, alarms = np.random.default_rng(7), 0
    for _ in range(400):
        speed = stretches(rng, count, memory)
        swing = strongest(np.arange(float(count)), speed, speed)
        assert swing is not None
        alarms += swing.p < 0.01
    assert alarms <= 10


@pytest.mark.parametrize(("ahead_deg", "word"), [(170.0, "pull"), (10.0, "air swings")])
def test_the_phase_orders_the_candidates(ahead_deg: float, word: str) -> None:
    """Pressure against speed: torque swings. With it: air does."""
    rng = np.random.default_rng(3)
    slots = idle(rng)
    t = np.arange(len(slots)) * 120.0 / 850.0
    rpm = 850.0 * (1.0 + 0.025 * np.sin(2 * np.pi * t / 3.0) + 0.004 * rng.standard_normal(len(t)))
    slots += 0.8 * np.sin(2 * np.pi * t / 3.0 + np.radians(ahead_deg))[:, None]
    sign = find_hunting(gather(case(slots, rpm=rpm)))
    assert sign is not None
    assert word in sign.candidates[0].text
    assert sign.candidates[0].basis == "separated by data"
    assert sign.number == pytest.approx(2.5, abs=0.4)


def test_a_small_line_is_no_sign() -> None:
    """Half a per cent is below what an ear notices, however sure it is."""
    rng = np.random.default_rng(3)
    slots = idle(rng)
    t = np.arange(len(slots)) * 120.0 / 850.0
    rpm = 850.0 * (1.0 + 0.005 * np.sin(2 * np.pi * t / 3.0) + 5e-4 * rng.standard_normal(len(t)))
    evidence = gather(case(slots, rpm=rpm))
    assert find_hunting(evidence) is None
