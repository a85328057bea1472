"""Pinking heard in made sound: band, place, score, suspicion, and what cannot be heard."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import signal, stats
from scipy.special import jnp_zeros

from tests.analysis.road.made_drive import MadeDrive, made_drive
from tests.analysis.road.made_sound import MadeSound, Phone, make_sound
from vaclog.analysis.misfire.find import roc_area
from vaclog.analysis.road.align import align
from vaclog.analysis.road.band import FIRST_ZERO, knock_band, ringing_hz, side_bands
from vaclog.analysis.road.hear import Recording, beats_of, hear
from vaclog.analysis.road.knock import _energy, score, threshold
from vaclog.analysis.road.loads import find_loads
from vaclog.analysis.road.strokes import Strokes, strokes_of
from vaclog.cards import EngineCard
from vaclog.result import Hearing

CARD = EngineCard(cylinders=4, firing_order=(1, 3, 4, 2), bore_mm=80.0)


@pytest.mark.parametrize(
    ("bore_mm", "c_m_s", "hz"),
    # 1.841 c / (pi B), Draper 1938, by hand: 1.841 x 950 / (3.14159 x 0.080) = 6958.8.
    [(80.0, 950.0, 6958.8), (68.0, 900.0, 7756.0), (100.0, 1000.0, 5860.1), (92.0, 950.0, 6051.1)],
)
def test_the_pitch_is_draper_s(bore_mm: float, c_m_s: float, hz: float) -> None:
    assert ringing_hz(bore_mm, c_m_s) == pytest.approx(hz, rel=2e-4)


def test_the_zero_is_bessel_s_and_the_band_runs_over_the_temperatures() -> None:
    """Outside check: scipy's own zero of the derivative of J1."""
    assert pytest.approx(float(jnp_zeros(1, 1)[0]), abs=1e-9) == FIRST_ZERO
    band = knock_band(80.0)
    zero = float(jnp_zeros(1, 1)[0])
    assert band.low_hz == pytest.approx(zero * 900.0 / (math.pi * 0.08))
    assert band.high_hz == pytest.approx(zero * 1000.0 / (math.pi * 0.08))
    # The second mode (zero of J2') lies above the upper side band: it must not count against.
    _, above = side_bands(band, 48_000)
    assert above.high_hz < float(jnp_zeros(2, 1)[0]) / zero * band.low_hz
    assert len(side_bands(band, 16_000)) == 1


def test_energy_in_a_band_is_a_tone_s_power() -> None:
    """A tone inside counts half its amplitude squared, one outside next to nothing."""
    rate_hz, n = 48_000, 48_000
    t = np.arange(n) / rate_hz
    tones = 0.2 * np.sin(2 * np.pi * 6950.0 * t) + 0.5 * np.sin(2 * np.pi * 3000.0 * t)
    total = _energy(tones, rate_hz, knock_band(80.0))
    middle = total[36_000] - total[12_000]
    assert middle / 24_000 == pytest.approx(0.02, rel=0.02)
    # Another way to the same number: the periodogram's bins in the band.
    hz, power = signal.periodogram(tones, rate_hz)
    inside = (hz > 6593.0) & (hz < 7326.0)
    assert middle / 24_000 == pytest.approx(power[inside].sum() * (hz[1] - hz[0]), rel=0.02)


def test_strokes_beat_at_rpm_over_120_a_cylinder() -> None:
    """850 rpm: 7.083 Hz a cylinder, a four-cylinder fires each 35.294 ms."""
    drive = made_drive()
    idle = strokes_of(drive.cycles, 0, 20, CARD)
    assert np.diff(idle.top_s) == pytest.approx(0.035294, abs=2e-5)
    number_one = idle.top_s[idle.slot == 0]
    assert 1.0 / np.diff(number_one).mean() == pytest.approx(7.083, abs=0.002)
    # Top dead centre comes the advance after the spark: 10 degrees at 5.1 degrees a millisecond.
    spark_s = drive.cycles.start_us[0] / 1e6
    assert number_one[0] - spark_s == pytest.approx(10.0 / 5100.0, rel=1e-3)


