"""The report of a visit, printed or written."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from vaclog.cli.writing import writing

if TYPE_CHECKING:
    from vaclog.cli.visit.desk import Desk
    from vaclog.garage.garage import Garage
    from vaclog.visit.records import Visit


def print_report(desk: Desk, *, html: Path | None, pdf: Path | None, unit: str) -> None:
    """Print the report of a visit; write the page or the PDF that was asked for."""
    from vaclog.report.visit import page as visit_page
    from vaclog.report.visit import text as visit_text
    from vaclog.units import pressure_unit
    from vaclog.visit.records import visit_to_json

    with desk.garage() as garage:
        visit = desk.reported(garage)
        previous = visit_before(garage, visit)
    shown = pressure_unit(unit)
    if desk.as_json:
        click.echo(visit_to_json(visit))
    else:
        click.echo(visit_text.render(visit, previous, shown))
    if html is None and pdf is None:
        return
    page = visit_page.render(visit, previous, shown)
    if html is not None:
        with writing(html):
            html.write_text(page, encoding="utf-8")
    if pdf is not None:
        from vaclog.cli.printing import print_pdf

        print_pdf(page, pdf)


def visit_before(garage: Garage, visit: Visit) -> Visit | None:
    """The visit to the same engine before this one."""
    earlier = [
        each
        for each in garage.visits_of(visit.engine)
        if (each.begun, each.number) < (visit.begun, visit.number)
    ]
    return max(earlier, key=lambda each: (each.begun, each.number), default=None)
