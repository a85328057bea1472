"""``vaclog batch``: a folder of captures becomes one table."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from vaclog.cli.options import FILE_OUT, CardFiles, card_options
from vaclog.cli.writing import writing

if TYPE_CHECKING:
    from vaclog.cli.batch.table import BatchRow

INTERRUPTED = 130  # as shells count a command that was ended by Ctrl-C


@click.command()
@click.argument("folder", type=click.Path(exists=True, file_okay=False, path_type=Path))
@card_options
@click.option("--out", type=FILE_OUT, help="Write the table: .json, else CSV.")
@click.option(
    "--jobs", type=click.IntRange(min=1), help="Processes at a time.  [default: one a core]"
)
@click.option("--json", "as_json", is_flag=True, help="Print the table as JSON.")
def batch(
    folder: Path, cards: CardFiles, out: Path | None, jobs: int | None, as_json: bool
) -> None:
    """Analyse every capture in FOLDER over the cores, and make one table.

    Cards named NAME.engine.toml and NAME.rig.toml beside the capture NAME.* are used; without
    them those given here; without those, the ones within the capture. A broken file is a row with
    its error. Ctrl-C keeps the rows that are done.
    """
    from vaclog.cli.batch.work import rows, tasks

    cards.load()  # a wrong card is said once, before the work
    work = tasks(folder, cards.engine, cards.rig, out)
    done: dict[int, BatchRow] = {}
    interrupted = False
    try:
        for place, row in rows(work, min(jobs or os.cpu_count() or 1, len(work))):
            done[place] = row
            _progress(len(done), len(work), row)
    except KeyboardInterrupt:
        interrupted = True
    _give_out([done[place] for place in sorted(done)], out, as_json)
    if interrupted:
        click.echo(f"Stopped: {len(done)} of {len(work)} captures are in the table.", err=True)
        sys.exit(INTERRUPTED)


def _give_out(made: list[BatchRow], out: Path | None, as_json: bool) -> None:
    from vaclog.cli.batch import table as batch_table

    if out is not None:
        with writing(out):
            batch_table.write(made, out)
        click.echo(f"Written: {out}, {len(made)} rows.", err=True)
    if as_json:
        click.echo(batch_table.as_json(made), nl=False)
    elif out is None:
        click.echo(batch_table.as_text(made))


def _progress(done: int, total: int, row: BatchRow) -> None:
    said = "not analysed" if row.error else ("top found" if row.found else "no top")
    click.echo(f"[{done}/{total}] {row.capture}: {said}", err=True)
