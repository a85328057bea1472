"""``vaclog replay``: a recorded capture becomes the answer."""

from __future__ import annotations

from pathlib import Path

import click

from vaclog.cli.options import FILE_IN, CardFiles, Showing, answer_options, card_options, show
from vaclog.cli.reading import TypedReadings, reading_options


@click.command()
@click.argument("capture", type=click.Path(path_type=Path))
@card_options
@click.option("--mapping", type=FILE_IN, help="Column mapping of a CSV file (TOML).")
@reading_options
@answer_options
def replay(
    capture: Path,
    mapping: Path | None,
    cards: CardFiles,
    typed: TypedReadings,
    showing: Showing,
) -> None:
    """Analyse CAPTURE: a capture, a bare stream, text lines or CSV, told apart by content.

    Cards given here override those kept in the capture.
    """
    from vaclog.cli.progress import analyse_file

    engine, rig = cards.load()
    show(analyse_file(capture, engine=engine, rig=rig, mapping=mapping, typed=typed), showing)
