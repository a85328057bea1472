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
    from contextlib import ExitStack
    from importlib.resources import as_file, files

    from vaclog.cards import load_engine_card, load_rig_card
    from vaclog.cli.progress import analyse_file

    with ExitStack() as stack:
        capture, engine, rig = (
            stack.enter_context(as_file(files("vaclog.sample_captures") / f"{DEMO}{ending}"))
            for ending in (".vaclog", ".engine.toml", ".rig.toml")
        )
        result = analyse_file(capture, engine=load_engine_card(engine), rig=load_rig_card(rig))
    show(result, showing)
