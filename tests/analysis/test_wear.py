"""Scatter of the spark, its reading taken off, and the cylinders against each other."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy import stats

from vaclog.analysis.phases.find import find_phases
from vaclog.analysis.wear.advance_scatter import AdvanceScatter, advance_scatter
from vaclog.analysis.wear.reading_noise import tick_us, timing_deg, turn_scatter, walk_gain
from vaclog.analysis.wear.slots import spacing
from vaclog.cards import EngineCard, engine_card, rig_card
from vaclog.records import Chunk
from vaclog.result import Result, faults
from vaclog.session import Session
from vaclog.signals.chain import SignalChain
from vaclog.signals.tables import AdvanceFrom, CycleTable
from vaclog.simulator import DriveSpec, EngineSpec, Recording, RigSpec, Script, simulate
from vaclog.simulator.script import Blip, Hold
from vaclog.wire.detect import StreamDecoder

PLAIN = EngineSpec(spark_jitter_deg=0.0)
HOLD = Script(segments=(Hold(seconds=30.0),))
REVVED = Script(
    segments=(
        Hold(seconds=15.0),
        Blip(throttle=0.08, rise_s=10.0, open_s=2.0, most_rpm=3600.0),
        Hold(seconds=5.0),
    )
)
LOBES = (0.0, 1.5, -0.8, 0.4)


@cache
def recorded(engine: EngineSpec, script: Script, rig: RigSpec, seed: int = 4) -> Recording:
    return simulate(engine, script, rig, seed)


@cache
def tables(engine: EngineSpec, script: Script, rig: RigSpec, seed: int = 4) -> tuple:
    """Cycles, phases and rig card, through bytes."""
    made = recorded(engine, script, rig, seed)
    card, rig_of = engine_card(made.engine_card_toml), rig_card(made.rig_card_toml)
    chain, decoder = SignalChain(card, rig_of), StreamDecoder()
    chain.feed([*decoder.feed(made.text), *decoder.finish()])
    chain.finish()
    cycles = chain.cycles()
    phases, _ = find_phases(cycles, chain.background(), card, chain.report().duration_us)
    return cycles, phases, rig_of


def scattered(engine: EngineSpec, rig: RigSpec | None = None, seed: int = 4) -> AdvanceScatter:
    found = advance_scatter(*tables(engine, HOLD, rig or RigSpec(), seed))
    assert found is not None
    return found


# --- what reading makes ----------------------------------------------------------------------


def test_the_tick_is_told_from_the_times() -> None:
    times = np.arange(100, dtype=np.int64) ** 2 * 4 + 3
    assert tick_us(times) == 4.0
    assert tick_us(times * 2) == 8.0
    assert tick_us(np.arange(100, dtype=np.int64) ** 2) == 1.0
    assert tick_us(times[:5]) == 1.0


def test_a_coarse_tick_makes_its_rectangles_scatter() -> None:
    """Two edges of 64 µs steps at 850 rpm: 5.1° a millisecond (checks of the trade: 850 rpm)."""
    coarse, fine = timing_deg(850.0, 64.0)[0], timing_deg(850.0, 1.0)[0]
    assert math.sqrt(coarse**2 - fine**2) == pytest.approx(
        5.1e-3 * 64 * math.sqrt(2 / 12), rel=1e-3
    )


@pytest.mark.parametrize(("cylinders", "mark_deg"), [(4, 0), (4, 45), (6, 20), (8, 60)])
def test_the_walk_of_speed_reads_as_its_model_says(cylinders: int, mark_deg: int) -> None:
    """Against random strokes, their times integrated anew, and the reading by polynomials."""
    rng = np.random.default_rng(cylinders * 100 + mark_deg)
    advance, spacing_deg = 14.0, 720.0 / cylinders
    fine = np.arange(-1080.0, 720.0, 0.25)
    read, turns = [], []
    for _ in range(400):
        strokes = np.arange(-3 * cylinders, 2 * cylinders) * spacing_deg
        speed = np.ones(len(fine))
        for stroke in strokes:
            speed += 2e-3 * rng.standard_normal() * np.clip((fine - stroke) / 60.0, 0.0, 1.0)
        time = np.concatenate([[0.0], np.cumsum(0.25 / speed)[:-1]])
        last = math.floor((-advance + mark_deg) / 360.0) * 360.0 - mark_deg
        marks = last + np.array([-360.0, 0.0, 360.0])
        at = np.interp(marks, fine, time)
        # The parabola through three marks, by numpy's own fit.
        angle = np.polyval(
            np.polyfit(at - at[1], marks, 2), np.interp(-advance, fine, time) - at[1]
        )
        read.append(angle + advance)
        turns.append((at[2] - at[1] - (at[1] - at[0])) / (at[2] - at[1]))
    expected = np.std(read) / np.std(turns)
    assert walk_gain(cylinders, mark_deg, 14) == pytest.approx(expected, rel=0.12)


def test_one_turn_always_longer_is_no_scatter() -> None:
    rng = np.random.default_rng(1)
    turn = 70_000.0 * np.ones((500, 2)) * (1.0 + 0.01 * np.array([1.0, -1.0]))
    turn *= 1.0 + 0.002 * rng.standard_normal((500, 2))
    assert turn_scatter(turn) == pytest.approx(0.002 * math.sqrt(2.0), rel=0.12)
    assert math.isnan(turn_scatter(turn[:5]))


# --- scatter of No. 1 ------------------------------------------------------------------------


@pytest.mark.parametrize("mark_deg", [0.0, 20.0, 45.0])
def test_a_steady_spark_is_not_called_unsteady(mark_deg: float) -> None:
    """All that is read is reading: the interval reaches down to nothing."""
    found = scattered(PLAIN, RigSpec(mark_deg=mark_deg))
    assert found.low_deg < 0.02
    assert found.high_deg < 0.12
    assert found.real_deg < 0.06


@pytest.mark.parametrize("jitter_deg", [0.2, 0.5, 1.0])
def test_the_scatter_of_the_distributor_is_within_its_interval(jitter_deg: float) -> None:
    engine = replace(PLAIN, spark_jitter_deg=jitter_deg)
    held = 0
    for seed in (4, 5, 6):
        found = scattered(engine, RigSpec(mark_deg=0.0), seed)
        held += found.low_deg < jitter_deg < found.high_deg
        assert found.high_deg - found.low_deg < 0.3 * jitter_deg
    assert held >= 2


def test_a_slow_tick_is_taken_off() -> None:
    """A logger of 64 µs steps; the spark itself is steady."""
    found = scattered(PLAIN, RigSpec(tick_ns=64_000, sample_period_us=2048))
    assert found.total_deg > 0.1
    assert found.low_deg < 0.05
    assert found.sensor_deg == pytest.approx(found.total_deg, rel=0.25)


def test_every_other_spark_and_a_wander_are_told_apart() -> None:
    """A precessing shaft alternates; a wandering one does not."""
    rng_spark = replace(PLAIN, spark_jitter_deg=0.2)
    plain = scattered(rng_spark)
    assert plain.alternate_deg < 4.0 * plain.u_alternate_deg
    turns = scattered(replace(rng_spark, drive=DriveSpec(alternate_deg=0.3)))
    assert abs(turns.alternate_deg - 0.3) < 3.0 * turns.u_alternate_deg
    wander = scattered(replace(rng_spark, drive=DriveSpec(wander_deg=0.5)))
    assert wander.slow_deg > 0.25
    assert wander.slow_deg > 2.0 * plain.slow_deg
    assert wander.alternate_deg < 4.0 * wander.u_alternate_deg


def test_weights_that_move_at_idle_are_seen_in_the_slope() -> None:
    """22 degrees in 2000 rpm from below idle: 1.1° for 100 rpm."""
    engine = replace(PLAIN, centrifugal=((500.0, 0.0), (2500.0, 22.0)), hunt_depth=0.03)
    _, (slope, u) = scattered(engine).slopes
    assert abs(slope - 1.1) < 3.0 * u
    assert slope > 5.0 * u
    _, (none, u_none) = scattered(replace(PLAIN, hunt_depth=0.03)).slopes
    assert abs(none) < max(4.0 * u_none, 0.15)


def test_without_a_mark_or_a_hold_there_is_no_scatter() -> None:
    cycles, phases, rig = tables(PLAIN, HOLD, RigSpec())
    assert advance_scatter(cycles, phases, rig_card("")) is None
    assert advance_scatter(cycles, [], rig) is None
    body = replace(cycles, advance_from=np.full(len(cycles), int(AdvanceFrom.BODY), np.uint8))
    assert advance_scatter(body, phases, rig) is None


def test_disturbed_pulses_are_no_play() -> None:
    """Single readings far off, one of them seen only when the first are out."""
    cycles, phases, rig = tables(replace(PLAIN, spark_jitter_deg=0.2), HOLD, RigSpec())
    plain = scattered(replace(PLAIN, spark_jitter_deg=0.2))
    odd = cycles.advance_deg.copy()
    odd[[40, 90, 91, 130]] += (9.0, -4.0, 3.0, 1.4)
    found = advance_scatter(replace(cycles, advance_deg=odd), phases, rig)
    assert found is not None
    assert plain.cycles - 4 <= found.cycles < plain.cycles
    assert found.real_deg == pytest.approx(plain.real_deg, rel=0.1)


def test_more_scatter_is_more_by_brown_and_forsythe_too() -> None:
    """scipy.stats.levene about the median on the advances themselves (the same raw data)."""
    before = tables(replace(PLAIN, spark_jitter_deg=0.2), HOLD, RigSpec())[0].advance_deg
    after = tables(replace(PLAIN, spark_jitter_deg=0.4), HOLD, RigSpec(), 5)[0].advance_deg
    assert stats.levene(before, after, center="median").pvalue < 1e-4
    one = scattered(replace(PLAIN, spark_jitter_deg=0.2))
    two = scattered(replace(PLAIN, spark_jitter_deg=0.4), None, 5)
    assert two.low_deg > one.high_deg


# --- cylinders against each other ------------------------------------------------------------


def test_lobes_are_found_with_and_without_a_rev_up() -> None:
    """Cylinders that pull unlike each other move the sparks too; a rev-up tells the two apart."""
    engine = replace(
        PLAIN, spark_jitter_deg=0.2, lobe_deg=LOBES, imbalance=(1.05, 0.95, 1.03, 0.97)
    )
    rig = RigSpec(coil_lead=True)
    held = spacing(*tables(engine, HOLD, rig)[:2])
    revved = spacing(*tables(engine, REVVED, rig)[:2])
    assert held is not None
    assert revved is not None
    for found in (held, revved):
        off = np.abs(found.ahead_deg - np.array(LOBES))
        assert np.all(off < 3.0 * found.u_ahead_deg + 0.05)
    assert revved.u_ahead_deg[1:].max() < 0.5 * held.u_ahead_deg[1:].max()
    assert not held.uneven


def test_even_lobes_are_not_called_worn() -> None:
    found = spacing(
        *tables(replace(PLAIN, spark_jitter_deg=0.3), REVVED, RigSpec(coil_lead=True))[:2]
    )
    assert found is not None
    assert np.abs(found.ahead_deg).max() < 0.15
    assert found.ahead_deg[0] == 0.0


def test_a_weak_cylinder_is_seen_and_is_no_lobe() -> None:
    engine = replace(PLAIN, spark_jitter_deg=0.2, imbalance=(1.0, 1.0, 0.7, 1.0))
    found = spacing(*tables(engine, REVVED, RigSpec(coil_lead=True))[:2])
    assert found is not None
    assert np.abs(found.ahead_deg).max() < 0.25
    assert int(np.argmin(found.pull_percent)) in (2, 3)  # its own interval, or the one it leads to
    assert (
        found.pull_percent.min() < -3.0 * found.u_pull_percent[int(np.argmin(found.pull_percent))]
    )


def hand_made(ahead: tuple[float, ...], cycles: int = 60) -> CycleTable:
    """A perfectly even crank at 900 rpm with sparks where they are said to be."""
    slots = len(ahead)
    period = 133_333
    start = np.arange(cycles, dtype=np.int64) * period
    turned = (720.0 / slots * np.arange(slots) - np.array(ahead)) / 720.0 * period
    rng = np.random.default_rng(2)
    n = np.full(cycles, np.nan)
    return CycleTable(
        start_us=start,
        end_us=start + period,
        rpm=np.full(cycles, 900.0),
        pressure_kpa=np.full(cycles, 40.0),
        min_kpa=n,
        max_kpa=n,
        slot_kpa=np.full((cycles, slots), 40.0),
        turn_us=np.full((cycles, 2), np.nan),
        advance_deg=n,
        advance_from=np.full(cycles, int(AdvanceFrom.NONE), np.uint8),
        flags=np.zeros(cycles, np.uint8),
        coil_us=np.round(turned + 10.0 * rng.standard_normal((cycles, slots))),
    )


@pytest.mark.parametrize("ahead", [(0.0, 45.0), (0.0, 30.0, 0.0, 30.0, 0.0, 30.0)])
def test_an_odd_firing_engine_is_uneven_by_design(ahead: tuple[float, ...]) -> None:
    """A V-twin at 45 degrees, and six cylinders at 90/150: nobody wears a lobe by that."""
    found = spacing(hand_made(ahead), [])
    assert found is not None
    assert found.uneven
    assert np.allclose(found.ahead_deg, ahead, atol=0.1)
    worn = spacing(hand_made((0.0, 2.0, -1.0, 0.5)), [])
    assert worn is not None
    assert not worn.uneven


def test_no_coil_lead_no_spacing() -> None:
    assert spacing(*tables(PLAIN, HOLD, RigSpec())[:2]) is None
    assert spacing(hand_made((0.0,)), []) is None
    assert spacing(hand_made((0.0, 1.0), cycles=20), []) is None


# --- put together ----------------------------------------------------------------------------


def concluded(made: Recording, card: EngineCard | None = None) -> Result:
    session = Session(
        capture="c",
        engine=card or engine_card(made.engine_card_toml),
        rig=rig_card(made.rig_card_toml),
    )
    session.feed(Chunk(at_us=None, data=made.text))
    result = session.finish()
    assert faults(result) == []
    return result


def test_the_cap_is_judged_on_the_earliest_cylinder() -> None:
    """Cylinder 3 is 1.5 degrees ahead: the maximum total is that much lower at No. 1."""
    rig = RigSpec(coil_lead=True)
    worn = concluded(recorded(replace(PLAIN, lobe_deg=LOBES, spark_jitter_deg=0.2), REVVED, rig))
    even = concluded(recorded(replace(PLAIN, spark_jitter_deg=0.2), REVVED, rig))
    assert worn.scatter is not None
    assert worn.scatter.earliest_cylinder == 3
    assert worn.scatter.ahead_deg == pytest.approx(1.5, abs=0.15)
    lower = (
        dict(even.hill.limits_deg)["maximum total"] - dict(worn.hill.limits_deg)["maximum total"]
    )
    assert lower == pytest.approx(1.5, abs=0.3)
    assert "earliest cylinder" in dict(worn.advice.limits_why)["maximum total"]
    assert [slot.cylinder for slot in worn.scatter.slots] == [1, 3, 4, 2]


@pytest.mark.parametrize(("pickup", "named"), [("no1", True), ("wasted", False), ("coil", False)])
def test_cylinders_are_named_only_where_no_1_is_known(pickup: str, named: bool) -> None:
    """A crank mark passes twice a cycle: it cannot tell No. 1 from its companion."""
    rig = RigSpec(pickup=pickup, coil_lead=pickup != "coil")  # type: ignore[arg-type]
    result = concluded(recorded(replace(PLAIN, lobe_deg=LOBES, spark_jitter_deg=0.2), HOLD, rig))
    assert result.scatter is not None
    assert result.scatter.ahead_deg is not None
    assert all((slot.cylinder is not None) == named for slot in result.scatter.slots)
    assert result.scatter.spread_deg == pytest.approx(2.3, abs=0.7)
