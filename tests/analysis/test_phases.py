"""Phases and sweeps against captures whose truth is known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from vaclog.analysis.findings import Phase
from vaclog.analysis.phases.excursions import find_excursions
from vaclog.analysis.phases.find import find_phases
from vaclog.analysis.phases.hand import find_sweeps
from vaclog.cards import EngineCard
from vaclog.signals.tables import AdvanceFrom, Background, CycleTable

CARD = EngineCard(centrifugal=((1000.0, 0.0), (3000.0, 20.0)))
KINDS = {
    "still",
    "cranking",
    "warming",
    "hold",
    "advancing",
    "retarding",
    "blip",
    "load",
    "stall",
    "running",
}
Maker = Callable[..., Any]


def spans(made: Any, card: EngineCard = CARD) -> list[tuple[str, float, float]]:
    phases, _ = find_phases(made.cycles, made.background, card, made.duration_us)
    return [(p.kind, p.start_us / 1e6, p.end_us / 1e6) for p in phases]


def kinds(made: Any, card: EngineCard = CARD) -> list[str]:
    return [kind for kind, _, _ in spans(made, card)]


def assert_partition(phases: list[Phase], duration_us: int) -> None:
    assert phases[0].start_us == 0
    assert phases[-1].end_us == duration_us
    for before, after in pairwise(phases):
        assert before.end_us == after.start_us
        assert before.kind != after.kind
    assert all(p.end_us > p.start_us and p.kind in KINDS for p in phases)


THERE_AND_BACK = [(0, 10), (20, 10), (44, 34), (50, 34), (74, 10), (90, 10)]


@pytest.mark.parametrize("noise_deg", [0.2, 1.0])
def test_two_way_sweep_edges_within_a_second(make_engine: Maker, noise_deg: float) -> None:
    made = make_engine(THERE_AND_BACK, noise_deg=noise_deg, outliers=0.01)
    phases, sweeps = find_phases(made.cycles, made.background, CARD, made.duration_us)
    assert [p.kind for p in phases] == ["hold", "advancing", "hold", "retarding", "hold"]
    assert [s.direction for s in sweeps] == ["advancing", "retarding"]
    edges = [s.start_us / 1e6 for s in sweeps] + [s.end_us / 1e6 for s in sweeps]
    assert edges == pytest.approx([20, 50, 44, 74], abs=1.0)


@pytest.mark.parametrize(
    ("rate", "noise_deg"), [(0.3, 0.5), (0.3, 1.0), (1.0, 1.0), (4.0, 0.3), (4.0, 1.0)]
)
def test_slow_and_fast_sweeps(make_engine: Maker, rate: float, noise_deg: float) -> None:
    seconds = 16.0 / rate
    made = make_engine(
        [(0, 12), (15, 12), (15 + seconds, 28), (30 + seconds, 28)], noise_deg=noise_deg, seed=3
    )
    _, sweeps = find_phases(made.cycles, made.background, CARD, made.duration_us)
    assert len(sweeps) == 1
    # The line's corner cannot be better than its noise over its slope.
    tolerance = 1.0 + 0.4 * noise_deg / rate
    assert sweeps[0].start_us / 1e6 == pytest.approx(15.0, abs=tolerance)
    assert sweeps[0].end_us / 1e6 == pytest.approx(15.0 + seconds, abs=tolerance)


def test_turning_round_at_once_has_no_hold_between(make_engine: Maker) -> None:
    made = make_engine([(0, 10), (15, 10), (39, 34), (63, 10), (80, 10)], noise_deg=0.5)
    assert kinds(made) == ["hold", "advancing", "retarding", "hold"]
    assert spans(made)[1][2] == pytest.approx(39.0, abs=0.5)


def test_nudge_and_wait_is_one_sweep_of_steps_and_holds(make_engine: Maker) -> None:
    corners = [(0.0, 10.0)]
    at, angle = 15.0, 10.0
    for _ in range(6):
        corners += [(at, angle), (at + 0.6, angle + 2.5)]
        at, angle = at + 7.5, angle + 2.5
    corners += [(at + 10.0, angle)]
    made = make_engine(corners, noise_deg=0.7, step_deg=0.6)
    phases, sweeps = find_phases(made.cycles, made.background, CARD, made.duration_us)
    steps = [p for p in phases if p.kind == "advancing"]
    assert len(steps) == 6
    for k, step in enumerate(steps):
        assert step.start_us / 1e6 == pytest.approx(15.3 + 7.5 * k, abs=1.0)
    assert {p.kind for p in phases} == {"hold", "advancing"}
    assert len(sweeps) == 1
    assert sweeps[0].start_us / 1e6 == pytest.approx(15.0, abs=1.0)
    assert sweeps[0].end_us / 1e6 == pytest.approx(53.1, abs=1.0)


def test_a_long_wait_between_turns_makes_two_sweeps(make_engine: Maker) -> None:
    made = make_engine([(0, 10), (12, 10), (22, 20), (34, 20), (44, 30), (56, 30)], noise_deg=0.4)
    _, sweeps = find_phases(made.cycles, made.background, CARD, made.duration_us)
    assert [s.direction for s in sweeps] == ["advancing", "advancing"]


@pytest.mark.parametrize("seed", range(6))
def test_a_quiet_hold_is_one_hold(make_engine: Maker, seed: int) -> None:
    # Idling above the start of the weights: they make the advance follow the speed.
    weights = ((700.0, 0.0), (3000.0, 25.0))
    made = make_engine([(0, 10), (180, 10)], noise_deg=0.8, scatter=0.1, curve=weights, seed=seed)
    assert kinds(made, EngineCard(centrifugal=weights)) == ["hold"]


def test_clamp_that_creeps_is_a_hold(make_engine: Maker) -> None:
    made = make_engine([(0, 10), (120, 13)], noise_deg=0.4)
    assert kinds(made) == ["hold"]


def test_coarse_body_sensor_without_any_noise(make_engine: Maker) -> None:
    made = make_engine(
        THERE_AND_BACK, noise_deg=0.0, step_deg=0.6, source=AdvanceFrom.BODY, mark=False
    )
    assert kinds(made) == ["hold", "advancing", "hold", "retarding", "hold"]


def test_start_warm_up_and_run_down(make_engine: Maker) -> None:
    made = make_engine(
        [(0, 10), (60, 10)],
        still_s=4.0,
        crank_s=2.0,
        warm=0.3,
        run_down=True,
        still_after_s=4.0,
    )
    found = spans(made)
    assert [kind for kind, _, _ in found] == [
        "still",
        "cranking",
        "warming",
        "hold",
        "stall",
        "still",
    ]
    starts = {kind: start for kind, start, _ in found if kind != "still"}
    assert starts["cranking"] == pytest.approx(4.0, abs=1.0)
    assert starts["warming"] == pytest.approx(6.5, abs=1.0)
    # Friction fades with 20 s: speed is within 2 % of its end only after half a minute.
    assert 10.0 < starts["hold"] - starts["warming"] < 45.0
    assert starts["stall"] == pytest.approx(66.0, abs=1.0)


def test_blip_and_slow_rev_up(make_engine: Maker) -> None:
    made = make_engine(
        [(0, 10), (50, 10)],
        throttle=[(0, 1), (10, 1), (10.2, 12), (11.2, 12), (11.4, 1), (20, 1), (26, 4), (30, 1)],
    )
    found = spans(made)
    assert [kind for kind, _, _ in found] == ["hold", "blip", "hold", "blip", "hold"]
    assert found[1][1] == pytest.approx(10.0, abs=0.5)
    assert found[1][2] == pytest.approx(13.2, abs=1.0)
    assert found[3][1] == pytest.approx(20.3, abs=0.7)
    _, sweeps = find_phases(made.cycles, made.background, CARD, made.duration_us)
    assert sweeps == []  # the weights moved the advance, no hand did


def test_load_on_the_road_is_not_a_blip(make_engine: Maker) -> None:
    made = make_engine(
        [(0, 10), (60, 10)],
        throttle=[(0, 1), (20, 1), (24, 4), (26, 30), (36, 30), (37, 1)],
        road=[(0, 0), (20, 0), (24, 0.5), (26, 0.9), (36, 0.7), (37, 0)],
    )
    found = spans(made)
    assert "blip" not in [kind for kind, _, _ in found]
    load = next(span for span in found if span[0] == "load")
    assert load[1:] == pytest.approx((24.8, 36.8), abs=1.2)


def test_misfiring_idle_is_no_blip(make_engine: Maker) -> None:
    # Speed falls and pressure swells, but the air that passes the throttle stays the same.
    made = make_engine([(0, 12), (60, 12)], misfire=lambda t, slot, a: 0.12, seed=2)
    assert float(np.ptp(made.cycles.rpm) / np.median(made.cycles.rpm)) > 0.2
    assert kinds(made) == ["hold"]


def test_a_stumble_swells_the_pressure_without_any_throttle() -> None:
    """The air through a choked throttle, speed times pressure, stays: so did the throttle."""
    t_s = np.arange(400) * 0.14
    rpm = 850.0 * (1.0 + 0.01 * np.sin(t_s))
    rpm[200:208] *= 0.8
    rpm[208:216] *= 1.1
    air = 850.0 * 38.0
    assert set(find_excursions(t_s, rpm, air / rpm, barometer_kpa=100.0)) == {""}
    opened = np.full(400, air)
    opened[200:212] *= 1.5
    named = find_excursions(t_s, rpm, opened / rpm, barometer_kpa=100.0)
    assert set(named[200:212]) == {"blip"}
    assert set(named[:195]) == {""}


def test_without_advance_a_steady_idle_is_held_and_no_sweep_is_claimed(
    make_engine: Maker,
) -> None:
    made = make_engine([(0, 15), (60, 15)], source=AdvanceFrom.NONE, mark=False)
    phases, sweeps = find_phases(made.cycles, made.background, CARD, made.duration_us)
    assert sweeps == []
    held = sum(p.end_us - p.start_us for p in phases if p.kind == "hold")
    assert held > 0.8 * made.duration_us
    assert {p.kind for p in phases} <= {"hold", "running"}


def test_without_advance_a_sweep_is_running_at_most(make_engine: Maker) -> None:
    made = make_engine(
        [(0, 0), (20, 0), (60, 26), (80, 26)], source=AdvanceFrom.NONE, scatter=0.03, hill=5e-4
    )
    phases, sweeps = find_phases(made.cycles, made.background, CARD, made.duration_us)
    assert sweeps == []
    moving = [p for p in phases if p.kind == "running"]
    assert any(p.start_us < 35e6 and p.end_us > 25e6 for p in moving)


def test_no_cycles_at_all() -> None:
    nothing = _no_cycles()
    flat = Background(
        bin_us=100_000,
        mean_kpa=np.full(50, 100.0),
        min_kpa=np.full(50, 99.9),
        max_kpa=np.full(50, 100.1),
        sparks=np.zeros(50, np.int32),
        marks=np.zeros(50, np.int32),
    )
    phases, sweeps = find_phases(nothing, flat, EngineCard(), 5_000_000)
    assert [(p.kind, p.start_us, p.end_us) for p in phases] == [("still", 0, 5_000_000)]
    assert sweeps == []
    silent = replace(flat, mean_kpa=np.full(50, np.nan))
    phases, _ = find_phases(nothing, silent, EngineCard(), 5_000_000)
    assert [p.kind for p in phases] == ["running"]  # nothing was heard, nothing is claimed
    assert find_phases(nothing, flat, EngineCard(), 0) == ([], [])


def test_lost_pulses_are_no_stall(make_engine: Maker) -> None:
    made = make_engine([(0, 10), (60, 10)], still_s=3.0, crank_s=1.0)
    cycles = made.cycles
    keep = (cycles.start_us < 30e6) | (cycles.start_us > 36e6)
    names = CycleTable.__slots__
    cut = CycleTable(**{name: getattr(cycles, name)[keep] for name in names})
    cut.flags[np.flatnonzero(np.diff(np.flatnonzero(keep)) > 1) + 1] |= 8
    phases, _ = find_phases(cut, made.background, CARD, made.duration_us)
    assert_partition(phases, made.duration_us)
    assert "stall" not in [p.kind for p in phases]
    hole = next(p for p in phases if p.start_us <= 33e6 < p.end_us)
    assert hole.kind == "running"


def test_holes_in_the_pressure_do_no_harm(make_engine: Maker) -> None:
    made = make_engine(THERE_AND_BACK)
    made.cycles.pressure_kpa[100:140] = np.nan
    assert kinds(made) == ["hold", "advancing", "hold", "retarding", "hold"]


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(first=st.integers(0, 600), length=st.integers(1, 600), seed=st.integers(0, 3))
def test_any_cut_of_a_capture_is_partitioned(
    make_engine: Maker, first: int, length: int, seed: int
) -> None:
    made = _whole_visit(make_engine, seed)
    cycles = made.cycles
    rows = slice(first, first + length)
    cut = CycleTable(**{name: getattr(cycles, name)[rows] for name in CycleTable.__slots__})
    phases, sweeps = find_phases(cut, made.background, CARD, made.duration_us)
    assert_partition(phases, made.duration_us)
    for sweep in sweeps:
        inside = [p for p in phases if sweep.start_us <= p.start_us < sweep.end_us]
        assert inside[0].kind == inside[-1].kind == sweep.direction
        assert inside[0].start_us == sweep.start_us
        assert inside[-1].end_us == sweep.end_us


_VISITS: dict[int, Any] = {}


def _whole_visit(make_engine: Maker, seed: int) -> Any:
    if seed not in _VISITS:
        _VISITS[seed] = make_engine(
            [(0, 10), (20, 10), (32, 34), (34, 34), (46, 10), (60, 10)],
            throttle=[(0, 1), (52, 1), (52.2, 10), (53, 10), (53.2, 1)],
            still_s=3.0,
            crank_s=1.5,
            run_down=True,
            still_after_s=2.0,
            outliers=0.02,
            seed=seed,
        )
    return _VISITS[seed]


def test_sweeps_from_phases() -> None:
    def phase(kind: str, start_s: float, end_s: float) -> Phase:
        return Phase(kind=kind, start_us=int(start_s * 1e6), end_us=int(end_s * 1e6))  # type: ignore[arg-type]

    def passes(*phases: Phase) -> list[tuple[str, float, float]]:
        return [(s.direction, s.start_us / 1e6, s.end_us / 1e6) for s in find_sweeps(phases)]

    steps = (
        phase("advancing", 0, 1),
        phase("hold", 1, 8),
        phase("advancing", 8, 9),
        phase("hold", 9, 16),
        phase("retarding", 16, 17),
    )
    assert passes(*steps) == [("advancing", 0, 9), ("retarding", 16, 17)]
    far = (phase("advancing", 0, 1), phase("hold", 1, 31), phase("advancing", 31, 32))
    assert len(passes(*far)) == 2
    blipped = (phase("advancing", 0, 1), phase("blip", 1, 4), phase("advancing", 4, 5))
    assert len(passes(*blipped)) == 2
    paused = (phase("advancing", 0, 10), phase("hold", 10, 14), phase("advancing", 14, 24))
    assert passes(*paused) == [("advancing", 0, 24)]
    parted = (phase("advancing", 0, 10), phase("hold", 10, 17), phase("advancing", 17, 27))
    assert len(passes(*parted)) == 2


def _no_cycles() -> CycleTable:
    none_i, none_f = np.zeros(0, np.int64), np.zeros(0)
    return CycleTable(
        start_us=none_i,
        end_us=none_i,
        rpm=none_f,
        pressure_kpa=none_f,
        min_kpa=none_f,
        max_kpa=none_f,
        slot_kpa=np.zeros((0, 4)),
        turn_us=np.zeros((0, 2)),
        advance_deg=none_f,
        advance_from=np.zeros(0, np.uint8),
        flags=np.zeros(0, np.uint8),
    )
