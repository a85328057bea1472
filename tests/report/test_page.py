"""The page: whole in itself, sound HTML, legible in light and dark, the result enclosed."""

from __future__ import annotations

import json
import re
from dataclasses import fields, replace

import pytest
from report_cases import CASES, EMPTY, FOUND, NO_ADVANCE
from sound_html import parsed

from vaclog.report import page
from vaclog.report.look import BY_PAGE, DARK, LIGHT, Palette
from vaclog.result import Result, to_json

PAGES = {name: page.render(result, "inHg") for name, result in CASES.items()}


@pytest.mark.parametrize("html", PAGES.values(), ids=PAGES)
def test_page_is_sound_and_needs_nothing_else(html: str) -> None:
    sound = parsed(html)
    assert all(target.startswith("#") for target in sound.fetched)
    assert "@import" not in html
    assert not re.search(r"url\((?!#)", html)
    assert not {"link", "img", "iframe", "object"} & set(sound.tags)
    assert html.count("<script") == 1, "data only, nothing that runs"
    assert '<script type="application/json"' in html
    assert len(sound.ids) == len(set(sound.ids)), "two drawings must not share names"
    for target in sound.fetched:
        assert target[1:] in sound.ids


@pytest.mark.parametrize("name", CASES)
def test_page_encloses_the_result(name: str) -> None:
    data = re.search(r'id="result">\n(.*?)</script>', PAGES[name], re.S)
    assert data
    assert json.loads(data[1]) == json.loads(to_json(CASES[name]))


def test_page_says_what_the_text_says() -> None:
    html = PAGES["found"]
    assert "<h1>Set it to 11.6° before top dead centre, read at idle on this rig.</h1>" in html
    for sentence in (*FOUND.advice.warnings, *FOUND.advice.cautions):
        assert sentence.replace("'", "&#x27;") in html


def test_hostile_names_stay_text() -> None:
    name = "</script><script>alert(1)</script>"
    html = page.render(
        replace(FOUND, source=replace(FOUND.source, engine=name, capture=name)), "inHg"
    )
    assert html.count("<script") - html.count("\\/script><script") == 1
    assert "<script>alert" not in re.sub(
        r'(?s)<script type="application/json".*?</script>', "", html
    )
    parsed(html)


def test_a_result_without_a_hill_has_no_figure() -> None:
    for result in (NO_ADVANCE, EMPTY):
        assert "<figure" not in page.render(result, "kPa")


def test_the_same_result_gives_the_same_bytes() -> None:
    assert page.render(FOUND, "inHg") == PAGES["found"]


def test_no_stand_in_colour_is_left_in_the_page() -> None:
    for each in fields(Palette):
        assert getattr(BY_PAGE, each.name) not in PAGES["found"]
        assert f"--{each.name}:" in PAGES["found"]


def luminance(colour: str) -> float:
    """Relative luminance (W3C, Web Content Accessibility Guidelines 2.1)."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, two: str) -> float:
    high, low = sorted((luminance(one), luminance(two)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_formula() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)  # WCAG 2.1: 21 to 1
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
def test_words_and_lines_stand_out(palette: Palette) -> None:
    # WCAG 2.1, 1.4.3: 4.5 to 1 for text; 1.4.11: 3 to 1 for what a picture needs.
    for role in ("ink", "quiet", "fence", "edge", "ball"):
        assert contrast(getattr(palette, role), palette.paper) >= 4.5, role
    for role in ("ink", "ball", "edge"):
        assert contrast(getattr(palette, role), palette.hill) >= 3.0, role


@pytest.mark.parametrize("result", [FOUND, NO_ADVANCE], ids=["found", "no advance"])
def test_page_is_made_for_phones_and_paper(result: Result) -> None:
    html = page.render(result, "inHg")
    assert 'name="viewport" content="width=device-width' in html
    assert "prefers-color-scheme: dark" in html
    assert "@media print" in html
