"""The report of a visit: sound, whole in itself, plain language first, nothing left out."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import pytest
from report_cases import STUMBLING
from sound_html import parsed
from told_visits import BARE, CASES, FIRST, SECOND, SWEEP

from vaclog.report.text import WIDTH
from vaclog.report.visit import change as visit_change
from vaclog.report.visit import page as visit_page
from vaclog.report.visit import story as visit_story
from vaclog.report.visit import text as visit_text
from vaclog.report.visit import words as visit_words
from vaclog.report.visit.numbers import NONE
from vaclog.result import CurveSeen, SparkScatter
from vaclog.units import PressureUnit
from vaclog.visit.compare import compare
from vaclog.visit.records import Point, RoadTrial, Setting, Visit, visit_from_json, visit_to_json

PAGES = {name: visit_page.render(*visits, "inHg") for name, visits in CASES.items()}
TEXTS = {name: visit_text.render(*visits, "inHg") for name, visits in CASES.items()}


@pytest.mark.parametrize("name", CASES)
def test_the_page_is_sound_and_needs_nothing_else(name: str) -> None:
    """Nested rightly; nothing is fetched; the visit comes back out of it."""
    sound = parsed(PAGES[name])
    assert all(target.startswith("#") for target in sound.fetched)
    assert "@import" not in PAGES[name] and "url(h" not in PAGES[name]
    kept = visit_from_json(sound.data)
    assert visit_to_json(kept) == visit_to_json(CASES[name][0])
    json.loads(sound.data, parse_constant=pytest.fail)


def test_plain_language_first_numbers_after_sources_last() -> None:
    """In the order in which its owner wants to know it."""
    headings = parsed(PAGES["second"]).headings
    order = [
        "Set to 11.7° before top dead centre and locked.",
        visit_words.DONE,
        visit_words.SETTING,
        visit_words.LIMITS,
        visit_words.FINDINGS,
        "Since visit 3 of 2 April 2026",
        visit_words.WATCH,
        visit_words.NUMBERS,
        "At a glance",
        "Against the visit before",
        visit_words.METHOD,
        visit_words.SOURCES,
        "Engine card: Workshop engine",
        "Rig card: bench",
    ]
    assert [heading for heading in headings if heading in order] == order
    assert visit_words.ROAD in parsed(PAGES["first"]).headings


@pytest.mark.parametrize("name", CASES)
def test_the_text_fits_a_terminal(name: str) -> None:
    """No line is wider, and none says None or nan."""
    lines = TEXTS[name].splitlines()
    assert max(len(line) for line in lines) <= WIDTH
    for told in (TEXTS[name], " ".join(parsed(PAGES[name]).texts)):
        assert not re.search(r"\b(None|nan|inf)\b", told)


def test_a_page_to_keep_does_not_say_now() -> None:
    """The picture of the engine's side does; in a record it is the last hold of that sweep."""
    told = " ".join(parsed(PAGES["first"]).texts)
    assert "last hold 22.0°" in told and "now 22.0°" not in told


def test_page_and_text_tell_the_same() -> None:
    """Each sentence of the story stands in both."""
    story = visit_story.tell(SECOND, FIRST, "kPa")
    page = " ".join(" ".join(parsed(visit_page.render(SECOND, FIRST, "kPa")).texts).split())
    text = " ".join(visit_text.render(SECOND, FIRST, "kPa").split())
    for section in story.plain:
        for sentence in (*section.sentences, *section.points):
            assert sentence[1:] in page
            assert sentence in text


def test_what_is_typed_cannot_break_the_page() -> None:
    """Notes, names and paths come from people."""
    nasty = '</script><!--<script>alert(1)</script>"&<b>'
    visit = replace(
        FIRST,
        engine=nasty,
        notes=(nasty,),
        points=(Point(key="hose", verdict="doubtful", text=nasty),),
        captures=(replace(SWEEP, path=nasty),),
        engine_toml=f"# {nasty}",
    )
    page = visit_page.render(visit, None, "inHg")
    assert page.count("<script") == 1 and "<b>" not in page
    sound = parsed(page)
    assert nasty in " ".join(sound.texts)
    assert visit_from_json(sound.data).engine == nasty


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"settings": ()}, "the advice is 11.6° before top dead centre"),
        ({"settings": (), "captures": ()}, "Nothing was set."),
        ({"settings": (Setting(aimed_deg=12.0),)}, "12.0° before top dead centre, and not locked"),
        ({"settings": (Setting(locked=True),)}, "Set and locked."),
        ({"trials": FIRST.trials[:1]}, "still pinked"),
        ({"trials": (RoadTrial(number=1),)}, "not sure"),
    ],
)
def test_the_headline_says_how_it_was_left(changes: dict[str, object], said: str) -> None:
    """One or two sentences."""
    visit = replace(FIRST, **changes)  # type: ignore[arg-type]
    assert said in visit_words.headline(visit)
    assert said in visit_page.render(visit, None, "inHg")


def watch(visit: Visit, previous: Visit | None = None) -> str:
    """What to watch, as one text."""
    story = visit_story.tell(visit, previous, "inHg")
    return " ".join(next(part.points for part in story.plain if part.title == visit_words.WATCH))


def test_where_it_stood_is_told_not_where_it_was_meant_to_stand() -> None:
    """Aimed at 8.7 degrees and found at 12.7: what pinked there was 12.7."""
    first = Setting(aimed_deg=8.7, reached_deg=12.7, locked=True)
    told = visit_text.render(replace(FIRST, settings=(first, *FIRST.settings)), None, "inHg")
    assert "12.7° and 13.5°" in " ".join(told.split())


