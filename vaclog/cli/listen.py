"""``vaclog listen``: record a port, lead the hand, show it on a phone, and answer at the end."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from vaclog.cli.listen_from import from_capture, from_port, from_simulation
from vaclog.cli.listen_says import Says, stop_on_signals
from vaclog.cli.options import FILE_IN, FILE_OUT, CardFiles, Showing, answer_options, card_options
from vaclog.cli.options import show as show_answer

if TYPE_CHECKING:
    from vaclog.daemon.sounding import Tone
    from vaclog.daemon.speaking import Speaker
    from vaclog.daemon.station import PagePlace
    from vaclog.session import CyclesGrew, Event, Instruct

CAUTIONS = (
    "Outdoors or with the exhaust led out. Keep sleeves, hair and cables off belts and fans "
    "(electric ones start by themselves) and off hot parts. Insulated gloves near the "
    "high-tension leads; with a pacemaker stay away. Extinguisher at hand. Laptop on battery."
)
PAGE_PORT = 8484
_SPEED = click.FloatRange(min=0, min_open=True)


@click.command()
@click.argument("port", required=False)
@click.option("--simulate", metavar="SCENARIO", help="An engine that is not there, and a hand.")
@click.option("--replay", type=FILE_IN, help="Play a capture as if it went on now.")
@click.option("--speed", type=_SPEED, default=1.0, show_default=True, help="Times real time.")
@click.option("--seed", type=int, default=1, show_default=True, help="With --simulate.")
@click.option(
    "--baud",
    type=click.IntRange(min=300),
    default=500_000,
    show_default=True,
    help="Speed of PORT; a sketch's text lines are often at 115200.",
)
@card_options
@click.option(
    "--capture",
    type=FILE_OUT,
    help="File to record into.  [default: vaclog-DATE-TIME.vaclog in this folder]",
)
@click.option("--seconds", type=click.FloatRange(min=0, min_open=True), help="Stop by itself.")
@click.option(
    "--goal",
    type=click.FloatRange(min=0.2, max=10.0),
    default=1.0,
    show_default=True,
    help="How well the top is to be known: ± degrees of crank at 95 %.",
)
@click.option("--strobe", is_flag=True, help="A strobe or a strip is read where nothing measures.")
@click.option("--page/--no-page", default=True, show_default=True, help="Serve the page.")
@click.option("--lan", is_flag=True, help="Let phones of the local network in, by invitation.")
@click.option("--bind", metavar="ADDRESS", help="Serve the page at this address.")
@click.option("--port-number", type=click.IntRange(0, 65535), help="And at this port.")
@click.option("--called", multiple=True, metavar="NAME", help="A name the page goes by.")
@click.option(
    "--remember",
    type=FILE_OUT,
    help="File that keeps who was invited, for ever.  [default: one of yours, for a day]",
)
@click.option("--forget", is_flag=True, help="Forget who was invited before.")
@click.option("--say", is_flag=True, help="Speak the instructions, if a program here can.")
@click.option("--tone", is_flag=True, help="Sound a tone that rises with the vacuum.")
@answer_options
def listen(
    port: str | None,
    simulate: str | None,
    replay: Path | None,
    speed: float,
    seed: int,
    baud: int,
    cards: CardFiles,
    capture: Path | None,
    seconds: float | None,
    goal: float,
    strobe: bool,
    page: bool,
    lan: bool,
    bind: str | None,
    port_number: int | None,
    called: tuple[str, ...],
    remember: Path | None,
    forget: bool,
    say: bool,
    tone: bool,
    showing: Showing,
) -> None:
    """Record PORT into a capture, lead the hand, and analyse; Ctrl-C ends it with the answer.

    The capture is complete however the program ends; `vaclog replay` gives the same answer
    from it again.
    """
    from vaclog.daemon import Desk
    from vaclog.daemon.station import PagePlace, Watchers, run_station
    from vaclog.guidance.scene import Options
    from vaclog.units import pressure_unit

    if sum(each is not None for each in (port, simulate, replay)) != 1:
        raise click.UsageError("Give one of PORT, --simulate SCENARIO or --replay FILE.")
    engine, rig = cards.load()  # a wrong card is said before the engine runs
    stop, desk = threading.Event(), Desk()
    stop_on_signals(stop)
    options = Options(goal_deg=goal, strobe=strobe)
    if replay is not None:
        heard = from_capture(replay, cards, capture, speed)
    elif simulate is not None:
        heard = from_simulation(simulate, options, desk, capture, seed=seed, speed=speed)
    else:
        assert port is not None
        heard = from_port(port, options, cards, capture, baud=baud, seconds=seconds)
    place: PagePlace | None = None
    if page:
        from vaclog.web.invited import A_DAY_S, usual_file

        place = PagePlace(
            bind=bind or ("0.0.0.0" if lan else "127.0.0.1"),
            port=PAGE_PORT if port_number is None else port_number,
            or_next=port_number is None,
            names=called,
            remember=remember or usual_file(os.environ),
            remember_s=A_DAY_S if remember is None else None,
            forget=forget,
        )
    with ExitStack() as stack:
        says = stack.enter_context(Says())
        if port is not None:
            says.line(CAUTIONS)
        speaker = _speaker(stack, says) if say else None
        sound = _tone(stack, says, speaker) if tone else None
        watcher = _Watcher(says, speaker, heard.hears, speed, sound)
        if heard.capture is not None:
            says.line(
                f"Recording {heard.name} into {heard.capture}. Ctrl-C ends it and prints the "
                "answer."
            )
        stack.enter_context(_nothing_left(heard.capture))
        result = run_station(
            heard.source,
            heard.keeper,
            name=heard.name,
            capture=(heard.capture or replay or Path("none")).name,
            stop=stop,
            watchers=Watchers(
                on_event=watcher.on_event,
                on_address=lambda address: _tell_address(says, address, lan=lan),
                log=says.line,
                on_led=heard.on_led,
            ),
            desk=desk,
            engine=engine if replay is not None else None,
            rig=rig if replay is not None else None,
            unit=pressure_unit(showing.unit),
            page=place,
            room=None if heard.room is None else heard.room.look,
        )
        if heard.capture is not None:
            says.line(f"Recorded into {heard.capture}.")
    show_answer(result, showing)


@contextmanager
def _nothing_left(capture: Path | None) -> Iterator[None]:
    """Take away the capture of a port or page that could not be opened: nothing is in it."""
    from vaclog.errors import PortError, VaclogError

    try:
        yield
    except VaclogError as error:
        from vaclog.web.server import PageError

        if capture is not None and isinstance(error, PortError | PageError):
            capture.unlink(missing_ok=True)
        raise


# Who watches ----------------------------------------------------------------------------------


def _tell_address(says: Says, address: str, *, lan: bool) -> None:
    says.line(f"Page: {address}")
    says.line("The address lets one browser in, once; further ones are invited there.")
    if lan:
        from vaclog.web.code import terminal

        says.line(terminal(address))


def _speaker(stack: ExitStack, says: Says) -> Speaker | None:
    from vaclog.daemon.speaking import PROGRAMS, Speaker, program

    command = program()
    if command is None:
        names = ", ".join(each[0] for each in PROGRAMS)
        says.line(f"Nothing here can speak; install one of {names}.")
        return None
    return stack.enter_context(Speaker(command))


def _tone(stack: ExitStack, says: Says, speaker: Speaker | None) -> Tone:
    from vaclog.daemon.sounding import Tone, players

    speaks = (lambda: False) if speaker is None else (lambda: speaker.is_speaking)
    return stack.enter_context(Tone(players(), say=says.line, speaks=speaks))


class _Watcher:
    """Says what goes on: one line that is written over, and what is to be done."""

    def __init__(
        self,
        says: Says,
        speaker: Speaker | None,
        hears: Callable[[Instruct], None] | None,
        speed: float,
        tone: Tone | None,
    ) -> None:
        self._says, self._speaker, self._hears, self._speed = says, speaker, hears, speed
        self._tone = tone

    def on_event(self, event: Event) -> None:
        """Show one event."""
        from vaclog.session import CyclesGrew, Instruct, Noticed

        match event:
            case Noticed():
                self._says.line(event.text)
            case Instruct():
                self._instruct(event)
            case CyclesGrew():
                if self._tone is not None:
                    self._tone.follow(event.mean_kpa)
                if self._says.live:
                    self._says.over(_short(event))

    def _instruct(self, event: Instruct) -> None:
        from vaclog.guidance.sentences import words

        instruction = event.instruction
        said = words(instruction)
        self._says.line(f"→ {said.shown}  ({said.reason})")
        if self._hears is not None:
            self._hears(event)
        if self._speaker is not None:
            valid_s = instruction.valid_us / 1e6 / self._speed
            self._speaker.offer(said.said, instruction.urgency, valid_s)


def _short(grew: CyclesGrew) -> str:
    """The engine in one line."""
    advance = "" if grew.mean_deg != grew.mean_deg else f"  {grew.mean_deg:.1f}°"
    line = f"{grew.cycles} cycles  {grew.mean_rpm:.0f} rpm  {grew.mean_kpa:.1f} kPa abs{advance}"
    return line[:110]
