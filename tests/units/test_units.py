"""Units against outside values: NIST SP 811, scipy, pint, ISO 2533, fluids, ambiance."""

from __future__ import annotations

import math

import ambiance
import fluids.atmosphere
import numpy as np
import pint
import pytest
import scipy.constants
from hypothesis import given
from hypothesis import strategies as st

from vaclog import units

# NIST SP 811:2008, App. B.8: pascals per unit (inHg and mmHg "conventional", 0 degC).
NIST_PA = {"inHg": 3386.389, "mmHg": 133.3224, "psi": 6894.757, "mbar": 100.0, "kPa": 1000.0}
PINT_NAME = {"inHg": "inch_Hg_32F", "mmHg": "mmHg", "psi": "psi", "mbar": "mbar", "kPa": "kPa"}

# ISO 2533:1975 / ICAO Doc 7488, pressure over geometric height.
ISO_2533 = {
    0: 101325.00,
    500: 95461.29,
    1000: 89876.28,
    1500: 84559.67,
    2000: 79501.41,
    3000: 70121.14,
}

finite = st.floats(min_value=-1e6, max_value=1e6)


@pytest.mark.parametrize("unit", units.PRESSURE_UNITS)
def test_pressure_against_nist(unit: units.PressureUnit) -> None:
    assert units.to_kpa(1.0, unit) * 1e3 == pytest.approx(NIST_PA[unit], rel=1e-6)


@pytest.mark.parametrize("unit", units.PRESSURE_UNITS)
def test_pressure_against_pint(unit: units.PressureUnit) -> None:
    registry = pint.UnitRegistry()
    theirs = registry.Quantity(1.0, PINT_NAME[unit]).to("kPa").magnitude
    assert units.to_kpa(1.0, unit) == pytest.approx(theirs, rel=1e-6)


def test_pressure_against_scipy() -> None:
    # scipy's "mmHg" is the torr, 0.14 ppm below the conventional millimetre.
    assert units.to_kpa(1.0, "mmHg") * 1e3 == pytest.approx(scipy.constants.torr, rel=2e-7)
    assert units.to_kpa(1.0, "psi") * 1e3 == pytest.approx(scipy.constants.psi, rel=1e-12)
    assert pytest.approx(scipy.constants.atm, rel=1e-12) == units.SEA_LEVEL_KPA * 1e3
    assert scipy.constants.g == units.STANDARD_GRAVITY


def test_inch_of_mercury_is_the_cold_one() -> None:
    # NIST SP 811: the inch at 60 degF is 3376.85 Pa; a mix-up would be 0.28 %.
    assert abs(units.to_kpa(1.0, "inHg") * 1e3 - 3376.85) > 9


@pytest.mark.parametrize(
    ("vacuum_inhg", "absolute_kpa"), [(17, 43.756), (18, 40.370), (20, 33.597), (22, 26.824)]
)
def test_vacuum_below_the_standard_atmosphere(vacuum_inhg: float, absolute_kpa: float) -> None:
    vacuum = units.to_kpa(float(vacuum_inhg), "inHg")
    assert units.absolute_kpa(vacuum, 101.325) == pytest.approx(absolute_kpa, abs=6e-4)
    assert units.vacuum_kpa(absolute_kpa, 101.325) == pytest.approx(vacuum, abs=6e-4)


def test_unit_names_are_found_in_any_case() -> None:
    assert units.pressure_unit(" INHG") == "inHg"
    assert units.pressure_unit("kpa") == "kPa"
    with pytest.raises(ValueError, match=r"furlong.*inHg, kPa, mbar, mmHg, psi"):
        units.pressure_unit("furlong")


@pytest.mark.parametrize(("height_m", "pressure_pa"), ISO_2533.items())
def test_standard_atmosphere_against_iso_2533(height_m: int, pressure_pa: float) -> None:
    assert units.standard_atmosphere_kpa(height_m) * 1e3 == pytest.approx(pressure_pa, abs=0.05)


@given(st.floats(min_value=-900, max_value=10_900))
def test_standard_atmosphere_against_two_libraries(height_m: float) -> None:
    ours_pa = units.standard_atmosphere_kpa(height_m) * 1e3
    assert ours_pa == pytest.approx(float(ambiance.Atmosphere(height_m).pressure[0]), abs=0.05)
    assert ours_pa == pytest.approx(fluids.atmosphere.ATMOSPHERE_1976(height_m).P, abs=0.05)


