"""What is typed, tapped and marked becomes readings in order."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vaclog.analysis.holds.readings import (
    Heard,
    Reading,
    ReadingError,
    list_record,
    parse_list,
)
from vaclog.records import OperatorInput


def strobe(deg: float | None = None, text: str = "") -> OperatorInput:
    return OperatorInput(at_us=0, kind="strobe", value_deg=deg, text=text)


def test_a_list_with_gaps_and_times() -> None:
    taken = parse_list(" 8 12.5,16; ? -2@61.5 ")
    assert [each.deg for each in taken if each.known] == [8.0, 12.5, 16.0, -2.0]
    assert not taken[3].known and math.isnan(taken[3].deg)
    assert [each.at_us for each in taken] == [None, None, None, None, 61_500_000]


def test_millimetres_of_rim_are_crank_degrees() -> None:
    """A way s along a rim of radius R turns the body by s/R and the crank by twice that."""
    taken = parse_list("0mm 2.8mm 4", strip_zero_deg=10.0, body_radius_mm=32.0)
    assert taken[0].deg == 10.0
    assert taken[1].deg == pytest.approx(10.0 + 2.8 / 32.0 * 360.0 / math.pi)
    assert taken[1].deg == pytest.approx(20.03, abs=0.01)
    assert taken[2].deg == 14.0


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("8 twelve 16", "Reading 2, 'twelve'"),
        ("8 120", "Reading 2, '120', is 120°"),
        ("8 12 1.4mm", "radius of the rim is not known"),
        ("8 12@", "not understood"),
    ],
)
def test_what_is_not_understood_is_named(text: str, said: str) -> None:
    with pytest.raises(ReadingError, match="Reading") as caught:
        parse_list(text)
    assert said in str(caught.value) and caught.value.exit_code == 2


@given(
    st.lists(
        st.tuples(
            st.one_of(st.just(math.nan), st.integers(-60, 160).map(lambda half: half / 2.0)),
            st.one_of(st.none(), st.integers(0, 10**10)),
        ),
        min_size=1,
        max_size=12,
    )
)
def test_a_list_travels_in_a_record(entries: list[tuple[float, int | None]]) -> None:
    given_list = [Reading(deg=deg, u_deg=0.5, at_us=at) for deg, at in entries]
    heard = Heard()
    heard.take(list_record(given_list), 0)
    back = heard.gathered([], []).taken
    assert [each.at_us for each in back] == [each.at_us for each in given_list]
    assert [each.u_deg for each in back] == [0.5] * len(back)
    for one, other in zip(back, given_list, strict=True):
        assert one.deg == other.deg or not (one.known or other.known)


def test_taps_keep_their_times_and_undo_takes_the_last() -> None:
    heard = Heard()
    heard.take(strobe(8.0), 10)
    heard.take(strobe(99.0), 15)  # cannot be
    heard.take(strobe(21.0), 20)
    heard.take(strobe(text="undo"), 25)
    heard.take(strobe(12.0), 30)
    found = heard.gathered([], [])
    assert [(each.deg, each.at_us) for each in found.taken] == [(8.0, 10), (12.0, 30)]
    assert len(found.remarks) == 1 and "99" in found.remarks[0]


@pytest.mark.parametrize("text", ["8,5 12,5 16", "8 12,5", "8,5;12,0;16", "-2,5 0"])
def test_a_decimal_comma_is_not_taken_for_two_readings(text: str) -> None:
    with pytest.raises(ReadingError, match="one reading or two") as raised:
        parse_list(text)
    assert "point" in raised.value.step


def test_a_list_set_apart_by_commas_is_one() -> None:
    assert [each.deg for each in parse_list("8,12,16")] == [8.0, 12.0, 16.0]
    assert [each.deg for each in parse_list("8, 12, 16.5")] == [8.0, 12.0, 16.5]


def test_markers_give_times_to_a_typed_list() -> None:
    heard = Heard()
    heard.take(strobe(text="list 8 12 16"), 0)
    assert [each.at_us for each in heard.gathered([5, 15, 25], ["", "", ""]).taken] == [5, 15, 25]
    short = heard.gathered([5, 15], ["", ""])
    assert [each.at_us for each in short.taken] == [None] * 3
    assert "pressed 2 times, and 3 readings" in short.remarks[0]


def test_numbers_in_markers_are_readings() -> None:
    found = Heard().gathered([30, 10, 20], ["12.5", "8°", "blip"])
    assert [(each.deg, each.at_us) for each in found.taken] == [(8.0, 10), (12.5, 30)]


def test_a_typed_list_counts_before_taps_and_says_so() -> None:
    heard = Heard()
    heard.take(strobe(8.0), 10)
    heard.take(strobe(text="list 9 13"), 0)
    heard.take(strobe(text="list 9 14"), 0)
    found = heard.gathered([], [])
    assert [each.deg for each in found.taken] == [9.0, 14.0]
    assert any("typed list counts" in each for each in found.remarks)


def test_a_list_that_is_not_understood_is_a_remark_not_a_crash() -> None:
    heard = Heard()
    heard.take(strobe(text="list 9 zz"), 0)
    found = heard.gathered([], [])
    assert found.taken == () and "'zz'" in found.remarks[0]