def test_points_are_told_in_words_and_in_the_readers_unit() -> None:
    """Open air at sea level, 101.325 kPa, is 29.92 inHg (NIST SP 811)."""
    air = Point(key="sensor", verdict="in order", measured=True, value=101.325, unit="kPa")
    left = Point(key="tdc", verdict="left out", text="Left out.")
    told = visit_text.render(replace(FIRST, points=(air, left)), None, "inHg")
    assert "29.92 inHg" in told and "101" not in told
    assert "Check of top dead centre, left out.\n" in told


def test_what_to_watch_follows_from_what_happened() -> None:
    """The most pressing first; nothing that does not apply."""
    pinks = watch(replace(FIRST, trials=FIRST.trials[:1]))
    assert pinks.startswith("It pinked when it was driven last. Retard it by 2.0°")
    assert "no proof" in watch(FIRST) and "No road trial" not in watch(FIRST)
    assert "No road trial" in watch(replace(FIRST, trials=()))
    loose = replace(FIRST, settings=(Setting(aimed_deg=12.0, reached_deg=12.0),))
    assert "Lock the clamp" in watch(loose)
    moved = Setting(reached_deg=12.0, locked=True, moved_deg=1.4, u_moved_deg=0.3)
    assert "Locking moved it by 1.4°" in watch(replace(FIRST, settings=(moved,)))
    still = replace(moved, moved_deg=0.4)
    assert "Locking moved" not in watch(replace(FIRST, settings=(still,)))
    assert "Never beyond 12.5°" in watch(replace(FIRST, ceiling_deg=12.5))
    assert "advance" not in pinks.replace("never advance", "")


def test_worn_sparks_are_told_with_their_evidence() -> None:
    """Scatter that grew: the figure, its interval, and what may be behind it."""

    def scattering(visit: Visit, *figures: float) -> Visit:
        real, low, high = figures
        seen = SparkScatter(cycles=900, real_deg=real, low_deg=low, high_deg=high)
        result = replace(visit.captures[0].result, scatter=seen)
        return replace(visit, captures=(replace(visit.captures[0], result=result),))

    older, newer = scattering(FIRST, 0.2, 0.17, 0.23), scattering(SECOND, 0.61, 0.57, 0.66)
    text = " ".join(visit_text.render(newer, older, "inHg").split())
    assert "The scatter of the spark rose from 0.20° to 0.61°, by 0.41°" in text
    assert "Worth looking at the drive" in text
    assert "worth looking at the drive of the distributor" in watch(newer, older)
    assert "drive" not in watch(scattering(SECOND, 0.21, 0.18, 0.24), older)


def test_every_figure_can_be_told_either_way() -> None:
    """No name, candidate or unit is missing, up or down."""
    comparison = compare(FIRST, SECOND)
    for change in comparison.changes:
        for key in visit_change.NAMES:
            for sign in (1.0, -1.0):
                told = replace(change, key=key, difference=sign * 2.0, changed=True)
                if key == "setting":
                    continue
                sentence = visit_change.changed(told, "inHg")
                assert sentence[0].isupper() and sentence.endswith(".")
                assert len(visit_change.row(told, "mbar")) == 5


def test_the_unit_is_the_readers() -> None:
    """Converted here by the definition: 1 inHg is 3.386389 kPa (NIST SP 811)."""
    change = compare(FIRST, SECOND).of("idle vacuum")
    assert change is not None
    figures: tuple[tuple[PressureUnit, str], ...] = (
        ("inHg", f"{change.before / 3.386389:.2f} inHg"),
        ("kPa", f"{change.before:.2f} kPa"),
        ("mbar", f"{change.before * 10:.1f} mbar"),
    )
    for unit, figure in figures:
        text = " ".join(visit_text.render(SECOND, FIRST, unit).split())
        assert f"The idle vacuum at 22.0° fell from {figure}" in text


def test_columns_in_which_nothing_is_known_are_left_out() -> None:
    """And tables without a row."""
    for name, (visit, previous) in CASES.items():
        for table in visit_story.tell(visit, previous, "inHg").tables:
            assert table.rows, name
            assert {len(row) for row in table.rows} == {len(table.head)}
            for place in range(1, len(table.head)):
                assert any(row[place] != NONE for row in table.rows)
    assert visit_story.tell(BARE, None, "inHg").tables == ()


def test_the_curve_comes_from_whichever_capture_has_it() -> None:
    """A rev-up is a capture of its own."""
    curve = CurveSeen(
        rpm=(800.0, 3000.0),
        added_deg=(0.0, 20.0),
        low_deg=(0.0, 19.0),
        high_deg=(0.0, 21.0),
        idle_rpm=800.0,
        most_rpm=3000.0,
        most_deg=20.0,
        u_most_deg=0.5,
        slope_deg_per_1000rpm=9.1,
    )
    revved = replace(SWEEP, purpose="curve", result=replace(STUMBLING, curve=curve))
    text = visit_text.render(replace(FIRST, captures=(revved, SWEEP)), None, "inHg")
    assert "add 20.0 ± 1.0° above idle" in " ".join(text.split())
    assert "a slow rev-up for what the weights add and a sweep of the timing" in " ".join(
        text.split()
    )


def test_the_ball_stands_where_the_distributor_was_left() -> None:
    """The picture agrees with the headline, not with an advice that was not followed."""
    left = replace(FIRST, settings=(Setting(aimed_deg=9.1, reached_deg=7.3, locked=True),))
    page = visit_page.render(left, None, "inHg")
    assert "Full ball: where it was left." in page and "7.3°" in page
    unset = visit_page.render(replace(FIRST, settings=()), None, "inHg")
    assert "Full ball: the advice." in unset
