"""Which cycles enter the hill fit, which may be judged for misfire, and the last idle."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from vaclog.analysis.findings import Phase
from vaclog.analysis.phases.find import find_phases
from vaclog.analysis.phases.usable import ISLAND, idle_cycles, idle_state, usable_cycles
from vaclog.cards import EngineCard
from vaclog.signals.tables import AdvanceFrom, CycleFlag

CARD = EngineCard(centrifugal=((1000.0, 0.0), (3000.0, 20.0)))
Maker = Callable[..., Any]
SWEEP = [(0, 10), (100, 10), (124, 34), (130, 34), (154, 10), (260, 10)]


def use_of(made: Any) -> tuple[np.ndarray, list[Phase]]:
    phases, sweeps = find_phases(made.cycles, made.background, CARD, made.duration_us)
    return usable_cycles(made.cycles, phases, sweeps, CARD), phases


def test_a_minute_around_the_sweeps(make_engine: Maker) -> None:
    made = make_engine(SWEEP)
    use, _ = use_of(made)
    at_s = made.cycles.start_us[use] / 1e6
    assert at_s.min() == pytest.approx(40.0, abs=1.5)
    assert at_s.max() == pytest.approx(214.0, abs=1.5)
    inside = (made.cycles.start_us > 45e6) & (made.cycles.start_us < 210e6)
    assert use[inside].mean() > 0.99


def test_start_blip_and_what_settles_after_them_stay_out(make_engine: Maker) -> None:
    made = make_engine(
        [(0, 10), (40, 10), (60, 30), (80, 30)],
        throttle=[(0, 1), (20, 1), (20.2, 12), (21, 12), (21.2, 1)],
        still_s=3.0,
        crank_s=2.0,
        warm=0.2,
        run_down=True,
    )
    use, phases = use_of(made)
    kinds = {p.kind for p in phases}
    assert {"still", "cranking", "blip", "advancing", "hold"} <= kinds
    cycles = made.cycles
    for phase in phases:
        inside = (cycles.start_us >= phase.start_us) & (cycles.start_us < phase.end_us)
        if phase.kind in ("cranking", "blip", "stall"):
            assert not use[inside].any()
        if phase.kind == "advancing":
            assert use[inside].mean() > 0.95
    blip = next(p for p in phases if p.kind == "blip")
    after = (cycles.start_us >= blip.end_us) & (cycles.start_us < blip.end_us + 3_500_000)
    assert not use[after].any()


def test_spoilt_cycles_strays_and_islands_stay_out(make_engine: Maker) -> None:
    made = make_engine(SWEEP, noise_deg=0.3)
    cycles = made.cycles
    cycles.flags[500] |= np.uint8(CycleFlag.GAP)
    cycles.flags[510] |= np.uint8(CycleFlag.RAIL)
    cycles.advance_deg[520] = 70.0
    cycles.advance_deg[530] = np.nan
    # Between two holes of the wire only a few cycles are left.
    cycles.flags[600:610] |= np.uint8(CycleFlag.GAP)
    cycles.flags[610 + ISLAND - 2 : 630] |= np.uint8(CycleFlag.GAP)
    use, _ = use_of(made)
    assert not use[[500, 510, 520, 530]].any()
    assert use[[499, 501, 509, 511, 519, 521]].all()
    assert not use[600:630].any()


def test_a_break_makes_islands_too(make_engine: Maker) -> None:
    made = make_engine(SWEEP)
    made.cycles.flags[[900, 900 + ISLAND - 1]] |= np.uint8(CycleFlag.AFTER_BREAK)
    use, _ = use_of(made)
    assert not use[900 : 900 + ISLAND - 1].any()
    assert use[899]
    assert use[900 + ISLAND - 1]


def test_nothing_usable_without_advance_or_cycles(make_engine: Maker) -> None:
    made = make_engine([(0, 10), (60, 10)], source=AdvanceFrom.NONE)
    use, phases = use_of(made)
    assert not use.any()
    assert idle_cycles(made.cycles, phases).mean() > 0.9  # misfire needs no advance


def test_idle_cycles_leave_drives_and_starts_out(make_engine: Maker) -> None:
    made = make_engine(
        [(0, 10), (60, 10)],
        throttle=[(0, 1), (20, 1), (24, 4), (26, 30), (36, 30), (37, 1)],
        road=[(0, 0), (20, 0), (24, 0.5), (26, 0.9), (36, 0.7), (37, 0)],
        still_s=2.0,
        crank_s=1.5,
    )
    phases, _ = find_phases(made.cycles, made.background, CARD, made.duration_us)
    use = idle_cycles(made.cycles, phases)
    at_s = made.cycles.start_us / 1e6 - 3.5
    assert not use[(at_s < 2.0) | ((at_s > 21.5) & (at_s < 39.0))].any()
    assert use[(at_s > 10.0) & (at_s < 17.0)].all()  # the last moments before a throttle opens
    assert use[(at_s > 45.0)].all()


def test_last_idle_is_of_the_last_hold(make_engine: Maker) -> None:
    made = make_engine([(0, 10), (20, 10), (40, 30), (70, 30)], noise_deg=0.5, outliers=0.02)
    _, phases = use_of(made)
    idle, start_us, end_us = idle_state(made.cycles, phases)
    assert idle.angle_deg == pytest.approx(30.0, abs=0.2)
    rows = made.cycles.start_us > 50e6
    assert idle.rpm == pytest.approx(float(np.mean(made.cycles.rpm[rows])), rel=0.01)
    assert idle.pressure_kpa == pytest.approx(
        float(np.mean(made.cycles.pressure_kpa[rows])), rel=0.01
    )
    assert idle.vacuum_kpa is None
    assert start_us > 45e6  # at most the last twenty seconds
    assert end_us == phases[-1].end_us


def test_too_short_a_last_hold_gives_way(make_engine: Maker) -> None:
    made = make_engine([(0, 10), (20, 10), (30, 20), (50, 20)])
    phases = [
        Phase(kind="hold", start_us=0, end_us=20_000_000),
        Phase(kind="advancing", start_us=20_000_000, end_us=49_500_000),
        Phase(kind="hold", start_us=49_500_000, end_us=50_000_000),
    ]
    idle, _, end_us = idle_state(made.cycles, phases)
    assert end_us == 20_000_000
    assert idle.angle_deg == pytest.approx(10.0, abs=0.3)


def test_an_engine_that_never_idled_has_no_idle(make_engine: Maker) -> None:
    made = make_engine([(0, 10), (10, 10)])
    stood = [Phase(kind="still", start_us=0, end_us=10_000_000)]
    idle, start_us, end_us = idle_state(made.cycles, stood)
    assert (idle.rpm, idle.pressure_kpa, idle.angle_deg) == (None, None, None)
    assert (start_us, end_us) == (0, 0)
