"""``vaclog garage``: what is remembered of engines, rigs and visits."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING

import click

from vaclog.cli.garage.cards import engine, rig
from vaclog.cli.garage.file import garage_option, open_garage
from vaclog.cli.options import FILE_IN, FILE_OUT, UNITS

if TYPE_CHECKING:
    from vaclog.garage.backup import Soundness

_JSON = click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
_UNIT = click.option(
    "--unit",
    type=click.Choice(UNITS, case_sensitive=False),
    default="inHg",
    show_default=True,
    help="Unit of pressure in text and pages (JSON is always kPa).",
)


@click.group()
def garage() -> None:
    """Engines, rigs and visits, kept in one file.

    What is printed can be had as JSON; `export` writes everything for other programs.
    """


garage.add_command(engine)
garage.add_command(rig)


@garage.command()
@click.option("--engine", "of_engine", help="Only of this engine.")
@click.option("--last", type=click.IntRange(min=1), help="Only the newest so many.")
@_UNIT
@_JSON
@garage_option
def visits(of_engine: str | None, last: int | None, unit: str, as_json: bool, garage: Path) -> None:
    """List the visits, newest first."""
    with open_garage(garage) as opened:
        if of_engine is not None:
            of_engine = opened.engine(of_engine).name
        lines = opened.visits(of_engine, limit=last)
    if as_json:
        members = [json.dumps(line._asdict(), allow_nan=False) for line in lines]
        click.echo("[" + ",\n ".join(members) + "]")
        return
    from vaclog.cli.garage.lines import visits_table
    from vaclog.units import pressure_unit

    if not lines:
        click.echo("No visits are kept yet.", err=True)
        return
    click.echo(visits_table(lines, pressure_unit(unit)))


@garage.command()
@click.argument("number", type=int)
@click.option("--html", type=FILE_OUT, help="Write one HTML page to keep.")
@click.option("--pdf", type=FILE_OUT, help="Write the page as PDF; needs Chromium.")
@_UNIT
@_JSON
@garage_option
def show(
    number: int, html: Path | None, pdf: Path | None, unit: str, as_json: bool, garage: Path
) -> None:
    """Tell visit NUMBER, beside the visit before it to the same engine."""
    from vaclog.cli.visit.report import show_visit, visit_before

    with open_garage(garage) as opened:
        visit = opened.visit(number)
        previous = visit_before(opened.visits_of(visit.engine), visit)
    show_visit(visit, previous, unit=unit, as_json=as_json, html=html, pdf=pdf)


@garage.command()
@click.argument("older", type=int)
@click.argument("newer", type=int)
@_UNIT
@_JSON
@garage_option
def compare(older: int, newer: int, unit: str, as_json: bool, garage: Path) -> None:
    """Tell what changed from visit OLDER to visit NEWER, and how sure that is."""
    from vaclog.report.visit import change as visit_change
    from vaclog.result.document import as_plain
    from vaclog.units import pressure_unit
    from vaclog.visit.compare import compare as compare_visits

    with open_garage(garage) as opened:
        one, two = opened.visit(older), opened.visit(newer)
    if one.engine != two.engine:
        click.echo(f"These are two engines: {one.engine!r} and {two.engine!r}.", err=True)
    for each in (one, two):
        if each.rehearsal:
            click.echo(f"Visit {each.number} is a REHEARSAL on a simulated engine.", err=True)
    if two.begun and one.begun > two.begun:
        click.echo(f"Visit {older} is the later one, so the two were swapped.", err=True)
        one, two = two, one
    found = compare_visits(one, two)
    if as_json:
        click.echo(json.dumps(as_plain(found, "comparison"), allow_nan=False))
        return
    for sentence in visit_change.since(found, pressure_unit(unit)):
        click.echo(fill(sentence, 88, subsequent_indent="  ", break_on_hyphens=False))


@garage.command()
@click.argument("target", type=click.Path(path_type=Path))
@garage_option
def export(target: Path, garage: Path) -> None:
    """Write everything to TARGET: one document if it ends in .json, else a folder of CSV files."""
    with open_garage(garage) as opened:
        if target.suffix.lower() == ".json":
            opened.export_json(target)
            click.echo(target)
            return
        for path in opened.export_csv(target):
            click.echo(path)


@garage.command()
@click.argument("target", type=FILE_OUT)
@_JSON
@garage_option
def backup(target: Path, as_json: bool, garage: Path) -> None:
    """Copy the garage to TARGET, also while it is in use, and check the copy."""
    with open_garage(garage) as opened:
        _print_soundness(opened.backup(target), as_json)


@garage.command()
@click.argument("file", type=click.Path(path_type=Path), required=False)
@_JSON
@garage_option
def check(file: Path | None, as_json: bool, garage: Path) -> None:
    """Check FILE (a backup), or the garage itself, page by page; nothing is changed."""
    from vaclog.garage.backup import check_file

    found = check_file(file or garage)
    _print_soundness(found, as_json)
    if not found.sound:
        raise click.exceptions.Exit(6)


@garage.command()
@click.argument("captures", type=FILE_IN, nargs=-1, required=True)
@click.option("--inside", is_flag=True, help="Keep the bytes in the garage too, compressed.")
@garage_option
def keep(captures: tuple[Path, ...], inside: bool, garage: Path) -> None:
    """Remember where capture files are, by their hash."""
    with open_garage(garage, create=True) as opened:
        for path in captures:
            click.echo(f"{opened.keep_file(path, inside=inside)}  {path}")


@garage.command()
@click.argument("sha256")
@click.option(
    "--in",
    "folders",
    multiple=True,
    help="Look for it in this folder.",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
)
@click.option("--out", type=FILE_OUT, help="Write it there, if its bytes are kept inside.")
@garage_option
def find(sha256: str, folders: tuple[Path, ...], out: Path | None, garage: Path) -> None:
    """Find a capture by its hash, or the beginning of it, also when the file was moved."""
    from vaclog.errors import UnknownRecordError

    with open_garage(garage) as opened:
        if out is not None:
            click.echo(opened.take_out(sha256, out))
            return
        place = opened.find_file(sha256, folders)
    if place is None:
        raise UnknownRecordError(
            f"The capture {sha256[:12]} is not where it was.",
            cause="It was moved, renamed or deleted.",
            step="Look for it with --in FOLDER; one kept inside is written out with --out FILE.",
        )
    click.echo(place)


def _print_soundness(found: Soundness, as_json: bool) -> None:
    if as_json:
        document = {**asdict(found), "path": str(found.path), "sound": found.sound}
        click.echo(json.dumps(document, allow_nan=False))
        return
    verdict = "sound" if found.sound else "NOT sound"
    click.echo(
        f"{found.path}: {verdict}, schema {found.schema}, {found.engines} engines, {found.rigs} "
        f"rigs, {found.visits} visits, {found.captures} captures."
    )
    for fault in found.faults:
        click.echo(f"  {fault}")
