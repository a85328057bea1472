"""``vaclog simulate``: an engine that is not there, as a capture or as a port."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from vaclog.cli.options import FILE_OUT
from vaclog.cli.writing import writing

if TYPE_CHECKING:
    from vaclog.simulator import Recording


@click.command()
@click.argument("scenario", required=False)
@click.option("--list", "listing", is_flag=True, help="List the scenarios, a line of words each.")
@click.option("--seed", type=int, default=1, show_default=True, help="Another seed, another day.")
@click.option("--out", type=FILE_OUT, help="Capture to write; .txt writes text lines.")
@click.option(
    "--cards",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for the two cards and the truth.",
)
@click.option("--serve", is_flag=True, help="Be a serial port that sends in real time.")
@click.option(
    "--speed",
    type=click.FloatRange(min=0, min_open=True),
    default=1.0,
    show_default=True,
    help="Times real time, with --serve.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the list as JSON.")
def simulate(
    scenario: str | None,
    listing: bool,
    seed: int,
    out: Path | None,
    cards: Path | None,
    serve: bool,
    speed: float,
    as_json: bool,
) -> None:
    """Simulate SCENARIO; without one, list them.

    The scenarios that begin with "workshop" are one engine through a whole visit, step by step,
    with the same two cards. `vaclog visit rehearse` plays them for you.
    """
    from vaclog.simulator.presets import PRESETS, preset

    if scenario is None or listing:
        _list(as_json)
        return
    if scenario not in PRESETS:
        raise click.BadParameter(
            f"{scenario!r}{_meant(scenario, PRESETS)}. `vaclog simulate --list` tells them.",
            param_hint="SCENARIO",
        )
    if out is None and cards is None and not serve:
        raise click.UsageError("Nothing to do: give --out FILE, --cards FOLDER or --serve.")
    click.echo(f"Simulating {scenario}, seed {seed} ...", err=True)
    recording = preset(scenario).simulate(seed)
    if cards is not None:
        write_cards(cards, recording)
    if out is not None:
        write_capture(out, recording)
    if serve:
        _serve(recording, speed)


def _list(as_json: bool) -> None:
    """The scenarios: first those that show one thing, then the visit in its order."""
    from vaclog.simulator.presets import PRESETS, SINGLE, WORKSHOP

    if as_json:
        rows = [{"scenario": name, "words": story.words} for name, story in PRESETS.items()]
        click.echo(json.dumps(rows, indent=1))
        return
    width = max(len(name) for name in PRESETS)
    for title, stories in (
        ("One thing each:", SINGLE),
        ("One engine through a whole visit:", WORKSHOP),
    ):
        click.echo(title)
        for name, story in stories.items():
            click.echo(f"  {name:<{width}}  {story.words}")


def _meant(scenario: str, known: Iterable[str]) -> str:
    import difflib

    near = difflib.get_close_matches(scenario, known, n=1)
    return f": perhaps {near[0]!r} was meant" if near else " is no scenario"


def write_cards(folder: Path, recording: Recording) -> None:
    """The two cards and the truth, into a folder that is made where missing."""
    truth = recording.truth
    with writing(folder):
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "engine.toml").write_text(recording.engine_card_toml, encoding="utf-8")
        (folder / "rig.toml").write_text(recording.rig_card_toml, encoding="utf-8")
        (folder / "truth.json").write_text(
            json.dumps({"peak_deg": truth.peak_deg, "peak_rig_deg": truth.peak_rig_deg}) + "\n",
            encoding="utf-8",
        )


def write_capture(out: Path, recording: Recording) -> None:
    """A capture with its cards, or text lines where the name ends so."""
    from vaclog.capture.writer import CaptureWriter
    from vaclog.records import CardText, Chunk

    with writing(out):
        if out.suffix == ".txt":
            out.write_bytes(recording.text)
            return
    writer = CaptureWriter(out)
    writer.write(CardText(at_us=0, which="engine", toml=recording.engine_card_toml))
    writer.write(CardText(at_us=0, which="rig", toml=recording.rig_card_toml))
    for at_us, data in recording.chunks:
        writer.write(Chunk(at_us=at_us, data=data))
    writer.close()


def _serve(recording: Recording, speed: float) -> None:
    from vaclog.sources.virtual_port import VirtualPort

    with VirtualPort() as port:
        click.echo(port.name)
        click.echo("Listen to it from another terminal; Ctrl-C ends it.", err=True)
        port.play(recording.chunks, stop=threading.Event(), speed=speed)