def test_the_threshold_is_a_rate() -> None:
    """One in a minute of 6000 strokes is one in 6000; and chance keeps to it on plain noise."""
    assert threshold(1.0, 6000.0) == pytest.approx(math.log10(6000.0))
    rng = np.random.default_rng(8)
    rate_hz, n = 48_000, 6000
    strokes = Strokes(
        top_s=0.5 + np.arange(n) * 0.01,
        rpm=np.full(n, 3000.0),
        slot=np.arange(n) % 4,
        row=np.arange(n) // 4,
    )
    noise = rng.standard_normal(round(61.0 * rate_hz))
    found = score(noise, rate_hz, strokes, band=knock_band(80.0), cylinders=4)
    for scores in (found.pinking, found.elsewhere):
        # Reduced by the side bands, so at most the rate that the law gives.
        assert stats.binomtest(int((scores > 2.0).sum()), n, 0.01, alternative="greater").pvalue > (
            1e-3
        )
        assert (scores > 1.0).mean() > 0.01
    assert len(beats_of(found, strokes)[0]) <= 3


def test_roc_area_of_two_normals() -> None:
    """Outside check: equal-variance normals d' apart have an area of Phi(d'/sqrt 2)."""
    rng = np.random.default_rng(4)
    for apart in (1.0, 2.0):
        area = roc_area(apart + rng.standard_normal(4000), rng.standard_normal(4000))
        assert area == pytest.approx(stats.norm.cdf(apart / math.sqrt(2.0)), abs=0.012)


def sounded(
    drive: MadeDrive,
    seed: int,
    card: EngineCard = CARD,
    *,
    phone: Phone | None = None,
    **knock: float,
) -> MadeSound:
    """The sound of a drive."""
    every = strokes_of(drive.cycles, 0, len(drive.cycles), card)
    return make_sound(
        every.top_s,
        every.rpm,
        every.slot,
        drive.cycles.pressure_kpa[every.row] > 90.0,
        rng=np.random.default_rng(seed),
        phone=phone,
        **knock,  # type: ignore[arg-type]
    )


def listen(
    drive: MadeDrive,
    sound: MadeSound,
    card: EngineCard = CARD,
    *,
    hint_s: float | None = None,
    lossy: bool = False,
) -> Hearing:
    recording = Recording(
        file="drive.wav", rate_hz=sound.rate_hz, samples=sound.samples, lossy=lossy
    )
    loads = find_loads(drive.cycles, drive.phases)
    return hear(recording, drive.cycles, loads, card, hint_s=hint_s)


@pytest.fixture(scope="module")
def drive() -> MadeDrive:
    return made_drive()


@pytest.mark.parametrize(("cylinders", "snr_db"), [(4, 12.0), (6, 12.0), (8, 12.0)])
def test_pinking_raises_suspicion(cylinders: int, snr_db: float) -> None:
    """One stroke in twenty rings: most of them are found, and the place within the stated error."""
    made = made_drive(cylinders=cylinders)
    card = EngineCard(cylinders=cylinders, bore_mm=80.0)
    sound = sounded(made, 3, card, knock_share=0.05, snr_db=snr_db)
    told = listen(made, sound, card)
    assert told.why_not is None
    (run,) = told.runs
    assert run.suspicious
    assert 0.3 * sound.knocked.sum() <= run.beats <= 1.3 * sound.knocked.sum()
    assert abs(run.offset_s - sound.offset_s) < 3.0 * run.u_offset_s < 0.006
    assert run.expected_false == pytest.approx(8.0 / 60.0, rel=0.03)
    assert run.rpm is not None and 1800.0 < run.rpm < 3800.0
    assert all(made.pull_us[0] < at * 1e6 < made.pull_us[1] + 1e4 for at in run.times_s)


@pytest.mark.parametrize("seed", range(4))
def test_without_pinking_nothing_stands_out(drive: MadeDrive, seed: int) -> None:
    told = listen(drive, sounded(drive, 100 + seed))
    (run,) = told.runs
    assert not run.suspicious and run.beats <= 2


def test_the_cylinder_is_named(drive: MadeDrive) -> None:
    """All in the third firing place, which is cylinder 4 of this order."""
    sound = sounded(drive, 5, knock_share=0.25, snr_db=15.0, only_slot=2)
    (run,) = listen(drive, sound).runs
    assert run.suspicious and run.cylinder == 4
    (spread,) = listen(drive, sounded(drive, 5, knock_share=0.1, snr_db=15.0)).runs
    assert spread.suspicious and spread.cylinder is None


