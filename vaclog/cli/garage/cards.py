"""``vaclog garage engine`` and ``vaclog garage rig``: the cards that are kept."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from vaclog.cli.garage.file import garage_option, now, open_garage
from vaclog.cli.options import FILE_IN

if TYPE_CHECKING:
    from vaclog.garage import CardRow

_JSON = click.option("--json", "as_json", is_flag=True, help="Print as JSON.")


@click.group()
def engine() -> None:
    """Engine cards: what the maker says."""


@click.group()
def rig() -> None:
    """Rig cards: what is clipped on."""


@engine.command("add")
@click.argument("card", type=FILE_IN, required=False)
@click.option("--name", default="", help="Keep it under this name instead of the card's own.")
@_JSON
@garage_option
def engine_add(card: Path | None, name: str, as_json: bool, garage: Path) -> None:
    """Keep a new engine card, from the TOML file CARD or asked question by question.

    Asked, the figures may be given as the maker prints them: crank or distributor degrees, static
    or by strobe at some speed, vacuum hose on or off.
    """
    from vaclog.cards import read_card_file
    from vaclog.cli.garage.asking import sound_engine

    toml = sound_engine() if card is None else read_card_file(card)
    with open_garage(garage, create=True) as opened:
        kept = opened.add_engine(toml, name=name, at=now())
    _told(kept, as_json, "engine")


@engine.command("edit")
@click.argument("name")
@click.argument("card", type=FILE_IN, required=False)
@click.option("--rename", default="", help="Keep it under another name from now on.")
@click.option("--editor", is_flag=True, help="Open the card's text in an editor instead of asking.")
@_JSON
@garage_option
def engine_edit(
    name: str, card: Path | None, rename: str, editor: bool, as_json: bool, garage: Path
) -> None:
    """Replace the engine card NAME by the file CARD, or ask again what is on it.

    Visits keep the card as it was when they were made.
    """
    from vaclog.cards import engine_card
    from vaclog.cli.garage.asking import ask_engine, until_sound

    with open_garage(garage) as opened:
        present = opened.engine(name).toml
        toml = _changed(
            present,
            card,
            editor=editor,
            rename=rename,
            ask=lambda: until_sound(lambda: ask_engine(engine_card(present)), engine_card),
        )
        kept = opened.edit_engine(name, toml, rename=rename, at=now())
    _told(kept, as_json, "engine")


@engine.command("show")
@click.argument("name")
@_JSON
@garage_option
def engine_show(name: str, as_json: bool, garage: Path) -> None:
    """Print the engine card NAME as TOML, and what looks odd about it."""
    with open_garage(garage) as opened:
        kept = opened.engine(name)
    if not as_json:
        click.echo(kept.toml.rstrip())
    _told(kept, as_json, "engine", shown=True)


@engine.command("list")
@_JSON
@garage_option
def engine_list(as_json: bool, garage: Path) -> None:
    """List the engines with their visits."""
    with open_garage(garage) as opened:
        rows = opened.engines()
    _list(rows, as_json)


@rig.command("add")
@click.argument("name")
@click.argument("card", type=FILE_IN, required=False)
@_JSON
@garage_option
def rig_add(name: str, card: Path | None, as_json: bool, garage: Path) -> None:
    """Keep a new rig card as NAME, from the TOML file CARD or asked question by question."""
    from vaclog.cards import read_card_file
    from vaclog.cli.garage.asking import sound_rig

    toml = sound_rig() if card is None else read_card_file(card)
    with open_garage(garage, create=True) as opened:
        kept = opened.add_rig(name, toml, at=now())
    _told(kept, as_json, "rig")


@rig.command("edit")
@click.argument("name")
@click.argument("card", type=FILE_IN, required=False)
@click.option("--rename", default="", help="Keep it under another name from now on.")
@click.option("--editor", is_flag=True, help="Open the card's text in an editor instead of asking.")
@_JSON
@garage_option
def rig_edit(
    name: str, card: Path | None, rename: str, editor: bool, as_json: bool, garage: Path
) -> None:
    """Replace the rig card NAME by the file CARD, or ask anew what is clipped on."""
    from vaclog.cli.garage.asking import sound_rig

    with open_garage(garage) as opened:
        present = opened.rig(name).toml
        toml = _changed(present, card, editor=editor, rename=rename, ask=sound_rig)
        kept = opened.edit_rig(name, toml, rename=rename, at=now())
    _told(kept, as_json, "rig")


@rig.command("show")
@click.argument("name")
@_JSON
@garage_option
def rig_show(name: str, as_json: bool, garage: Path) -> None:
    """Print the rig card NAME as TOML, and what it leaves open."""
    with open_garage(garage) as opened:
        kept = opened.rig(name)
    if not as_json:
        click.echo(kept.toml.rstrip())
    _told(kept, as_json, "rig", shown=True)


@rig.command("list")
@_JSON
@garage_option
def rig_list(as_json: bool, garage: Path) -> None:
    """List the rigs with their visits."""
    with open_garage(garage) as opened:
        rows = opened.rigs()
    _list(rows, as_json)


def _changed(
    present: str, card: Path | None, *, editor: bool, rename: str, ask: Callable[[], str]
) -> str:
    """A card's new text: from a file, from an editor, unchanged under a new name, or asked."""
    from vaclog.cards import read_card_file

    if card is not None:
        return read_card_file(card)
    if editor:
        # Closed without saving, it stays as it is.
        return click.edit(present, extension=".toml") or present
    return present if rename else ask()


def _told(kept: CardRow, as_json: bool, which: str, *, shown: bool = False) -> None:
    """What was kept on stdout, what looks odd on stderr."""
    from vaclog.cards import doubts, engine_card, rig_card

    if which == "engine":
        card = engine_card(kept.toml, where=kept.name)
        fields, odd = asdict(card), doubts(card)
    else:
        clipped = rig_card(kept.toml, where=kept.name)
        fields, odd = asdict(clipped), clipped.remarks
    if as_json:
        document = {**_document(kept), "card": fields, "doubts": list(odd)}
        click.echo(json.dumps(document, allow_nan=False))
    elif not shown:
        click.echo(f"Kept: {which} {kept.name}.")
    if not as_json:
        for sentence in odd:
            click.echo(sentence, err=True)


def _document(kept: CardRow) -> dict[str, object]:
    return asdict(kept)


def _list(rows: list[CardRow], as_json: bool) -> None:
    if as_json:
        click.echo(json.dumps([_document(row) for row in rows], allow_nan=False))
        return
    width = max((len(row.name) for row in rows), default=0)
    for row in rows:
        visits = f"{row.visits} visit{'' if row.visits == 1 else 's'}"
        changed = f"changed {row.changed[:10]}" if row.changed else ""
        click.echo(f"{row.name:<{width}}  {visits:>10}  {changed}".rstrip())
    if not rows:
        click.echo("No cards are kept yet.", err=True)
