"""Options that several commands share, and the way an answer is shown."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from vaclog.cards import EngineCard, RigCard
    from vaclog.result import Result

Command = TypeVar("Command", bound=Callable[..., Any])

UNITS = ("inHg", "kPa", "mbar", "mmHg", "psi")

_FILE_IN = click.Path(exists=True, dir_okay=False, path_type=Path)
_FILE_OUT = click.Path(dir_okay=False, path_type=Path)


def card_options(command: Command) -> Command:
    """Add ``--engine`` and ``--rig``."""
    command = click.option(
        "--rig", "rig_path", type=_FILE_IN, help="Rig card (TOML): what is clipped on."
    )(command)
    return click.option(
        "--engine", "engine_path", type=_FILE_IN, help="Engine card (TOML): what the maker says."
    )(command)


def answer_options(command: Command) -> Command:
    """Add the options that say how the answer is shown."""
    for option in (
        click.option("--plot", "plot_path", type=_FILE_OUT, help="Write the picture (PNG or SVG)."),
        click.option("--html", "html_path", type=_FILE_OUT, help="Write one HTML page to keep."),
        click.option("--json", "as_json", is_flag=True, help="Print the result as JSON."),
        click.option(
            "--unit",
            type=click.Choice(UNITS, case_sensitive=False),
            default="inHg",
            show_default=True,
            help="Unit of pressure in text and pictures (JSON is always kPa).",
        ),
    ):
        command = option(command)
    return command


@dataclass(frozen=True, slots=True, kw_only=True)
class Showing:
    """How the answer is shown; the values of :func:`answer_options`."""

    unit: str
    as_json: bool
    html_path: Path | None
    plot_path: Path | None


def load_cards(
    engine_path: Path | None, rig_path: Path | None
) -> tuple[EngineCard | None, RigCard | None]:
    """Read the cards that were named on the command line."""
    from vaclog.cards import load_engine_card, load_rig_card

    engine = None if engine_path is None else load_engine_card(engine_path)
    rig = None if rig_path is None else load_rig_card(rig_path)
    return engine, rig


def show(result: Result, showing: Showing) -> None:
    """Print the answer and write the files that were asked for."""
    from vaclog.units import pressure_unit

    unit = pressure_unit(showing.unit)
    if showing.html_path is not None:
        from vaclog.report import page

        write_text(showing.html_path, page.render(result, unit))
    if showing.plot_path is not None:
        from vaclog.report import picture

        picture.save(result, showing.plot_path, unit)
    if showing.as_json:
        from vaclog.result import to_json

        click.echo(to_json(result))
        return
    from vaclog.report import text

    click.echo(text.render(result, unit))


def write_text(path: Path, content: str) -> None:
    """Write a file, or say what is wrong with the place.

    Raises
    ------
    StorageError
        The file cannot be written.
    """
    from vaclog.errors import StorageError

    try:
        path.write_text(content, encoding="utf-8")
    except OSError as error:
        raise StorageError(
            f"{path} cannot be written: {error.strerror}.",
            cause="The disk is full, the folder is missing, or it belongs to someone else.",
            step="Choose another place for the file; the capture itself is untouched.",
        ) from error
