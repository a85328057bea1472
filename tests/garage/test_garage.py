"""What is kept comes back, as it was, and only what changed is written."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from garage_cases import ENGINE, RIG, made_visit, raw
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from vaclog.errors import CardError, UnknownRecordError
from vaclog.garage import Garage, garage_path
from vaclog.visit.records import Point, Setting, Visit, visit_to_json


def test_a_visit_comes_back_as_it_was(garage: Garage) -> None:
    """With its number, through a file that was closed and opened again."""
    kept = garage.save_visit(made_visit())
    assert kept.number == 1
    with Garage(garage.path) as again:
        assert visit_to_json(again.visit(1)) == visit_to_json(kept)
        assert again.visit(1).captures[0].result.peak == kept.captures[0].result.peak


def test_begun_with_the_cards_as_they_are_now(garage: Garage) -> None:
    """A visit keeps its cards when they are edited later."""
    garage.add_engine(ENGINE)
    garage.add_rig("bench", RIG)
    visit = garage.begin_visit("PUMP-HOUSE engine", "bench", begun="2026-05-01T10:00:00")
    assert (visit.number, visit.engine, visit.engine_toml) == (1, "Pump-house engine", ENGINE)
    garage.edit_engine("Pump-house engine", ENGINE.replace("850", "900"), at="2026-06-01")
    assert garage.visit(1).engine_toml == ENGINE
    card = garage.engine("Pump-house engine")
    assert ("900" in card.toml, card.changed, card.visits) == (True, "2026-06-01", 1)


def test_parts_are_replaced_and_taken_out(garage: Garage) -> None:
    """A later save is the whole truth: fewer parts leave fewer rows."""
    visit = garage.save_visit(made_visit())
    visit = garage.save_visit(replace(visit, points=visit.points * 3, step="set"))
    assert len(garage.visit(1).points) == 3
    visit = garage.save_visit(replace(visit, points=visit.points[:1], trials=()))
    assert visit_to_json(garage.visit(1)) == visit_to_json(visit)
    assert raw(garage.path, "SELECT count(*) FROM trials") == [(0,)]
    assert raw(garage.path, "SELECT count(*) FROM visits") == [(1,)]


def test_only_what_changed_is_written(garage: Garage) -> None:
    """The large part, a capture's result, is not written again with every answer."""
    visit = garage.save_visit(made_visit())
    written: list[str] = []
    garage._store.connection.set_trace_callback(written.append)
    garage.save_visit(replace(visit, points=(*visit.points, Point(key="hose", verdict="in order"))))
    garage._store.connection.set_trace_callback(None)
    into = [found[1] for sql in written if (found := re.match(r"(?i)\w+ .*?INTO \W?(\w+)", sql))]
    assert "points" in into and "captures" not in into


def test_the_columns_say_what_the_document_says(garage: Garage) -> None:
    """By plain SQL, as another program would ask."""
    visit = garage.save_visit(made_visit())
    result = visit.captures[0].result
    row = raw(
        garage.path,
        'SELECT engine, begun, peak_deg, u_peak_deg, set_deg, "limit", reached_deg, idle_rpm, '
        "vacuum_kpa, misfire_per_thousand, pinking, captures FROM visits",
    )[0]
    assert row == (
        "Pump-house engine",
        visit.begun,
        result.peak.angle_deg,
        result.peak.u_deg,
        result.advice.set_deg,
        result.advice.limit,
        9.2,
        result.idle.rpm,
        result.idle.vacuum_kpa,
        result.misfire.per_thousand,
        "heard",
        1,
    )
    line = garage.visits()[0]
    assert (line.peak_deg, line.limit) == (result.peak.angle_deg, result.advice.limit)


def test_lists_are_newest_first(garage: Garage) -> None:
    """By date, then by number; of one engine or of all."""
    for begun, engine in (("2026-01-01", "a"), ("2025-01-01", "a"), ("2026-01-01", "b")):
        garage.save_visit(Visit(engine=engine, begun=begun))
    assert [line.number for line in garage.visits()] == [3, 1, 2]
    assert [line.number for line in garage.visits("a")] == [1, 2]
    assert [line.number for line in garage.visits(limit=1)] == [3]
    assert [visit.number for visit in garage.visits_of("A")] == [1, 2]
    assert [card.visits for card in garage.engines()] == [2, 1]


