"""``vaclog trend``: how an engine's figures went over its visits."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from vaclog.cli.garage.file import garage_option, open_garage
from vaclog.cli.options import UNITS

if TYPE_CHECKING:
    from vaclog.visit.records import Visit


@click.command()
@click.argument("engine")
@click.option(
    "--false-alarm",
    type=click.FloatRange(1e-6, 0.5),
    default=0.01,
    show_default=True,
    help="How often chance alone may be called a change, for each test.",
)
@click.option(
    "--unit",
    type=click.Choice(UNITS, case_sensitive=False),
    default="inHg",
    show_default=True,
    help="Unit of pressure in text (JSON is always kPa).",
)
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
@garage_option
def trend(engine: str, false_alarm: float, unit: str, as_json: bool, garage: Path) -> None:
    """Tell what changed over the visits of ENGINE, and what only seems to have."""
    from vaclog.report.visit import trend as trend_words
    from vaclog.units import pressure_unit
    from vaclog.visit.follow import follow

    with open_garage(garage) as opened:
        kept = opened.visits_of(opened.engine(engine).name)
    visits = _real(kept)
    followed = follow(visits, false_alarm=false_alarm)
    if as_json:
        click.echo(json.dumps([asdict(each) for each in followed], allow_nan=False, indent=1))
        return
    for line in trend_words.trend(followed, pressure_unit(unit), false_alarm=false_alarm):
        indent = "  " if line.startswith("  ") else ""
        click.echo(
            textwrap.fill(
                line.strip(),
                80,
                initial_indent=indent,
                subsequent_indent=indent + "  ",
                break_on_hyphens=False,
            )
        )


def _real(kept: Sequence[Visit]) -> Sequence[Visit]:
    """Visits to a real engine; rehearsals where there is nothing else, and said as such."""
    real = [each for each in kept if not each.rehearsal]
    if kept and not real:
        click.echo("REHEARSALS on a simulated engine: nothing here is real.", err=True)
        return kept
    if len(real) < len(kept):
        click.echo(f"Left out, as rehearsals: {len(kept) - len(real)} visit(s).", err=True)
    return real
