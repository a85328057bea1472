"""Sensor scales against data sheets.

Transfer functions and points of three common absolute pressure sensors, supply 5.1 V, from
their makers' data sheets (MPX4115A, MPX4250A seen; MPX4100A from a secondary copy).
"""

import numpy as np
import pytest

from vaclog.cards import BodySensor, PressureSensor
from vaclog.signals.scales import PressureScale, body_deg

SUPPLY_V = 5.1
SHEETS = [
    # gain per kPa, offset (both of the supply), then kPa → volts
    pytest.param(
        0.009, -0.095, [(15, 0.204), (40, 1.3515), (100, 4.1055), (115, 4.794)], id="4115"
    ),
    pytest.param(0.004, -0.04, [(20, 0.204), (40, 0.612), (100, 1.836), (250, 4.896)], id="4250"),
    pytest.param(
        0.01059, -0.1518, [(20, 0.306), (40, 1.3862), (100, 4.6267), (105, 4.8968)], id="4100"
    ),
]
STEP_KPA = {0.009: 0.109, 0.004: 0.244, 0.01059: 0.092}  # 10-bit step, recomputed


@pytest.mark.parametrize(("gain", "offset", "points"), SHEETS)
def test_data_sheet_points(gain: float, offset: float, points: list[tuple[float, float]]) -> None:
    scale = PressureScale(PressureSensor(gain_per_kpa=gain, offset=offset), 10)
    for kpa, volts in points:
        counts = volts / SUPPLY_V * 1024 - 0.5  # the middle of a converter's step
        # The sheet's worked points are rounded to 1e-4 V.
        assert scale.kpa(counts) == pytest.approx(kpa, abs=1e-4 / SUPPLY_V / gain + 1e-9)
    assert scale.kpa(1.0) - scale.kpa(0.0) == pytest.approx(STEP_KPA[gain], abs=5e-4)


def test_converter_of_more_bits_reads_the_same_pressure() -> None:
    sensor = PressureSensor()
    ten, twelve = PressureScale(sensor, 10), PressureScale(sensor, 12)
    assert twelve.kpa(4 * 300 + 1.5) == pytest.approx(ten.kpa(300.0), abs=1e-9)


@pytest.mark.parametrize("bits", [8, 10, 12, 16])
def test_rails_are_the_ends_of_the_scale(bits: int) -> None:
    scale = PressureScale(PressureSensor(), bits)
    top = (1 << bits) - 1
    assert scale.at_rail(np.array([0, top])).all()
    # 4 % and 96 % of the supply are where working sensors stop (the sheets above).
    assert not scale.at_rail(np.array([0.04 * top, 0.5 * top, 0.96 * top])).any()


def test_one_degree_of_body_is_two_of_the_crank() -> None:
    sensor = BodySensor(deg_per_count=0.3, anchor_counts=512.0, anchor_deg=10.0)
    np.testing.assert_allclose(body_deg(sensor, np.array([512.0, 522.0])), [10.0, 16.0])
    turned = BodySensor(deg_per_count=0.3, sign=-1, anchor_counts=512.0, anchor_deg=10.0)
    np.testing.assert_allclose(body_deg(turned, np.array([522.0])), [4.0])
