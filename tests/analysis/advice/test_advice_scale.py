"""How well an angle is known, and the peak record that is made with it."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from advice_cases import ENGINE, RIG, hill

from vaclog.analysis.advice.angle_scale import AngleScale, angle_scale, judged_u_deg, peak_record
from vaclog.cards import BodySensor, MarkSensor, RigCard, SparkSensor


def test_mark_parts_add_in_quadrature() -> None:
    rig = RigCard(
        mark=MarkSensor(angle_deg=20.0, u_angle_deg=1.0), spark=SparkSensor(u_delay_us=50)
    )
    scale = angle_scale(engine=ENGINE, rig=rig, source="mark", rpm=850.0, at_deg=20.0)
    parts = dict(scale.parts)
    # 50 us is a quarter of a degree at 850 rpm (5.1 degrees per millisecond).
    assert parts["pickup delay"] == pytest.approx(0.255)
    assert scale.u_deg == pytest.approx(math.sqrt(1.0 + 0.255**2 + 0.5**2 / 3))


def test_far_from_the_mark_is_less_certain() -> None:
    near, far = (
        angle_scale(engine=ENGINE, rig=RIG, source="mark", rpm=850.0, at_deg=at) for at in (10, 40)
    )
    assert near.u_deg is not None
    assert far.u_deg is not None
    # 3 to 5 % of the way to the mark, as a half-width.
    extra = math.sqrt(far.u_deg**2 - near.u_deg**2)
    assert 0.03 * 30 / math.sqrt(3) <= extra <= 0.05 * 30 / math.sqrt(3)


def test_body_rests_on_its_anchor() -> None:
    body = BodySensor(deg_per_count=0.3, anchor_counts=512, anchor_deg=10, u_anchor_deg=1.5)
    scale = angle_scale(engine=ENGINE, rig=RigCard(body=body), source="body", rpm=850.0)
    assert scale.u_deg == pytest.approx(math.hypot(1.5, 0.5 / math.sqrt(3)))
    loose = RigCard(body=replace(body, anchored=False))
    assert angle_scale(engine=ENGINE, rig=loose, source="body", rpm=850.0).u_deg is None


def test_weights_that_move_in_the_sweep_widen_the_body_scale_only() -> None:
    body = BodySensor(deg_per_count=0.3, anchor_counts=512, anchor_deg=10)
    engine = replace(ENGINE, centrifugal=((600.0, 0.0), (1600.0, 10.0)))
    rig = replace(RIG, body=body)
    spread = {
        source: [
            name
            for name, _ in angle_scale(
                engine=engine, rig=rig, source=source, rpm=850.0, swept_rpm=(800, 900)
            ).parts
        ]
        for source in ("mark", "body")
    }
    assert "weights that move unseen" in spread["body"]
    assert "weights that move unseen" not in spread["mark"]


def test_parts_of_a_body_scale_to_the_digit() -> None:
    body = BodySensor(deg_per_count=0.3, anchor_counts=512, anchor_deg=10)
    engine = replace(ENGINE, centrifugal=((600.0, 0.0), (1600.0, 10.0)))
    scale = angle_scale(
        engine=engine,
        rig=RigCard(body=body),
        source="body",
        rpm=850.0,
        at_deg=25.0,
        swept_rpm=(800, 1040),
    )
    parts = dict(scale.parts)
    # A uniform spread of width w has the standard deviation w / sqrt 12 (JCGM 100:2008, 4.3.7).
    assert parts["weights that move unseen"] == pytest.approx(2.4 / math.sqrt(12))
    # 2 % between anchor and place, the project's own assumption.
    assert parts["linearity of the body sensor"] == pytest.approx(0.3)


def test_strobe_readings_are_taken_to_a_degree() -> None:
    scale = angle_scale(engine=ENGINE, rig=RigCard(), source="holds", rpm=850.0)
    assert dict(scale.parts)["strobe readings"] == 1.0  # as for the anchor on the rig card


def test_a_mark_that_is_not_on_the_card_is_taken_at_top_dead_centre() -> None:
    blank = angle_scale(engine=ENGINE, rig=RigCard(), source="mark", rpm=None, at_deg=10.0)
    as_default = angle_scale(
        engine=ENGINE, rig=RigCard(mark=MarkSensor()), source="mark", rpm=None, at_deg=10.0
    )
    assert blank.u_deg == as_default.u_deg
    assert "pickup delay" not in dict(blank.parts)


def test_nothing_ties_no_source_to_the_crank() -> None:
    assert angle_scale(engine=ENGINE, rig=RIG, source="none", rpm=850.0).u_deg is None
    assert judged_u_deg(hill(), AngleScale(source="none", parts=())) is None


def test_the_peak_record() -> None:
    scale = AngleScale(source="mark", parts=(("mark angle", 1.2),))
    peak = peak_record(hill(24.0, u_deg=0.5), scale, 101.0)
    assert peak.found
    assert peak.why_not is None
    assert peak.u_abs_deg == pytest.approx(1.3)  # 5-12-13
    assert peak.low_abs_deg == pytest.approx(24 - 2.6)
    assert peak.high_abs_deg == pytest.approx(24 + 2.6)
    assert peak.pressure_kpa == pytest.approx(40.0, abs=0.01)
    assert peak.vacuum_kpa == pytest.approx(61.0, abs=0.01)
    assert peak.flat_prior_deg == pytest.approx(23.8)


def test_without_barometer_no_vacuum_and_without_scale_no_absolute() -> None:
    peak = peak_record(hill(), AngleScale(source="body", parts=()), None)
    assert (peak.vacuum_kpa, peak.u_abs_deg, peak.low_abs_deg) == (None, None, None)
    assert peak.angle_deg == 24.0


@pytest.mark.parametrize(("side", "beyond"), [(1, "advanced"), (-1, "retarded"), (0, None)])
def test_a_peak_that_was_not_found_has_a_reason_and_no_numbers(
    side: int, beyond: str | None
) -> None:
    scale = AngleScale(source="mark", parts=(("mark angle", 1.2),))
    peak = peak_record(hill(found=False, side=side), scale, 101.0)
    assert not peak.found
    assert peak.why_not
    assert peak.beyond == beyond
    assert (peak.angle_deg, peak.low_deg, peak.u_abs_deg, peak.vacuum_kpa) == (None,) * 4
    assert (peak.swept_low_deg, peak.swept_high_deg) == (8.0, 34.0)
