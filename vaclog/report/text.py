"""The answer as plain text for a terminal.

Enters: a result and a unit. Leaves: lines of at most 80 characters, the answer first.
"""

from __future__ import annotations

import textwrap
from typing import Final

from vaclog.report.story import Section, tell
from vaclog.result import Result
from vaclog.units import PressureUnit

WIDTH: Final = 80


def render(result: Result, unit: PressureUnit) -> str:
    """The report as text, without a line feed at its end.

    Parameters
    ----------
    unit
        Unit of every pressure in it.
    """
    story = tell(result, unit)
    blocks = []
    if story.subject:
        blocks.append(wrapped(story.subject))
    blocks.append(wrapped(story.headline))
    blocks.append("\n".join(wrapped(sentence) for sentence in story.lead))
    blocks += [section_text(section) for section in story.sections]
    return "\n\n".join(block for block in blocks if block)


def section_text(section: Section) -> str:
    """A heading with its sentences and points."""
    lines = [section.title]
    if section.sentences:
        lines.append(wrapped(" ".join(section.sentences), "  "))
    lines += [wrapped(point, "  - ", "    ") for point in section.points]
    return "\n".join(lines)


def wrapped(text: str, first: str = "", rest: str | None = None) -> str:
    """Text in lines of at most 80 characters; ``first`` and ``rest`` begin them."""
    return textwrap.fill(
        text,
        WIDTH,
        initial_indent=first,
        subsequent_indent=first if rest is None else rest,
        break_on_hyphens=False,
    )
