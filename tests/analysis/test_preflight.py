"""Numbers of the pre-flight: against engines made by formula and the simulator's own truth."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from vaclog.analysis.findings import Phase
from vaclog.analysis.preflight import find_checks, sweep_u_deg, trend
from vaclog.cards import engine_card, rig_card
from vaclog.records import Chunk
from vaclog.result import Checks, Result
from vaclog.session import Session
from vaclog.signals.tables import Background, CycleTable
from vaclog.simulator.drive import CanisterSpec, DriveSpec
from vaclog.simulator.engine import EngineSpec
from vaclog.simulator.presets import preset
from vaclog.simulator.recording import simulate
from vaclog.simulator.rig import RigSpec
from vaclog.simulator.script import Blip, Hold, Script, Segment, Start, Still, Turn, Warm

BASE = preset("there-and-back")
ENGINE = replace(BASE.engine, idle_deg=10.0)
BLIP = Blip(throttle=0.3, open_s=0.6)


def played(
    *segments: Segment, engine: EngineSpec = ENGINE, rig: RigSpec = BASE.rig, seed: int = 1
) -> Result:
    """The result of a script, from the bytes of the wire."""
    made = simulate(engine, Script(start_deg=10.0, segments=segments), rig, seed)
    session = Session(engine=engine_card(made.engine_card_toml), rig=rig_card(made.rig_card_toml))
    for at_us, data in made.chunks:
        session.feed(Chunk(at_us=at_us, data=data))
    return session.finish()


def checked(*segments: Segment, **how: object) -> Checks:
    """Its checks."""
    checks = played(*segments, **how).checks  # type: ignore[arg-type]
    assert checks is not None
    return checks


@pytest.fixture(scope="module")
def sound() -> Checks:
    """Key on, a long pull of the starter, idle, a blip, idle."""
    return checked(
        Still(seconds=4.0),
        Start(dry_s=3.0),
        Warm(seconds=6.0),
        Hold(seconds=60.0),
        BLIP,
        Hold(seconds=10.0),
    )


def test_a_still_engine_reads_the_open_air(sound: Checks) -> None:
    """The simulator's barometer, within its sensor's noise."""
    assert sound.still_kpa == pytest.approx(ENGINE.barometer_kpa, abs=0.15)
    assert sound.still_s == pytest.approx(4.0, abs=0.3)
    # Samples of 0.15 kPa sigma a millisecond apart: the range of a hundred is about 5 sigma (order
    # statistics of the normal law), plus the converter's step of 0.24 kPa.
    assert sound.still_noise_kpa is not None and 0.4 < sound.still_noise_kpa < 1.3
    assert sound.rail_per_thousand == 0.0


def test_the_starter_turns_and_draws(sound: Checks) -> None:
    """Speed and vacuum of a starter as common practice has them, and no jump of the sensor."""
    assert sound.cranking_s == pytest.approx(3.2, abs=0.8)
    assert sound.cranking_rpm is not None and 120 < sound.cranking_rpm < 320
    assert sound.cranking_vacuum_kpa is not None and sound.cranking_vacuum_kpa > 5.0
    assert sound.cranking_rise_kpa is not None and sound.cranking_rise_kpa < 1.0


def test_an_open_throttle_draws_nothing_on_the_starter(sound: Checks) -> None:
    """An engine that leaks at the starter shows less vacuum."""
    leaking = replace(ENGINE, fault=replace(ENGINE.fault, starter_air=3.0))
    checks = checked(Still(seconds=4.0), Start(dry_s=3.0), Hold(seconds=12.0), engine=leaking)
    assert checks.cranking_vacuum_kpa is not None and sound.cranking_vacuum_kpa is not None
    assert checks.cranking_vacuum_kpa < 0.6 * sound.cranking_vacuum_kpa


def test_the_idle_is_the_engines(sound: Checks) -> None:
    """Speed, pressure and vacuum of the specified idle; no trend within its uncertainty."""
    assert sound.idle_rpm == pytest.approx(850.0, abs=8.0)
    assert sound.idle_kpa == pytest.approx(40.0, abs=0.6)
    assert sound.idle_vacuum_kpa == pytest.approx(61.3, abs=0.7)
    assert sound.rpm_slope_per_min is not None and sound.u_rpm_slope_per_min is not None
    assert abs(sound.rpm_slope_per_min) < 3 * sound.u_rpm_slope_per_min


def test_a_warming_engine_is_seen() -> None:
    """Friction that falls raises the speed: a trend well beyond its uncertainty."""
    cold = replace(ENGINE, cold_friction=0.3, warm_s=60.0)
    checks = checked(Start(), Hold(seconds=50.0), engine=cold)
    slope, u_slope = checks.rpm_slope_per_min, checks.u_rpm_slope_per_min
    assert slope is not None and u_slope is not None
    assert slope > 3 * u_slope and slope > 17.0  # 2 % of 850 rpm


def test_a_trend_is_unbiased_and_its_uncertainty_honest() -> None:
    """Correlated noise (AR(1), phi 0.8) on a known slope, 300 series: 95 % of the intervals hold
    it, as Student's t with the batches' freedom says."""
    rng = np.random.default_rng(5)
    n, slope = 420, 0.3
    at_s = np.arange(n) / 7.0
    held, slopes = 0, []
    for _ in range(300):
        noise = np.zeros(n)
        for k, kick in enumerate(rng.standard_normal(n)):
            noise[k] = 0.8 * noise[k - 1] + 3.0 * kick
        found, u_found, _ = trend(at_s, slope * at_s + noise)
        slopes.append(found)
        held += abs(found - slope) < 2.06 * u_found  # t(0.975, 24)
    assert np.mean(slopes) == pytest.approx(slope, abs=3 * np.std(slopes) / math.sqrt(300))
    assert held / 300 > 0.90  # batches of 16 leave a little correlation


def test_the_precision_of_a_sweep_is_foretold() -> None:
    """The design formula s sqrt(12) / (2 c L sqrt(n)) by hand, and a real sweep of the simulator.

    By hand: torque noise 3 %, c 3e-4, L 20 degrees, 850 cycles: 0.03 * 3.464 / (2 * 3e-4 * 20 *
    29.15) = 0.297, half as wide again 0.446.
    """
    assert sweep_u_deg(0.03 * 0.8, 850.0) == pytest.approx(0.446, abs=0.002)
    turn = Turn(to_deg=34.0, rate_deg_s=0.8), Turn(to_deg=14.0, rate_deg_s=0.8)
    result = played(Hold(seconds=30.0), *turn, Hold(seconds=8.0))
    assert result.checks is not None and result.checks.sweep_u_deg is not None
    # About 55 s of turning instead of two minutes.
    foretold = result.checks.sweep_u_deg * math.sqrt(120.0 / 55.0)
    assert result.peak.u_deg is not None
    assert 0.5 < foretold / result.peak.u_deg < 2.0


@pytest.mark.parametrize(
    ("canister", "stick_deg", "seen"),
    [
        (None, 0.0, "not seen"),
        (None, 2.0, "not seen"),
        (CanisterSpec(fed="manifold"), 0.0, "at idle"),
        (CanisterSpec(fed="manifold"), 2.0, "at idle"),
    ],
)
def test_a_vacuum_advance_that_is_still_on_is_seen(
    canister: CanisterSpec | None, stick_deg: float, seen: str
) -> None:
    """It lets go as the throttle opens; weights, sticking or not, only ever add."""
    engine = replace(ENGINE, canister=canister, weights_stick_deg=stick_deg)
    checks = checked(Hold(seconds=12.0), BLIP, Hold(seconds=8.0), engine=engine)
    assert checks.follows_vacuum == seen, checks


def test_where_it_cannot_be_seen_nothing_is_said() -> None:
    """Without a mark, without a blip, with sparks that stray."""
    short = Hold(seconds=10.0), BLIP, Hold(seconds=4.0)
    assert checked(*short, rig=replace(BASE.rig, mark=False)).follows_vacuum is None
    assert checked(Hold(seconds=12.0)).follows_vacuum is None
    worn = replace(ENGINE, drive=DriveSpec(play_deg=1.5))
    assert checked(*short, engine=worn).follows_vacuum is None


@pytest.mark.parametrize("moved_deg", [0.0, -1.2])
def test_what_moved_in_between_is_measured(moved_deg: float) -> None:
    """The last idle against the first, within three standard uncertainties."""
    checks = checked(
        Hold(seconds=18.0), Turn(to_deg=10.0 + moved_deg, rate_deg_s=2.0), Hold(seconds=18.0)
    )
    assert checks.moved_deg is not None and checks.u_moved_deg is not None
    assert checks.u_moved_deg < 0.15
    assert abs(checks.moved_deg - moved_deg) < 3 * checks.u_moved_deg + 0.05


def test_an_empty_capture_has_no_numbers() -> None:
    """Nothing recorded, nothing said; a still engine says only what it shows."""
    nothing = np.zeros(0)
    cycles = CycleTable(
        start_us=nothing.astype(np.int64),
        end_us=nothing.astype(np.int64),
        rpm=nothing,
        pressure_kpa=nothing,
        min_kpa=nothing,
        max_kpa=nothing,
        slot_kpa=np.zeros((0, 4)),
        turn_us=np.zeros((0, 2)),
        advance_deg=nothing,
        advance_from=nothing.astype(np.uint8),
        flags=nothing.astype(np.uint8),
    )
    bins = np.full(40, 99.0)
    background = Background(
        bin_us=100_000,
        mean_kpa=bins,
        min_kpa=bins - 0.2,
        max_kpa=bins + 0.2,
        sparks=np.zeros(40, np.int32),
        marks=np.zeros(40, np.int32),
    )
    still = Phase(kind="still", start_us=0, end_us=4_000_000)
    checks = find_checks(cycles, background, [still], barometer_kpa=99.0)
    assert checks == Checks(still_kpa=99.0, still_noise_kpa=pytest.approx(0.4), still_s=4.0)