def test_a_renamed_engine_takes_its_visits_along(garage: Garage) -> None:
    """Both by --rename and by a new name on the card."""
    garage.save_visit(made_visit())
    garage.edit_engine("Pump-house engine", ENGINE.replace("Pump-house", "Mill"))
    assert garage.visit(1).engine == "Mill engine"
    garage.edit_rig("bench", RIG, rename="field rig")
    assert garage.visit(1).rig == "field rig"
    assert [visit.number for visit in garage.visits_of("Mill engine")] == [1]


def test_what_is_not_there_is_named(garage: Garage) -> None:
    """With the nearest that is there."""
    garage.add_engine(ENGINE)
    with pytest.raises(UnknownRecordError, match=r"Pump-hose.*Perhaps 'Pump-house engine'"):
        garage.engine("Pump-hose engine")
    with pytest.raises(UnknownRecordError, match=r"no rig 'bench'.*none yet"):
        garage.begin_visit("Pump-house engine", "bench", begun="")
    with pytest.raises(UnknownRecordError, match="no visit 7"):
        garage.visit(7)


@pytest.mark.parametrize(
    ("toml", "name", "said"),
    [
        ("cylinders = 4", "", "no name"),
        ("cylinders = 'four'", "x", "cylinders"),
        (ENGINE, "", "already"),
        (ENGINE, "pump-HOUSE engine", "already"),
    ],
)
def test_cards_that_cannot_be_kept(garage: Garage, toml: str, name: str, said: str) -> None:
    """Refused with the reason; the garage is unchanged."""
    garage.add_engine(ENGINE)
    with pytest.raises(CardError, match=said):
        garage.add_engine(toml, name=name)
    assert [card.name for card in garage.engines()] == ["Pump-house engine"]


def test_captures_are_listed_by_visit_and_hash(garage: Garage) -> None:
    """With what they told."""
    visit = garage.save_visit(made_visit())
    garage.save_visit(replace(visit, number=0, captures=()))
    line = garage.captures()[0]
    assert (line.visit, line.found, line.kept) == (1, True, False)
    assert garage.captures(2) == []
    assert garage.captures(sha256="abab") == [line]
    assert garage.captures(sha256="%") == []


def test_the_place_of_the_garage(tmp_path: Path) -> None:
    """Named, then the variable, then the XDG place; a relative XDG value is ignored."""
    home = {"HOME": "/h"}
    assert garage_path(tmp_path, home | {"VACLOG_GARAGE": "/v/g.db"}) == tmp_path
    assert garage_path(None, home | {"VACLOG_GARAGE": "/v/g.db"}) == Path("/v/g.db")
    assert garage_path(None, home | {"XDG_DATA_HOME": "/x"}) == Path("/x/vaclog/garage.db")
    usual = Path("/h/.local/share/vaclog/garage.db")
    assert garage_path(None, home) == usual
    assert garage_path(None, home | {"XDG_DATA_HOME": "x"}) == usual


TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)
NUMBER = st.none() | st.floats(-1e6, 1e6).map(lambda value: round(value, 3))


@settings(
    max_examples=40,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
    derandomize=True,
)
@given(
    notes=st.lists(TEXT, max_size=3),
    points=st.lists(st.tuples(TEXT, NUMBER, TEXT), max_size=4),
    reached=st.lists(NUMBER, max_size=3),
)
def test_whatever_is_typed_comes_back(
    garage: Garage,
    notes: list[str],
    points: list[tuple[str, float | None, str]],
    reached: list[float | None],
) -> None:
    """Quotes, line feeds, NUL and foreign letters; any number of parts over the same visit."""
    number = 1 if garage.visits() else 0
    visit = Visit(
        number=number,
        revision=garage.visit(1).revision if number else 0,
        engine="e",
        notes=tuple(notes),
        points=tuple(
            Point(key=key, verdict="doubtful", value=value, text=text)
            for key, value, text in points
        ),
        settings=tuple(Setting(reached_deg=each) for each in reached),
    )
    kept = garage.save_visit(visit)
    assert visit_to_json(garage.visit(kept.number)) == visit_to_json(kept)
