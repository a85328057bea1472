"""The report of a visit as plain text for a terminal.

Enters: a visit, the one before and a unit. Leaves: lines of at most 80 characters, plain language
first. Tables that are wider are left to the page.
"""

from __future__ import annotations

from vaclog.report.text import WIDTH, section_text, wrapped
from vaclog.report.visit.numbers import Table
from vaclog.report.visit.story import tell
from vaclog.units import PressureUnit
from vaclog.visit.records import Visit


def render(visit: Visit, previous: Visit | None, unit: PressureUnit) -> str:
    """The report as text, without a line feed at its end.

    Parameters
    ----------
    previous
        The visit before it to the same engine, or None.
    """
    story = tell(visit, previous, unit)
    blocks = [wrapped(story.subject), wrapped(story.headline)]
    blocks.append("\n".join(wrapped(sentence) for sentence in story.lead))
    blocks += [section_text(section) for section in story.plain]
    blocks += [text for table in story.tables if (text := table_text(table))]
    return "\n\n".join(block for block in blocks if block)


def table_text(table: Table) -> str:
    """A table in columns; empty where it is wider than a terminal."""
    lines = [table.head, *table.rows]
    widths = [max(len(line[place]) for line in lines) for place in range(len(table.head))]
    if sum(widths) + 2 * len(widths) > WIDTH:
        return ""
    shown = [
        "  "
        + "  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip()
        for line in lines
    ]
    return "\n".join([table.title, *shown])
