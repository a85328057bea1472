"""Hills: their shapes are what their knobs say."""

import numpy as np
import pytest

from vaclog.simulator.closed_cycle import BurnSpec
from vaclog.simulator.hill import Hill, HillSpec

TOP = (890.0, 38.5)


def loss(hill, x, rpm=TOP[0], kpa=TOP[1]):
    return 1.0 - hill(hill.spec.peak_deg + x, rpm, kpa)


@pytest.mark.parametrize("kind", ["parabola", "halves", "cubic"])
def test_retard_side_has_the_curvature_asked_for(kind):
    hill = Hill(HillSpec(kind=kind, k_per_deg2=4.8e-4, lopsided=0.3), *TOP)
    assert loss(hill, 0.0) == 0.0
    expected = 4.8e-4 if kind != "cubic" else 4.8e-4 * (1 - 0.3 * 0.1 / (2.3))
    assert loss(hill, -1.0) == pytest.approx(expected, rel=1e-9)


def test_lopsided_sides_stand_in_their_ratio():
    for kind in ("halves", "cubic"):
        hill = Hill(HillSpec(kind=kind, lopsided=0.3), *TOP)
        assert loss(hill, 10.0) / loss(hill, -10.0) == pytest.approx(1.3)
    assert loss(Hill(HillSpec(kind="parabola"), *TOP), 10.0) == pytest.approx(0.03)


@pytest.mark.parametrize("peak", [17.0, 24.0, 38.0])
@pytest.mark.parametrize("moving", [False, True])
def test_tabulated_hill_peaks_where_asked(peak, moving):
    hill = Hill(HillSpec(kind="tabulated", peak_deg=peak, moving=moving), *TOP)
    assert hill.best_deg(*TOP) == pytest.approx(peak, abs=0.11)
    assert hill(hill.best_deg(*TOP), *TOP) == pytest.approx(1.0, abs=2e-3)
    for x in (-10.0, 10.0):
        assert 2e-4 < loss(hill, x) / 100 < 5.5e-4


def test_tabulated_hill_is_no_parabola_in_pieces():
    """What neither half-parabolas nor a cubic can follow: third differences that change."""
    hill = Hill(HillSpec(kind="tabulated", burn=BurnSpec(wall_factor=0.9)), *TOP)
    x = np.arange(-14.0, 14.1, 0.5)
    y = np.array([loss(hill, v) for v in x])
    cubic = np.polyval(np.polyfit(x, y, 3), x)
    left, right = np.minimum(x, 0), np.maximum(x, 0)
    design = np.stack([np.ones_like(x), left**2, right**2], axis=1)
    halves = design @ np.linalg.lstsq(design, y, rcond=None)[0]
    assert np.abs(y - cubic).max() > 3e-4
    assert np.abs(y - halves).max() > 3e-4


@pytest.mark.parametrize("kind", ["halves", "tabulated"])
def test_best_advance_moves_as_physics_says(kind):
    """Falls with pressure, grows with speed; 0.7–4.9° over an idle's range (computed models)."""
    hill = Hill(HillSpec(kind=kind, moving=True), *TOP)
    at_top = hill.best_deg(*TOP)
    low_speed = hill.best_deg(TOP[0] - 90.0, TOP[1])
    high_pressure = hill.best_deg(TOP[0], TOP[1] + 4.0)
    assert low_speed < at_top - 0.3
    assert high_pressure < at_top - 0.3
    assert 0.7 < at_top - hill.best_deg(TOP[0] - 90.0, TOP[1] + 4.0) < 4.9


def test_still_hill_does_not_move():
    for kind in ("parabola", "halves", "cubic", "tabulated"):
        hill = Hill(HillSpec(kind=kind), *TOP)
        assert hill(15.0, 600.0, 60.0) == hill(15.0, *TOP)


def test_far_out_values_stay_between_none_and_all():
    for kind in ("parabola", "halves", "cubic", "tabulated"):
        hill = Hill(HillSpec(kind=kind, moving=True), *TOP)
        for advance in (-60.0, -20.0, 70.0, 120.0):
            assert 0.0 <= hill(advance, 300.0, 101.0) <= 1.05
