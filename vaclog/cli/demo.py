"""``vaclog demo``: the whole job on a capture that comes with the program."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from vaclog.cli.options import Showing, answer_options, show

if TYPE_CHECKING:
    from importlib.resources.abc import Traversable

# Recorded from the reference firmware; the package carries it, see pyproject.toml.
DEMO = "there_and_back"


def _samples() -> Traversable:
    """The package's own captures; in a checkout that is not installed, the folder beside it."""
    from importlib.resources import files

    try:
        return files("vaclog.sample_captures")
    except ModuleNotFoundError:
        return files("vaclog") / ".." / "sample_captures"


@click.command()
@answer_options
def demo(showing: Showing) -> None:
    """Analyse the bundled sweep and print the advice; needs nothing plugged in."""
    from contextlib import ExitStack
    from importlib.resources import as_file

    from vaclog.cards import load_engine_card, load_rig_card
    from vaclog.cli.progress import analyse_file

    with ExitStack() as stack:
        capture, engine, rig = (
            stack.enter_context(as_file(_samples() / f"{DEMO}{ending}"))
            for ending in (".vaclog", ".engine.toml", ".rig.toml")
        )
        result = analyse_file(capture, engine=load_engine_card(engine), rig=load_rig_card(rig))
    show(result, showing)
