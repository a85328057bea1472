"""Cards: what is read, what is refused and in which words, what is doubted."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vaclog.cards import (
    BodySensor,
    EngineCard,
    MarkSensor,
    RigCard,
    curve_added_deg,
    doubts,
    engine_card,
    load_engine_card,
    load_rig_card,
    rig_card,
)
from vaclog.errors import CardError

ENGINE = """\
name = "Workshop engine"
cylinders = 4
firing_order = [1, 3, 4, 2]
rotor_turns = "clockwise"          # seen from above the cap
static_deg = 10.0
static_tolerance_deg = 2.0
idle_rpm = 850
centrifugal = [[600, 0], [1500, 10], [3000, 22]]
max_total_deg = 34.0
body_radius_mm = 32.0
click_deg = 0.0
vacuum_advance = "none"
altitude_m = 120
tdc_verified = false
bore_mm = 80.5
"""

RIG = """\
[pressure]
gain_per_kpa = 0.004
offset = -0.04
[spark]
pickup = "no1"
delay_us = 0.0
u_delay_us = 20.0
[mark]
angle_deg = 0.0
u_angle_deg = 1.0
[body]
deg_per_count = 0.3
sign = 1
anchor_counts = 512.0
anchor_deg = 10.0
u_anchor_deg = 1.0
"""


def test_engine_card_with_every_key() -> None:
    assert engine_card(ENGINE) == EngineCard(
        name="Workshop engine",
        cylinders=4,
        firing_order=(1, 3, 4, 2),
        rotor_turns="clockwise",
        static_deg=10.0,
        static_tolerance_deg=2.0,
        idle_rpm=850.0,
        centrifugal=((600.0, 0.0), (1500.0, 10.0), (3000.0, 22.0)),
        max_total_deg=34.0,
        body_radius_mm=32.0,
        click_deg=0.0,
        vacuum_advance="none",
        altitude_m=120.0,
        tdc_verified=False,
        bore_mm=80.5,
    )


def test_rig_card_with_every_key() -> None:
    card = rig_card(RIG)
    assert card.mark == MarkSensor(angle_deg=0.0, u_angle_deg=1.0)
    assert card.body == BodySensor(
        deg_per_count=0.3, sign=1, anchor_counts=512.0, anchor_deg=10.0, u_anchor_deg=1.0
    )
    assert (card.pressure.gain_per_kpa, card.pressure.offset) == (0.004, -0.04)
    assert (card.spark.pickup, card.spark.delay_us, card.spark.u_delay_us) == ("no1", 0.0, 20.0)
    assert card.remarks == ()


def test_empty_cards_are_the_defaults() -> None:
    assert engine_card("") == EngineCard()
    assert rig_card("\ufeff# nothing\n") == RigCard()


@pytest.mark.parametrize("line", range(len(ENGINE.splitlines())))
def test_every_engine_key_is_optional(line: int) -> None:
    lines = ENGINE.splitlines()
    del lines[line]
    assert engine_card("\n".join(lines)).cylinders == 4


@pytest.mark.parametrize("gone", [line for line in RIG.splitlines() if "=" in line])
def test_every_rig_key_is_optional(gone: str) -> None:
    card = rig_card("\n".join(line for line in RIG.splitlines() if line != gone))
    assert card.mark is not None
    assert (card.body is None) == gone.startswith("deg_per_count")


# Key, value, a word of the complaint.
BAD_ENGINE = [
    ("name", "3", "text"),
    ("cylinders", "0", "whole number from 1 to 16|from 1 to 16"),
    ("cylinders", "17", "from 1 to 16"),
    ("cylinders", "4.5", "whole"),
    ("cylinders", "true", "number"),
    ("firing_order", "[1, 3, 3, 2]", "each cylinder once"),
    ("firing_order", "[1, 3, 2]", "as long as cylinders = 4"),
    ("firing_order", "[1, 3, 4, true]", "each cylinder once|number"),
    ("firing_order", "1342", "list"),
    ("firing_order", "[]", "list"),
    ("rotor_turns", '"anticlockwise"', 'Perhaps "counterclockwise"'),
    ("rotor_turns", "1", "one of"),
    ("static_deg", '"ten"', "without quotation marks"),
    ("static_deg", "nan", "number from"),
    ("static_deg", "inf", "number from"),
    ("static_deg", "true", "number from"),
    ("static_deg", "100", "number from"),
    ("static_tolerance_deg", "-1", "number from 0"),
    ("idle_rpm", "0", "number from 100"),
    ("centrifugal", "[[600, 0]]", "at least two"),
    ("centrifugal", "[]", "at least two"),
    ("centrifugal", "[[600, 0], [600, 4]]", "speeds rising"),
    ("centrifugal", "[[1500, 10], [600, 0]]", "speeds rising"),
    ("centrifugal", "[[600, 0, 1], [700, 4]]", "pairs"),
    ("centrifugal", "[600, 0]", "pairs"),
    ("centrifugal", "[[600, 0], [700, 99]]", "degrees"),
    ("centrifugal", "[[600, 0], [700, nan]]", "degrees"),
    ("max_total_deg", "0", "number from 1"),
    ("body_radius_mm", "-32", "number from 5"),
    ("click_deg", "-0.5", "number from 0"),
    ("vacuum_advance", '"Ported"', 'Perhaps "ported"'),
    ("altitude_m", "30000", "number from"),
    ("tdc_verified", '"yes"', "true or false"),
    ("tdc_verified", "1", "true or false"),
    ("bore_mm", "3.15", "number from 20"),
    ("bore_mm", '"80"', "without quotation marks"),
]


@pytest.mark.parametrize(("key", "value", "words"), BAD_ENGINE)
def test_a_bad_engine_value_is_named_with_its_line(key: str, value: str, words: str) -> None:
    lines = ENGINE.splitlines()
    (at,) = [i for i, line in enumerate(lines) if line.startswith(key + " ")]
    lines[at] = f"{key} = {value}"
    with pytest.raises(CardError, match=words) as caught:
        engine_card("\n".join(lines), where="mine.toml")
    assert f"mine.toml, line {at + 1}: {key}" in caught.value.fact
    assert caught.value.cause
    assert caught.value.step


BAD_RIG = [
    ("pressure", "gain_per_kpa = 0", "not 0"),
    ("pressure", "offset = false", "number"),
    ("spark", 'pickup = "No1"', 'Perhaps "no1"'),
    ("spark", "u_delay_us = -1", "number from 0"),
    ("mark", "angle_deg = 400", "number from"),
    ("mark", "u_angle_deg = inf", "number from"),
    ("body", "deg_per_count = 0.0", "not 0"),
    ("body", "sign = 0", "1 or -1"),
    ("body", "sign = true", "1 or -1"),
    ("body", "sign = 0.5", "1 or -1"),
    ("body", "anchor_counts = []", "number"),
]


@pytest.mark.parametrize(("table", "line", "words"), BAD_RIG)
def test_a_bad_rig_value_is_named_with_table_and_line(table: str, line: str, words: str) -> None:
    with pytest.raises(CardError, match=words) as caught:
        rig_card(f"# a rig\n\n[{table}]\n{line}\n", where="r.toml")
    assert f"r.toml, line 4: [{table}] {line.split(maxsplit=1)[0]}" in caught.value.fact


@pytest.mark.parametrize(
    ("text", "near"),
    [
        ("cilinders = 4", "cylinders"),
        ("static = 10", "static_deg"),
        ("Max_Total = 34", "max_total_deg"),
        ("rotor = 'clockwise'", "rotor_turns"),
    ],
)
def test_an_unknown_engine_key_gets_the_nearest_one(text: str, near: str) -> None:
    with pytest.raises(CardError, match=f"'{near}' was meant") as caught:
        engine_card("\n" + text, where="e.toml")
    assert "e.toml, line 2" in caught.value.fact
    assert text.split(maxsplit=1)[0] in caught.value.fact


def test_an_unknown_rig_key_or_table_is_named() -> None:
    with pytest.raises(CardError, match=r"line 2: unknown key '\[mark\] angel_deg'.*'angle_deg'"):
        rig_card("[mark]\nangel_deg = 3")
    with pytest.raises(CardError, match=r"line 1: unknown table 'marks'.*'mark'"):
        rig_card("[marks]\nangle_deg = 3")
    with pytest.raises(CardError, match=r"begun by a line \[mark\]"):
        rig_card("mark = 3")
    with pytest.raises(CardError, match=r"line 1: unknown key '\[mark\] angel'"):
        rig_card("mark.angel = 3")


def test_swapped_cards_are_recognised() -> None:
    with pytest.raises(CardError, match="belongs on the rig card"):
        engine_card(RIG)
    with pytest.raises(CardError, match="belongs on the engine card"):
        rig_card(ENGINE)


def test_broken_toml_names_its_line_and_a_decimal_comma() -> None:
    with pytest.raises(CardError, match=r"e.toml, line 2.*point: 10\.5"):
        engine_card('name = "x"\nstatic_deg = 10,5\n', where="e.toml")
    with pytest.raises(CardError, match=r"line 1.*not readable as TOML"):
        engine_card("static_deg 10")
    with pytest.raises(CardError, match="overwrite"):
        engine_card("static_deg = 10\nstatic_deg = 11")


@given(st.text(max_size=200))
def test_any_text_gives_a_card_or_a_card_error(text: str) -> None:
    for read in (engine_card, rig_card):
        try:
            read(text)
        except CardError as error:
            assert error.cause and error.step


@given(
    st.dictionaries(
        st.sampled_from([*ENGINE.split()[::3], "static_deg", "centrifugal", "firing_order"]),
        st.sampled_from(
            ["1", "-1", "1e400", "nan", "[]", "[[]]", "[[1,2],[3,4]]", "{}", "'a'", "1979-05-27"]
        ),
    )
)
def test_any_value_gives_a_card_or_a_card_error(entries: dict[str, str]) -> None:
    text = "\n".join(f'"{key}" = {value}' for key, value in entries.items())
    try:
        engine_card(text)
    except CardError as error:
        assert "engine.toml" in error.fact


def test_fractions_are_numbers_and_whole_numbers_may_have_a_point() -> None:
    card = engine_card("cylinders = 6.0\nidle_rpm = 812.5\naltitude_m = -3.5")
    assert (card.cylinders, card.idle_rpm, card.altitude_m) == (6, 812.5, -3.5)


def test_firing_order_starts_at_one_and_tells_the_cylinders() -> None:
    card = engine_card("firing_order = [5, 3, 6, 2, 4, 1]")
    assert card.firing_order == (1, 5, 3, 6, 2, 4)
    assert card.cylinders == 6


def test_a_body_without_its_scale_is_not_used_and_without_anchor_is_relative() -> None:
    no_scale = rig_card("[body]\nanchor_counts = 500\nanchor_deg = 10")
    assert no_scale.body is None
    assert "deg_per_count" in no_scale.remarks[0]
    no_anchor = rig_card("[body]\ndeg_per_count = 0.25\nanchor_deg = 10")
    assert no_anchor.body is not None
    assert not no_anchor.body.anchored
    assert "anchor_counts" in no_anchor.remarks[0]
    assert "0 is assumed" in rig_card("[mark]\n").remarks[0]


def test_files(tmp_path: Path) -> None:
    engine, rig = tmp_path / "e.toml", tmp_path / "r.toml"
    engine.write_bytes(b"\xef\xbb\xbf" + ENGINE.encode())
    rig.write_text(RIG)
    assert load_engine_card(engine) == engine_card(ENGINE)
    assert load_rig_card(rig) == rig_card(RIG)
    with pytest.raises(CardError, match="cannot be read"):
        load_engine_card(tmp_path / "missing.toml")
    with pytest.raises(CardError, match="cannot be read"):
        load_engine_card(tmp_path)
    engine.write_bytes(b'name = "\xff"')
    with pytest.raises(CardError, match="byte 8 is not UTF-8"):
        load_engine_card(engine)
    rig.write_bytes(b"#" * 1_000_001)
    with pytest.raises(CardError, match="capture was given"):
        load_rig_card(rig)


@pytest.mark.parametrize(
    ("rpm", "added"),
    [(0, 0), (600, 0), (1050, 5), (1500, 10), (2250, 16), (3000, 22), (6000, 22)],
)
def test_curve_is_straight_between_its_points(rpm: float, added: float) -> None:
    points = ((600.0, 0.0), (1500.0, 10.0), (3000.0, 22.0))
    assert curve_added_deg(points, rpm) == pytest.approx(added)


# Ordinary figures of the trade (common practice): static 8-12, all in by 2500-3500 rpm, total
# without vacuum advance 28-38. None of these cards may be doubted.
ORDINARY = [
    EngineCard(),
    engine_card(ENGINE),
    EngineCard(static_deg=8, max_total_deg=28, centrifugal=((800, 0), (2500, 20))),
    EngineCard(static_deg=12, max_total_deg=38, centrifugal=((1000, 0), (3500, 26))),
    EngineCard(static_deg=0, idle_rpm=700, centrifugal=((800, 0), (3000, 28))),
    EngineCard(static_deg=5, max_total_deg=36),
]


@pytest.mark.parametrize("card", ORDINARY)
def test_an_ordinary_card_is_not_doubted(card: EngineCard) -> None:
    assert doubts(card) == ()


@pytest.mark.parametrize(
    ("card", "words"),
    [
        (EngineCard(static_deg=32), "looks like a total"),
        (EngineCard(static_deg=22, max_total_deg=22.5), "looks like a total"),
        (EngineCard(static_deg=12, max_total_deg=10), "below its static_deg"),
        (EngineCard(centrifugal=((300, 0), (1500, 11))), "distributor degrees"),
        (
            EngineCard(static_deg=10, max_total_deg=34, centrifugal=((600, 0), (3000, 11))),
            "distributor degrees",
        ),
        (EngineCard(max_total_deg=52), "include the vacuum advance"),
        (EngineCard(max_total_deg=17), "like distributor degrees"),
        (
            EngineCard(static_deg=14, max_total_deg=34, centrifugal=((600, 0), (3000, 26))),
            "14 \\+ 26 = 40",
        ),
        (EngineCard(centrifugal=((600, 0), (2000, 20), (3000, 12))), "falls with speed"),
    ],
)
def test_a_mixed_up_figure_is_doubted(card: EngineCard, words: str) -> None:
    (sentence,) = doubts(card)
    assert re.search(words, sentence), sentence