def test_where_no_bore_load_or_pitch_is_known_nothing_is_said(drive: MadeDrive) -> None:
    sound = sounded(drive, 6, knock_share=0.1, snr_db=15.0)
    told = listen(drive, sound, replace(CARD, bore_mm=None))
    assert told.why_not is not None and "bore_mm" in told.why_not and not told.runs
    recording = Recording(file="x", rate_hz=sound.rate_hz, samples=sound.samples)
    assert "no full load" in str(hear(recording, drive.cycles, [], CARD).why_not)
    # Another bore: what rings at 7 kHz says nothing at 5 kHz.
    (other,) = listen(drive, sound, replace(CARD, bore_mm=110.0)).runs
    assert not other.suspicious


def test_a_phone_that_cuts_the_pitch_off_is_found_out(drive: MadeDrive) -> None:
    """Sampled too slowly, or filtered for speech; silence is not taken for a clean engine."""
    slow = sounded(drive, 7, phone=Phone(rate_hz=12_000))
    assert "ends at 5.4 kHz" in str(listen(drive, slow).why_not)
    speech = sounded(drive, 7, knock_share=0.1, snr_db=15.0, phone=Phone(lowpass_hz=4000.0))
    told = listen(drive, speech)
    assert "holds nothing at 6.6 to 7.3 kHz" in str(told.why_not) and not told.runs


def test_clipping_and_lossy_formats_are_remarked(drive: MadeDrive) -> None:
    loud = sounded(drive, 8, knock_share=0.05, snr_db=15.0, phone=Phone(clip_share=10.0))
    told = listen(drive, loud, lossy=True)
    assert told.runs[0].suspicious
    assert any("too loud" in text for text in told.warnings)
    assert any("leaves out" in text for text in told.warnings)


def test_a_recording_of_something_else_is_not_placed(drive: MadeDrive) -> None:
    """Noise, or another drive: a reason, and no runs."""
    rng = np.random.default_rng(9)
    noise = MadeSound(
        samples=(0.05 * rng.standard_normal(48_000 * 20)).astype(np.float32),
        rate_hz=48_000,
        offset_s=0.0,
        drift_ppm=0.0,
        knocked=np.zeros(0, bool),
        full_level=1.0,
    )
    told = listen(drive, noise)
    assert "beat of the strokes was not found" in str(told.why_not) and not told.runs
    other = made_drive(from_rpm=2600.0, to_rpm=3300.0, pull_s=12.0)
    assert listen(drive, sounded(other, 9)).runs == ()


def test_a_start_that_is_known_narrows_the_search(drive: MadeDrive) -> None:
    sound = sounded(drive, 10, knock_share=0.05, snr_db=15.0)
    assert listen(drive, sound, hint_s=-7.0).runs
    assert not listen(drive, sound, hint_s=-40.0).runs


def test_two_pulls_are_placed_apart_when_clocks_drift() -> None:
    """60 ppm over eleven seconds: each run has its own offset, and a missing one is named."""
    made = made_drive(pulls=2)
    sound = sounded(made, 11, knock_share=0.05, snr_db=12.0, phone=Phone(drift_ppm=60.0))
    assert [run.load for run in listen(made, sound).runs] == [1, 2]
    short = replace(sound, samples=sound.samples[: 48_000 * 21])  # ends between the pulls
    # The pulls are alike, so that half of the sound fits either; who knows the start knows which.
    assert "fits at two places" in str(listen(made, short).why_not)
    told = listen(made, short, hint_s=-7.0)
    assert [run.load for run in told.runs] == [1]
    assert told.warnings == ("The recording does not cover full load 2.",)


def test_a_level_speed_cannot_be_placed(drive: MadeDrive) -> None:
    """Without a rise of speed each stroke fits as well as the next."""
    level = made_drive(from_rpm=2500.0, to_rpm=2500.0)
    loads = find_loads(level.cycles, level.phases)
    runs = [strokes_of(level.cycles, load.first, load.last, CARD) for load in loads]
    sound = sounded(level, 12)
    found = align(sound.samples.astype(np.float64), sound.rate_hz, runs)
    assert found.why_not is not None or found.runs[0] is None
