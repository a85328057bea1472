"""``vaclog road``: what a drive under full load says of pinking, and what next."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from vaclog.cli.hearing import time_us
from vaclog.cli.options import FILE_IN, UNITS, CardFiles, card_options

if TYPE_CHECKING:
    from vaclog.result import PinkingMark, Result
    from vaclog.signals.tables import CycleTable


@click.command()
@click.argument("capture", type=click.Path(path_type=Path))
@card_options
@click.option("--mapping", type=FILE_IN, help="Column mapping of a CSV file (TOML).")
@click.option(
    "--sound",
    type=click.Path(path_type=Path),
    help="Recording of the drive, WAV or FLAC; the engine card must give bore_mm.",
)
@click.option(
    "--sound-from",
    metavar="TIME",
    help="Second of the capture at which the recording was started (may be negative), to about "
    "3 s; only needed where it fits at two places.",
)
@click.option(
    "--heard",
    multiple=True,
    metavar="TIME",
    help="Pinking was heard then, seconds or m:ss of the capture; may be given several times.",
)
@click.option(
    "--unit",
    type=click.Choice(UNITS, case_sensitive=False),
    default="inHg",
    show_default=True,
    help="Unit of pressure in text (JSON is always kPa).",
)
@click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON.")
def road(
    capture: Path,
    mapping: Path | None,
    sound: Path | None,
    sound_from: str | None,
    heard: tuple[str, ...],
    unit: str,
    as_json: bool,
    cards: CardFiles,
) -> None:
    """What the full-load runs in CAPTURE say of pinking, and what to do next.

    A passenger works phone and button, on a private or a quiet road. Pinking is what the button
    marked, what --heard says, and what a recording of the drive raises suspicion of. No pinking
    heard is no proof that there was none.
    """
    from vaclog.analysis.road.together import road_test
    from vaclog.cli.hearing import hear_file
    from vaclog.cli.progress import replay_file
    from vaclog.result.document import as_plain
    from vaclog.units import pressure_unit

    times_us = [time_us(text) for text in heard]
    hint_s = None if sound_from is None else time_us(sound_from) / 1e6
    engine, rig = cards.load()
    session, result = replay_file(capture, engine=engine, rig=rig, mapping=mapping)
    cycles = session.cycles()
    test = road_test(
        result,
        typed=_marks(times_us, cycles, result),
        hearing=None if sound is None else hear_file(sound, session, result, hint_s),
        max_total_deg=session.engine.max_total_deg,
    )
    if as_json:
        click.echo(json.dumps(as_plain(test, "road"), allow_nan=False, indent=1))
        return
    from vaclog.report.words.road import render

    click.echo(render(test, pressure_unit(unit)))


def _marks(times_us: list[int], cycles: CycleTable, result: Result) -> tuple[PinkingMark, ...]:
    """Typed times as marks; one that belongs to no drive is said to be left out."""
    from vaclog.analysis.findings import Phase
    from vaclog.analysis.road.loads import rows_of
    from vaclog.analysis.road.marks import find_pinking
    from vaclog.units import us_from_s

    phases = [
        Phase(kind=span.kind, start_us=us_from_s(span.start_s), end_us=us_from_s(span.end_s))
        for span in result.phases
    ]
    found: list[PinkingMark] = []
    for at_us in times_us:
        placed = find_pinking([(at_us, "typed")], cycles, rows_of(cycles, result.loads), phases)
        if not placed:
            click.echo(
                f"At {at_us / 1e6:g} s nothing was driven in this capture: that time is left out.",
                err=True,
            )
        found += placed
    return tuple(found)
