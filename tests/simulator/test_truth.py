"""The truth beside the bytes."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from vaclog.simulator import BodyRig, EngineSpec, HillSpec, MisfireSpec, RigSpec, simulate
from vaclog.simulator.engine import Engine
from vaclog.simulator.presets import knobs, preset
from vaclog.simulator.truth import make_truth


def test_truth_of_the_default_sweep(sweep_record):
    truth = sweep_record.truth
    assert truth.peak_deg == pytest.approx(24.0, abs=0.15)
    assert truth.peak_rig_deg == truth.peak_deg
    assert truth.bracketed
    assert truth.swept_low_deg == pytest.approx(10.0, abs=0.4)
    assert truth.swept_high_deg == pytest.approx(34.0, abs=0.4)
    best = truth.curve_deg[np.nanargmin(truth.curve_kpa)]
    assert best == pytest.approx(truth.peak_deg, abs=0.3)
    assert truth.peak_kpa == pytest.approx(np.nanmin(truth.curve_kpa), abs=0.1)
    assert truth.curve_rpm[np.nanargmin(truth.curve_kpa)] == np.nanmax(truth.curve_rpm)
    assert 0.006 < truth.curvature_kpa_deg2 < 0.012
    assert truth.efficiency_per_deg2 == pytest.approx(3e-4, rel=2e-3)
    assert truth.lopsided == pytest.approx(0.2, abs=0.03)
    assert truth.barometer_kpa == 101.3


def test_phases_partition_the_record(visit):
    spans = visit.truth.phases
    assert spans[0].start_s == 0.0
    assert spans[-1].end_s == pytest.approx(visit.trace.time_s[-1], abs=0.03)
    assert all(a.end_s == b.start_s for a, b in pairwise(spans))
    kinds = {s.kind for s in spans}
    assert kinds == {
        "still", "cranking", "warming", "blip", "hold", "advancing", "retarding",
        "running", "load", "stall",
    }  # fmt: skip


def test_wrong_mark_and_delay_shift_the_rigs_own_scale(idle_engine, long_idle):
    def offset(**rig):
        return make_truth(idle_engine, long_idle, RigSpec(**rig)).rig_offset_deg

    assert offset() == 0.0
    assert offset(mark_deg=20.0, declared_mark_deg=23.0) == 3.0
    # 100 µs at about 890 rpm is half a degree; a late spark reads retarded
    assert offset(delay_us=100.0) == pytest.approx(-0.53, abs=0.02)
    assert offset(delay_us=100.0, declared_delay_us=100.0) == 0.0
    assert offset(mark=False, body=BodyRig(strobe_error_deg=-1.5)) == -1.5


def test_misfires_name_slot_and_cylinder():
    got = preset("weak-cylinder").simulate(3)
    truth = got.truth
    assert len(truth.misfire_s) > 3
    assert set(truth.misfire_slot.tolist()) == {3}
    assert set(truth.misfire_cylinder.tolist()) == {4}  # 1-3-4-2: the third to fire
    at = np.searchsorted(truth.spark_s, truth.misfire_s)
    assert (truth.spark_slot[at] == 3).all()
    assert (truth.work_j[at] == 0).all()


def test_misfire_beyond_an_onset_lowers_the_mean_peak():
    plain = EngineSpec(hill=HillSpec(kind="parabola"))
    ill = replace(plain, misfire=MisfireSpec(onset_deg=20.0, per_deg=0.01))
    got = simulate(ill, preset("one-way").script, RigSpec(), 1).truth
    assert got.peak_deg == pytest.approx(24.0, abs=0.15)
    # 1 - 3e-4 x2 times 1 - 0.01 (a - 20): by hand the top is where 6e-4 x = -0.01 → at the kink
    assert got.peak_misfiring_deg == pytest.approx(20.0, abs=0.25)
    late = replace(plain, misfire=MisfireSpec(onset_deg=30.0))
    got = simulate(late, preset("one-way").script, RigSpec(), 1).truth
    assert got.peak_misfiring_deg == pytest.approx(got.peak_deg, abs=0.06)


def test_short_sweep_is_not_bracketed():
    truth = preset("not-reached").simulate(1).truth
    assert not truth.bracketed
    assert truth.swept_high_deg < truth.peak_deg - 5.0


def test_information_bound_against_monte_carlo(sweep_record):
    """Fit relative torque of every event with all nuisances; its scatter is the bound."""
    truth = sweep_record.truth
    use = truth.in_phases("hold", "advancing", "retarding", "warming")
    x, t = truth.spark_advance_deg[use] - truth.peak_deg, truth.spark_s[use]
    t = (t - t.mean()) / (t - t.mean()).max()
    late = np.maximum(x, 0.0)
    rng = np.random.default_rng(9)
    k = truth.efficiency_per_deg2
    design = np.stack([np.ones_like(x), x, -(x**2), -(late**2), t], axis=1)
    prior_rows = np.zeros((1, 5))
    prior_rows[0, 3] = truth.scatter / (0.17 * k)  # lopsidedness 0 ± 0.17
    whole = np.vstack([design, prior_rows])
    solve = np.linalg.pinv(whole)
    tops = []
    for _ in range(400):
        y = 1.0 - k * x**2 + truth.scatter * rng.standard_normal(len(x))
        c = solve @ np.append(y, truth.scatter * rng.standard_normal())
        tops.append(c[1] / (2 * c[2]))  # small shift: top of the retard side's parabola
    assert np.std(tops) == pytest.approx(truth.information_bound_deg(), rel=0.15)


def test_information_bound_against_the_plain_formula():
    """sigma sqrt(12) / (2 c L sqrt n) for a centred uniform sweep and nothing else unknown."""
    got = knobs(peak_deg=24.0, low_deg=14.0, high_deg=34.0, hill="parabola").simulate(2)
    truth = got.truth
    bound = truth.information_bound_deg(drift=False, free_lopsided=1e-6)
    use = truth.in_phases("hold", "advancing", "retarding")
    x = truth.spark_advance_deg[use]
    plain = 0.06 * np.sqrt(12) / (2 * 3e-4 * 20.0 * np.sqrt(use.sum()))
    assert 0.5 * plain < bound < 1.05 * plain  # holds at the ends tell more than a uniform sweep
    spread = 0.06 / (2 * 3e-4 * x.std() * np.sqrt(use.sum()))
    assert bound == pytest.approx(spread, rel=0.1)
    assert truth.information_bound_deg() > bound


def test_events_with_no_sweep_bound_nothing(idle_engine, long_idle):
    assert make_truth(idle_engine, long_idle, RigSpec()).information_bound_deg() > 20.0


def test_dead_angles_are_nan():
    spec = EngineSpec(hill=HillSpec(k_per_deg2=9e-4))
    engine = Engine(spec)
    assert engine.steady(55.0) is None
    truth = simulate(spec, preset("one-way").script, RigSpec(), 1).truth
    assert np.isnan(truth.curve_kpa[-1])
    assert np.isfinite(truth.curve_kpa[40])
