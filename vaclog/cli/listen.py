"""``vaclog listen``: record a port, watch, and answer when it ends."""

from __future__ import annotations

import signal
import sys
import threading
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from vaclog.cli.options import FILE_OUT, CardFiles, Showing, answer_options, card_options, show

if TYPE_CHECKING:
    from vaclog.session import CyclesGrew, Event, Provisional

# Cycles between two provisional looks at the hill: about nine seconds of a four-cylinder idle.
LOOK_EVERY = 64

CAUTIONS = (
    "Outdoors or with the exhaust led out. Keep sleeves, hair and cables off belts and fans "
    "(electric ones start by themselves) and off hot parts. Insulated gloves near the "
    "high-tension leads; with a pacemaker stay away. Extinguisher at hand. Laptop on battery."
)


@click.command()
@click.argument("port")
@card_options
@click.option(
    "--capture",
    type=FILE_OUT,
    help="File to record into.  [default: vaclog-DATE-TIME.vaclog in this folder]",
)
@click.option("--seconds", type=click.FloatRange(min=0, min_open=True), help="Stop by itself.")
@answer_options
def listen(
    port: str, cards: CardFiles, capture: Path | None, seconds: float | None, showing: Showing
) -> None:
    """Record PORT into a capture and analyse it; Ctrl-C ends it and prints the answer.

    The capture is complete however the program ends; `vaclog replay` gives the same answer
    from it again.
    """
    from vaclog import daemon
    from vaclog.capture.writer import CaptureWriter
    from vaclog.session import Session
    from vaclog.sources.carded import Carded
    from vaclog.sources.serial_port import SerialSource

    cards.load()  # a wrong card is said before the engine runs
    path = capture or Path(datetime.now().strftime("vaclog-%Y%m%d-%H%M%S.vaclog"))
    stop = threading.Event()
    _stop_on_signals(stop)
    source = Carded(SerialSource(port), engine=cards.engine, rig=cards.rig, seconds=seconds)
    session = Session(capture=path.name, provisional_every=LOOK_EVERY)
    click.echo(CAUTIONS, err=True)
    click.echo(f"Recording {port} into {path}. Ctrl-C ends it and prints the answer.", err=True)
    result = daemon.listen(
        source, CaptureWriter(path), session, stop=stop, on_event=_Watcher().on_event
    )
    click.echo(f"Recorded into {path}.", err=True)
    show(result, showing)


def _stop_on_signals(stop: threading.Event) -> None:
    """The first Ctrl-C (or TERM) ends the recording; a second one ends the program."""

    def handle(number: int, _frame: object) -> None:
        if stop.is_set():
            signal.signal(number, signal.SIG_DFL)
        stop.set()

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, handle)


class _Watcher:
    """Says on stderr what goes on: one line that is written over, and what is noticed."""

    def __init__(self) -> None:
        self._live = sys.stderr.isatty()
        self._phase = ""
        self._hill = ""

    def on_event(self, event: Event) -> None:
        """Show one event."""
        from vaclog.session import CyclesGrew, Noticed, Provisional

        match event:
            case Noticed():
                self._wipe()
                click.echo(event.text, err=True)
            case Provisional():
                self._look(event)
            case CyclesGrew():
                if self._live:
                    self._write_over(event)

    def _look(self, look: Provisional) -> None:
        fit = look.fit
        self._phase = look.phase
        self._hill = (
            f"top so far {fit.low_deg:.1f} to {fit.high_deg:.1f}°" if fit.found else "no top yet"
        )
        if not self._live:
            click.echo(f"{look.cycles} cycles, {self._phase}, {self._hill}", err=True)

    def _write_over(self, grew: CyclesGrew) -> None:
        advance = "" if grew.advance_deg != grew.advance_deg else f"  {grew.advance_deg:.1f}°"
        line = (
            f"{grew.cycles} cycles  {grew.rpm:.0f} rpm  {grew.pressure_kpa:.1f} kPa abs{advance}"
            f"  {self._phase}  {self._hill}"
        )
        self._wipe()
        click.echo(line[:110], err=True, nl=False)

    def _wipe(self) -> None:
        if self._live:
            click.echo("\r\x1b[K", err=True, nl=False)
