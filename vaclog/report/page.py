"""The report as one HTML page to keep: no other file, no script, no remote asset.

Enters: a result and a unit. Leaves: HTML text. Light or dark as the reader's screen is, light in
print; readable on a phone. The result itself is kept in the page as JSON.
"""

from __future__ import annotations

from html import escape
from typing import Final

from vaclog.report import fan, picture
from vaclog.report.hill_drawing import Shape
from vaclog.report.look import PAGE_STYLE
from vaclog.report.story import Section, Story, tell
from vaclog.report.words import titles
from vaclog.result import Result, to_json
from vaclog.units import PressureUnit

_STYLE: Final = (
    PAGE_STYLE
    + """\
@media (max-width: 36rem) { .wide { display: none; } .tall { display: block; }
  h1 { font-size: 1.45rem; } .lead { font-size: 1.0625rem; } }
@media print { .wide { display: block; } .tall { display: none; } body { font-size: 10.5pt; }
  section { break-inside: avoid; } }
h2 { font-size: 1.1rem; margin: .6rem 0 .35rem; padding-bottom: .15rem;
  border-bottom: 2px solid var(--band); }
"""
)

SHAPES: Final[tuple[Shape, ...]] = ("wide", "tall")

_CAPTION: Final = (
    "The hill of idle {height} over advance, seen from the side. Full line: ground that was "
    "swept; dashed: only reckoned; the band is its 95 % uncertainty. Footprints are cycles, paler "
    "with age, toes the way the hand went. Open ball: the last hold. {set_words}Fences: limits. "
    "Pennant: what the hill alone would propose."
)

_FAN_CAPTION: Final = (
    "What the weights add over speed, on the distributor seen from above: the faster, the longer "
    "the stick; its sail is the 95 % band. Rings: the card's curve. Gate: what the maker's total "
    "leaves. The fan opens against the way the rotor turns."
)


def render(result: Result, unit: PressureUnit) -> str:
    """The page.

    Parameters
    ----------
    unit
        Unit of every pressure in it but those of the enclosed JSON, which are kPa.
    """
    story = tell(result, unit)
    rooms = "\n".join(section_html(section) for section in story.sections)
    # Neither "</" nor "<!--" may occur within a script element.
    data = to_json(result).replace("<", "\\u003c")
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{escape(_title(story))}</title>
<style>{_STYLE}</style>
</head>
<body>
<header>
{paragraph(story.subject, "subject")}<h1>{escape(story.headline)}</h1>
<div class="lead">
{"".join(paragraph(sentence) for sentence in story.lead)}</div>
</header>
{_figure(result, unit)}
{fan_figure(result)}<main class="rooms">
{rooms}
</main>
<script type="application/json" id="result">
{data}</script>
</body>
</html>
"""


def _title(story: Story) -> str:
    return f"{titles.TITLE}: {story.subject}" if story.subject else titles.TITLE


def paragraph(text: str, kind: str = "") -> str:
    """A paragraph of a class; nothing for empty text."""
    if not text:
        return ""
    name = f' class="{kind}"' if kind else ""
    return f"<p{name}>{escape(text)}</p>\n"


def section_html(section: Section) -> str:
    """A heading with its sentences and points."""
    points = "".join(f"<li>{escape(_capital(point))}</li>\n" for point in section.points)
    listed = f"<ul>\n{points}</ul>\n" if points else ""
    spoken = "".join(paragraph(sentence) for sentence in section.sentences)
    return f"<section>\n<h2>{escape(section.title)}</h2>\n{spoken}{listed}</section>"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def fan_figure(result: Result) -> str:
    """The curve as a fan, as a figure; empty without a rev-up."""
    if result.curve is None:
        return ""
    drawings = "\n".join(
        f'<div class="{shape}">{fan.for_page(result, shape)}</div>' for shape in ("wide", "tall")
    )
    return f'<figure class="fan">\n{drawings}\n<figcaption>{_FAN_CAPTION}</figcaption>\n</figure>\n'


def _figure(result: Result, unit: PressureUnit) -> str:
    if not result.hill.curve_deg:
        return ""
    caption = _CAPTION.format(
        height="vacuum" if result.barometer_kpa is not None else "pressure (less is up)",
        set_words=("Full ball: where to set it. " if result.advice.set_deg is not None else ""),
    )
    return drawn(result, unit, picture.describe(result, unit), caption)


def drawn(result: Result, unit: PressureUnit, label: str, caption: str) -> str:
    """The hill as a figure: one drawing for wide screens and paper, one for a phone.

    Parameters
    ----------
    label
        For those who do not see it.
    """
    named = escape(label, quote=True)
    drawings = "\n".join(
        f'<div class="{shape}" role="img" aria-label="{named}">'
        f"{picture.svg_for_page(result, unit, shape)}</div>"
        for shape in SHAPES
    )
    return f"<figure>\n{drawings}\n<figcaption>{escape(caption)}</figcaption>\n</figure>"