def test_first_thousand_feet_cost_about_an_inch() -> None:
    # "About 1 inHg per 1000 ft", common practice; 1.066 recomputed from ISO 2533.
    lost = units.standard_atmosphere_kpa(0) - units.standard_atmosphere_kpa(304.8)
    assert units.from_kpa(lost, "inHg") == pytest.approx(1.066, abs=5e-4)


@pytest.mark.parametrize("height_m", [-1001.0, 11_001.0, math.nan, math.inf])
def test_standard_atmosphere_refuses_what_no_road_reaches(height_m: float) -> None:
    with pytest.raises(ValueError, match="altitude"):
        units.standard_atmosphere_kpa(height_m)


def test_one_degree_of_body_is_two_of_crank() -> None:
    # Four-stroke: the distributor turns at half the speed of the crank.
    assert units.crank_from_body_deg(1.0) == 2.0
    assert units.body_from_crank_deg(2.0) == 1.0


def test_a_crank_degree_on_a_rim() -> None:
    # pi * 32 mm / 180 / 2 = 0.279 mm of rim per crank degree.
    assert units.rim_mm(units.body_from_crank_deg(1.0), 32.0) == pytest.approx(0.2793, abs=1e-4)
    assert units.rim_mm(360.0, 32.0) == pytest.approx(2 * math.pi * 32.0)


def test_speed_and_time_at_850_rpm() -> None:
    # 850 rpm is 5.1 deg/ms; one cycle is four firing intervals of 35.294 ms of four cylinders.
    assert units.deg_from_us(1000.0, 850.0) == pytest.approx(5.1, rel=1e-12)
    assert units.cycle_us_from_rpm(850.0) / 4 == pytest.approx(35_294.1, abs=0.1)
    assert 1e6 / units.cycle_us_from_rpm(850.0) == pytest.approx(7.083, abs=5e-4)
    # 50 us of pickup delay: a quarter of a degree at 850 rpm, a degree at 3400.
    assert units.deg_from_us(50.0, 850.0) == pytest.approx(0.255)
    assert units.deg_from_us(50.0, 3400.0) == pytest.approx(1.02)


@pytest.mark.parametrize(
    ("cylinders", "degrees", "percent"),
    [(4, 45, 50), (4, 50, 55.56), (6, 38, 63.33), (8, 28, 62.22)],
)
def test_dwell(cylinders: int, degrees: float, percent: float) -> None:
    # Dwell % = angle x cylinders / 360 (common practice).
    assert units.dwell_percent(float(degrees), cylinders) == pytest.approx(percent, abs=5e-3)
    assert units.dwell_deg(float(percent), cylinders) == pytest.approx(degrees, abs=5e-3)


@given(value=finite, unit=st.sampled_from(units.PRESSURE_UNITS))
def test_pressure_round_trip(value: float, unit: units.PressureUnit) -> None:
    assert units.from_kpa(units.to_kpa(value, unit), unit) == pytest.approx(value, rel=1e-12)


@given(value=finite, rpm=st.floats(min_value=50, max_value=12_000))
def test_angle_and_time_are_inverse(value: float, rpm: float) -> None:
    assert units.us_from_deg(units.deg_from_us(value, rpm), rpm) == pytest.approx(value, rel=1e-12)
    assert units.rpm_from_cycle_us(units.cycle_us_from_rpm(rpm)) == pytest.approx(rpm, rel=1e-12)


@given(degrees=finite, radius=st.floats(min_value=5, max_value=100))
def test_rim_round_trip(degrees: float, radius: float) -> None:
    there = units.rim_mm(degrees, radius)
    assert units.body_deg_from_rim(there, radius) == pytest.approx(degrees, rel=1e-12)


def test_arrays_pass_through() -> None:
    pressures = np.array([10.0, 20.0])
    assert units.from_kpa(units.to_kpa(pressures, "psi"), "psi") == pytest.approx(pressures)
    assert units.deg_from_us(np.array([1000.0]), np.array([850.0])) == pytest.approx([5.1])


def test_seconds_and_microseconds() -> None:
    assert units.s_from_us(1_500_000) == 1.5
    assert units.us_from_s(0.1 + 0.2) == 300_000
