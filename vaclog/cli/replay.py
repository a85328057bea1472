"""``vaclog replay``: a recorded capture becomes the answer."""

from __future__ import annotations

from pathlib import Path

import click

from vaclog.cli.options import Showing, answer_options, card_options, load_cards, show


@click.command()
@click.argument("capture", type=click.Path(path_type=Path))
@card_options
@click.option(
    "--mapping",
    "mapping_path",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Column mapping of a CSV file (TOML).",
)
@answer_options
def replay(
    capture: Path,
    engine_path: Path | None,
    rig_path: Path | None,
    mapping_path: Path | None,
    unit: str,
    as_json: bool,
    html_path: Path | None,
    plot_path: Path | None,
) -> None:
    """Analyse CAPTURE: a capture, a bare stream, text lines or CSV, told apart by content.

    Cards given here override those kept in the capture.
    """
    from vaclog.cli.progress import analyse_file

    engine, rig = load_cards(engine_path, rig_path)
    result = analyse_file(capture, engine=engine, rig=rig, mapping=mapping_path)
    show(
        result,
        Showing(unit=unit, as_json=as_json, html_path=html_path, plot_path=plot_path),
    )
