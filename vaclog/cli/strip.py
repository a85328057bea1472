"""``vaclog strip``: a paper scale for the rim of the distributor body."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from vaclog.cli.options import FILE_IN, FILE_OUT
from vaclog.cli.writing import writing

if TYPE_CHECKING:
    from vaclog.report.strip import StripSpec
    from vaclog.result import TurnWay


@click.command()
@click.option("--engine", type=FILE_IN, help="Engine card: radius and rotor from there.")
@click.option(
    "--radius-mm",
    type=click.FloatRange(min=10.0, max=120.0),
    help="Radius of the rim: half of what a caliper measures.",
)
@click.option(
    "--rotor",
    type=click.Choice(["clockwise", "counterclockwise"]),
    help="Way the rotor turns, seen from above the cap.  [default: strips for both]",
)
@click.option(
    "--span",
    type=click.IntRange(min=10, max=300),
    default=30,
    show_default=True,
    help="Crank degrees to either side of zero.",
)
@click.option(
    "--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Sheet."
)
@click.option("--out", type=FILE_OUT, required=True, help="File to write: .pdf or .svg.")
def strip(
    engine: Path | None,
    radius_mm: float | None,
    rotor: TurnWay | None,
    span: int,
    paper: str,
    out: Path,
) -> None:
    """Draw a paper strip that makes the rim of the body an angle scale, in crank degrees.

    It is true to size on paper: measure its ruler before you glue it. Its readings go into
    `vaclog replay --strip`, or are tapped on the page.
    """
    from vaclog.report.sheet import pdf, svg
    from vaclog.report.strip import sheet

    if out.suffix.lower() not in (".pdf", ".svg"):
        raise click.UsageError(f"{out}: write .pdf or .svg.")
    spec = _spec(engine, radius_mm, rotor, span, paper)
    try:
        drawn = sheet(spec)
    except ValueError as error:
        raise click.UsageError(f"{error}. Choose a smaller --span.") from error
    with writing(out):
        out.write_bytes(pdf(drawn) if out.suffix.lower() == ".pdf" else svg(drawn).encode())
    click.echo(
        f"Wrote {out}: one crank degree is {spec.mm_per_deg:.3f} mm on a rim of "
        f"{spec.radius_mm:g} mm. Print at 100 %, measure the ruler, glue with the engine off.",
        err=True,
    )


def _spec(
    engine: Path | None, radius_mm: float | None, rotor: TurnWay | None, span: int, paper: str
) -> StripSpec:
    """What to draw; the command line counts before the card."""
    from vaclog.cards import EngineCard, load_engine_card
    from vaclog.report.strip import StripSpec

    card = EngineCard() if engine is None else load_engine_card(engine)
    radius = card.body_radius_mm if radius_mm is None else radius_mm
    if radius is None:
        raise click.UsageError("Give --radius-mm, or --engine with body_radius_mm on the card.")
    return StripSpec(
        radius_mm=radius,
        span_deg=span,
        rotor_turns=card.rotor_turns if rotor is None else rotor,
        paper="letter" if paper == "letter" else "a4",
    )
