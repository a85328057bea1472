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
        blocks.append(_wrap(story.subject))
    blocks.append(_wrap(story.headline))
    blocks.append("\n".join(_wrap(sentence) for sentence in story.lead))
    blocks += [_section(section) for section in story.sections]
    return "\n\n".join(block for block in blocks if block)


def _section(section: Section) -> str:
    lines = [section.title]
    if section.sentences:
        lines.append(_wrap(" ".join(section.sentences), "  "))
    lines += [_wrap(point, "  - ", "    ") for point in section.points]
    return "\n".join(lines)


def _wrap(text: str, first: str = "", rest: str | None = None) -> str:
    return textwrap.fill(
        text,
        WIDTH,
        initial_indent=first,
        subsequent_indent=first if rest is None else rest,
        break_on_hyphens=False,
    )
