"""The report of a visit, printed or written."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from vaclog.cli.writing import writing
from vaclog.visit.records import Visit


def visit_before(visits: Sequence[Visit], visit: Visit) -> Visit | None:
    """The visit before this one, out of those of its engine, newest first.

    A rehearsal is compared with rehearsals alone, and nothing real with one.
    """
    return next(
        (
            each
            for each in visits
            if (each.begun, each.number) < (visit.begun, visit.number)
            and each.rehearsal == visit.rehearsal
        ),
        None,
    )


def show_visit(
    visit: Visit,
    previous: Visit | None,
    *,
    unit: str,
    as_json: bool,
    html: Path | None,
    pdf: Path | None,
) -> None:
    """Print a visit beside the one before it; write the page or the PDF that was asked for."""
    from vaclog.report.visit import page as visit_page
    from vaclog.report.visit import text as visit_text
    from vaclog.units import pressure_unit
    from vaclog.visit.records import visit_to_json

    shown_in = pressure_unit(unit)
    click.echo(visit_to_json(visit) if as_json else visit_text.render(visit, previous, shown_in))
    if html is None and pdf is None:
        return
    page = visit_page.render(visit, previous, shown_in)
    if html is not None:
        with writing(html):
            html.write_text(page, encoding="utf-8")
    if pdf is not None:
        from vaclog.cli.printing import print_pdf

        print_pdf(page, pdf)
