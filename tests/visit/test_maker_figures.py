"""A maker's figure becomes crank degrees with the weights at rest."""

from __future__ import annotations

import pytest

from vaclog.cards import EngineCard, doubts
from vaclog.visit.maker_figures import crank_curve, static_figure, total_figure

# A table as printed in distributor degrees over distributor speed; by hand in the crank's:
# 800 rpm 0°, 3000 rpm 22°, so 1000 rpm lies at 2°.
PRINTED = ((400.0, 0.0), (1500.0, 11.0))
CURVE = ((800.0, 0.0), (3000.0, 22.0))


def test_a_curve_in_distributor_degrees_doubles_both_ways() -> None:
    """Degrees and speeds: one turn of the distributor is two of the crank."""
    assert crank_curve(PRINTED, "distributor") == CURVE
    assert crank_curve(CURVE, "crank") == CURVE


@pytest.mark.parametrize(
    ("value", "counts_in", "read_by", "rpm", "hose", "adds", "expected", "doubt"),
    [
        (10.0, "crank", "static", None, "off", None, 10.0, ""),
        (5.0, "distributor", "static", None, "off", None, 10.0, ""),
        (12.0, "crank", "strobe", 1000.0, "off", None, 10.0, ""),
        (6.0, "distributor", "strobe", 1000.0, "off", None, 10.0, ""),
        (12.0, "crank", "strobe", 600.0, "off", None, 12.0, ""),
        (22.0, "crank", "strobe", 1000.0, "on", 10.0, 10.0, ""),
        (22.0, "crank", "strobe", 1000.0, "on", None, 20.0, "hose on"),
        (12.0, "crank", "strobe", None, "off", None, 12.0, "Without the speed"),
    ],
)
def test_what_the_weights_and_the_hose_add_is_taken_off(
    value: float,
    counts_in: str,
    read_by: str,
    rpm: float | None,
    hose: str,
    adds: float | None,
    expected: float,
    doubt: str,
) -> None:
    """Worked by hand; what is not known is said, not guessed."""
    found = static_figure(
        value,
        counts_in=counts_in,  # type: ignore[arg-type]
        read_by=read_by,  # type: ignore[arg-type]
        rpm=rpm,
        hose=hose,  # type: ignore[arg-type]
        curve=CURVE,
        hose_adds_deg=adds,
    )
    assert found.value_deg == pytest.approx(expected)
    assert doubt in found.doubt and bool(doubt) == bool(found.doubt)
    assert f"{value:g}°" in found.how


def test_without_a_curve_the_figure_stands_and_is_doubted() -> None:
    """By strobe at idle the weights may be out already."""
    found = static_figure(
        12.0,
        counts_in="crank",
        read_by="strobe",
        rpm=900.0,
        hose="off",
        curve=None,
        hose_adds_deg=None,
    )
    assert found.value_deg == 12.0 and "weights were out" in found.doubt


def test_a_total_with_the_hose_on_is_no_cap() -> None:
    """52° with 18° of vacuum advance is 34°; with an unknown part it is doubted."""
    known = total_figure(52.0, counts_in="crank", hose="on", hose_adds_deg=18.0)
    assert (known.value_deg, known.doubt) == (34.0, "")
    unknown = total_figure(52.0, counts_in="crank", hose="on", hose_adds_deg=None)
    assert "too high" in unknown.doubt
    assert (
        total_figure(17.0, counts_in="distributor", hose="off", hose_adds_deg=None).value_deg == 34
    )


def test_the_converted_card_is_not_doubted_while_the_mixed_up_one_is() -> None:
    """What a person would have typed straight from the book looks odd to the card's own check."""
    straight = EngineCard(static_deg=6.0, centrifugal=PRINTED, max_total_deg=17.0)
    converted = EngineCard(static_deg=10.0, centrifugal=CURVE, max_total_deg=34.0)
    assert doubts(straight) and not doubts(converted)
