"""The records of a visit survive their document."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from vaclog.errors import CaptureError
from vaclog.result import from_json
from vaclog.visit.figures import figures
from vaclog.visit.records import (
    Capture,
    Point,
    RoadTrial,
    Setting,
    Visit,
    visit_from_json,
    visit_to_json,
)

EXPECTED = Path(__file__).parents[2] / "sample_captures" / "there_and_back.expected.json"


def a_visit() -> Visit:
    """A visit with something in every part."""
    result = from_json(EXPECTED.read_text(encoding="utf-8"))
    return Visit(
        number=3,
        engine="Workshop engine",
        begun="2026-04-02T10:00:00",
        step="road",
        done=("rig", "pre-flight"),
        points=(Point(key="plugs", verdict="in order", value=0.63, unit="mm"),),
        captures=(Capture(purpose="sweep", sha256="ab" * 32, path="a.vaclog", result=result),),
        settings=(Setting(aimed_deg=12.5, locked=True, moved_deg=0.1, u_moved_deg=0.2),),
        trials=(RoadTrial(number=1, advance_deg=12.5, pinking="heard", retard_deg=2.0),),
        notes=("Cold morning.",),
    )


def test_a_visit_survives_its_document() -> None:
    """Whatever was recorded comes back; the result to the rounding of its own document."""
    visit = a_visit()
    again = visit_from_json(visit_to_json(visit))
    assert visit_to_json(again) == visit_to_json(visit)
    assert again.points == visit.points
    assert again.trials == visit.trials
    assert again.last("sweep", "again") is again.captures[0]
    assert again.last("road") is None


def test_keys_of_a_later_version_are_left_out() -> None:
    """A garage of a later version can still be read."""
    document = json.loads(visit_to_json(a_visit()))
    document["weather"] = "rain"
    document["trials"][0]["passenger"] = True
    assert visit_to_json(visit_from_json(json.dumps(document))) == visit_to_json(a_visit())


@pytest.mark.parametrize("text", ["", "[]", '{"points": [3]}', '{"captures": [{}]}'])
def test_another_document_is_refused(text: str) -> None:
    """Something else is named as such, not half read."""
    with pytest.raises(CaptureError, match="visit"):
        visit_from_json(text)


def test_a_list_shows_where_it_was_left_though_nobody_read_it() -> None:
    """As read, else as aimed at: beside the advice a dash would let the advice be taken for it."""
    read = Setting(aimed_deg=8.7, reached_deg=9.1, locked=True)
    aimed = Setting(aimed_deg=7.0, locked=True)
    assert figures(Visit(engine="Mill", settings=(read,))).reached_deg == 9.1
    assert figures(Visit(engine="Mill", settings=(read, aimed))).reached_deg == 7.0
    assert figures(Visit(engine="Mill")).reached_deg is None
