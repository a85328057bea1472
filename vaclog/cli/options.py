"""Options that several commands share, and the way an answer is shown.

Each decorator gathers its options into one keyword of the command: ``cards`` or ``showing``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from vaclog.cli.writing import writing

if TYPE_CHECKING:
    from vaclog.cards import EngineCard, RigCard
    from vaclog.result import Result

FILE_IN = click.Path(exists=True, dir_okay=False, path_type=Path)
FILE_OUT = click.Path(dir_okay=False, path_type=Path)

# Kept here as text so that --help need not load what converts them; a test holds them equal.
UNITS = ("inHg", "kPa", "mbar", "mmHg", "psi")


@dataclass(frozen=True, slots=True, kw_only=True)
class CardFiles:
    """The cards named on the command line."""

    engine: Path | None
    rig: Path | None

    def load(self) -> tuple[EngineCard | None, RigCard | None]:
        """Read and check them; None where none was named."""
        from vaclog.cards import load_engine_card, load_rig_card

        return (
            None if self.engine is None else load_engine_card(self.engine),
            None if self.rig is None else load_rig_card(self.rig),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Showing:
    """How the answer is shown."""

    unit: str
    as_json: bool
    html: Path | None
    plot: Path | None


def card_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add ``--engine`` and ``--rig``; the command gets ``cards``."""

    @click.option("--engine", type=FILE_IN, help="Engine card (TOML): what the maker says.")
    @click.option("--rig", type=FILE_IN, help="Rig card (TOML): what is clipped on.")
    @wraps(command)
    def wrapper(*args: Any, engine: Path | None, rig: Path | None, **rest: Any) -> None:
        command(*args, cards=CardFiles(engine=engine, rig=rig), **rest)

    return wrapper


def answer_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add the options that say how an answer is shown; the command gets ``showing``."""

    @click.option(
        "--unit",
        type=click.Choice(UNITS, case_sensitive=False),
        default="inHg",
        show_default=True,
        help="Unit of pressure in text and pictures (JSON is always kPa).",
    )
    @click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
    @click.option("--html", type=FILE_OUT, help="Write one HTML page to keep.")
    @click.option("--plot", type=FILE_OUT, help="Write the picture: .png or .svg.")
    @wraps(command)
    def wrapper(
        *args: Any, unit: str, as_json: bool, html: Path | None, plot: Path | None, **rest: Any
    ) -> None:
        command(*args, showing=Showing(unit=unit, as_json=as_json, html=html, plot=plot), **rest)

    return wrapper


def show(result: Result, showing: Showing) -> None:
    """Print the answer and write the files that were asked for."""
    from vaclog.units import pressure_unit

    unit = pressure_unit(showing.unit)
    if showing.as_json:
        from vaclog.result import to_json

        click.echo(to_json(result), nl=False)
    else:
        from vaclog.report import text

        click.echo(text.render(result, unit))
    # The answer is out before any file can fail.
    if showing.html is not None:
        from vaclog.report import page

        with writing(showing.html):
            showing.html.write_text(page.render(result, unit), encoding="utf-8")
    if showing.plot is not None:
        from vaclog.report import picture

        with writing(showing.plot):
            picture.save(result, showing.plot, unit)
