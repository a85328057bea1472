"""``vaclog demo``: the whole job on a capture that comes with the program."""

from __future__ import annotations

import click

from vaclog.cli.options import Showing, answer_options, show

# Recorded from the reference firmware; the package carries it, see pyproject.toml.
DEMO = "there_and_back"


@click.command()
@answer_options
def demo(showing: Showing) -> None:
    """Analyse the bundled sweep and print the advice; needs nothing plugged in."""
    from importlib.resources import as_file, files

    from vaclog.cards import load_engine_card, load_rig_card
    from vaclog.cli.progress import analyse_file

    with as_file(files("vaclog.sample_captures")) as folder:
        result = analyse_file(
            folder / f"{DEMO}.vaclog",
            engine=load_engine_card(folder / f"{DEMO}.engine.toml"),
            rig=load_rig_card(folder / f"{DEMO}.rig.toml"),
        )
    show(result, showing)
