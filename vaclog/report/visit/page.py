"""The report of a visit as one HTML page to keep: no other file, no script, no remote asset.

Enters: a visit, the one before and a unit. Leaves: HTML text. Light or dark as the reader's screen
is, light in print; readable on a phone. The visit's document is kept in the page as JSON.
"""

from __future__ import annotations

from dataclasses import replace
from html import escape
from typing import Final

from vaclog.report import picture
from vaclog.report.look import PAGE_STYLE
from vaclog.report.page import drawn, fan_figure, paragraph, section_html
from vaclog.report.story import Section
from vaclog.report.visit import words as visit_words
from vaclog.report.visit.numbers import Table
from vaclog.report.visit.story import VisitStory, tell
from vaclog.result import Result
from vaclog.units import PressureUnit
from vaclog.visit.records import Visit, visit_to_json
from vaclog.visit.road import set_deg

_STYLE: Final = (
    PAGE_STYLE
    + """\
h2 { font-size: 1.3rem; margin: 2rem 0 .6rem; }
h3, .rooms h2 { font-size: 1.1rem; margin: .6rem 0 .35rem; padding-bottom: .15rem;
  border-bottom: 2px solid var(--band); }
.wide-table { overflow-x: auto; margin-bottom: 1.4rem; break-inside: avoid; }
table { border-collapse: collapse; font-size: .95rem; min-width: 18rem; }
caption { text-align: left; font-weight: bold; padding: .6rem 0 .3rem; }
th, td { text-align: left; vertical-align: baseline; padding: .28rem 1.3rem .28rem 0;
  border-bottom: 1px solid var(--band); font-variant-numeric: tabular-nums; }
thead th { color: var(--quiet); font-weight: normal; font-size: .9rem; }
tbody th { font-weight: normal; }
td:not(:last-child), thead th { white-space: nowrap; }
.note { color: var(--quiet); font-size: .9rem; max-width: 44rem; }
.method { max-width: 44rem; font-size: .97rem; }
pre { white-space: pre-wrap; overflow-wrap: anywhere; background: var(--far); padding: .8rem 1rem;
  font: .82rem/1.45 'DejaVu Sans Mono', monospace; margin: .3rem 0 1rem; }
@media (max-width: 36rem) { .wide { display: none; } .tall { display: block; }
  h1 { font-size: 1.45rem; } .lead { font-size: 1.0625rem; } table { min-width: 100%; }
  th, td { padding-right: .8rem; } }
@page { size: A4; margin: 16mm 15mm; }
@media print { .wide { display: block; } .tall { display: none; }
  html { font-size: 9.5pt; }
  body { font-size: 1rem; padding: 0; max-width: none; background: none; }
  h1 { font-size: 1.6rem; } .lead { font-size: 1.1rem; }
  .rooms { columns: 2 15rem; column-gap: 2rem; }
  h2, h3, caption { break-after: avoid; } h2 { margin-top: 1.2rem; }
  figure { break-inside: avoid; margin: .8rem 0; } figure .wide { max-width: 40rem; }
  .wide-table { overflow: visible; margin-bottom: .9rem; } table { font-size: .92rem; }
  th, td { padding: .14rem 1rem .14rem 0; } pre { font-size: .8rem; break-inside: avoid; } }
"""
)

_CAPTION: Final = (
    "The hill of idle {height} over advance, seen from the side, as it was swept. Full line: "
    "swept ground; dashed: only reckoned; the band is its 95 % uncertainty. Footprints are cycles, "
    "paler with age. Open ball: the last hold of that sweep. {ball}Fences: limits."
)


def render(visit: Visit, previous: Visit | None, unit: PressureUnit) -> str:
    """The page.

    Parameters
    ----------
    previous
        The visit before it to the same engine, or None.
    unit
        Unit of every pressure in it but those of the enclosed JSON, which are kPa.
    """
    story = tell(visit, previous, unit)
    # Neither "</" nor "<!--" may occur within a script element.
    data = visit_to_json(visit).replace("<", "\\u003c")
    lead = "".join(paragraph(sentence) for sentence in story.lead)
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{escape(story.subject)}</title>
<style>{_STYLE}</style>
</head>
<body>
<header>
{paragraph(story.subject, "subject")}<h1>{escape(story.headline)}</h1>
<div class="lead">
{lead}</div>
</header>
{_figure(story.picture, set_deg(visit), unit)}
<main>
<div class="rooms">
{_sections(story.plain)}
</div>
{_fan(visit)}{_numbers(story)}
{_method(story)}
</main>
<script type="application/json" id="visit">
{data}</script>
</body>
</html>
"""


def _sections(sections: tuple[Section, ...]) -> str:
    return "\n".join(section_html(section) for section in sections)


def _figure(result: Result | None, left_deg: float | None, unit: PressureUnit) -> str:
    """The hill of the visit, its ball where the distributor was left, else at the advice."""
    if result is None:
        return ""
    ball = "Full ball: the advice. " if result.advice.set_deg is not None else ""
    if left_deg is not None:
        ball = "Full ball: where it was left. "
        result = replace(result, advice=replace(result.advice, set_deg=left_deg))
    caption = _CAPTION.format(
        height="vacuum" if result.barometer_kpa is not None else "pressure (less is up)",
        ball=ball,
    )
    figure = drawn(result, unit, picture.describe(result, unit), caption)
    # The picture speaks at the engine; a year later "now" is something else.
    return figure.replace(">now ", ">last hold ")


def _fan(visit: Visit) -> str:
    """The curve of the newest capture with a rev-up; one made for it before a drive's."""
    for capture in sorted(reversed(visit.captures), key=lambda each: each.purpose != "curve"):
        if capture.result.curve is not None:
            return fan_figure(capture.result)
    return ""


def _numbers(story: VisitStory) -> str:
    if not story.tables:
        return ""
    made = "\n".join(_table(table) for table in story.tables)
    return f"<h2>{visit_words.NUMBERS}</h2>\n{made}"


def _table(table: Table) -> str:
    head = "".join(f'<th scope="col">{escape(name)}</th>' for name in table.head)
    rows = "\n".join(_row(row) for row in table.rows)
    note = paragraph(table.note, "note")
    return (
        f'<div class="wide-table">\n<table>\n<caption>{escape(table.title)}</caption>\n'
        f"<thead><tr>{head}</tr></thead>\n<tbody>\n{rows}\n</tbody>\n</table>\n{note}</div>"
    )


def _row(row: tuple[str, ...]) -> str:
    name, *cells = row
    told = "".join(f"<td>{escape(cell)}</td>" for cell in cells)
    return f'<tr><th scope="row">{escape(name[:1].upper() + name[1:])}</th>{told}</tr>'


def _method(story: VisitStory) -> str:
    cards = "\n".join(
        f"<h3>{escape(name)}</h3>\n<pre>{escape(toml)}</pre>" for name, toml in story.cards
    )
    told = "\n".join(
        f"<section>\n<h3>{escape(part.title)}</h3>\n"
        + "".join(paragraph(sentence) for sentence in part.sentences)
        + _list(part.points)
        + "</section>"
        for part in story.method
    )
    return f'<h2>Method and sources</h2>\n<div class="method">\n{told}\n{cards}\n</div>'


def _list(points: tuple[str, ...]) -> str:
    members = "".join(f"<li>{escape(point)}</li>\n" for point in points)
    return f"<ul>\n{members}</ul>\n" if members else ""
