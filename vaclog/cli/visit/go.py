"""The guided way through a visit: one question at a time, left at any moment.

Every answer is kept before the next question is asked.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final, Protocol

import click

from vaclog.cli.visit.desk import Desk, add_capture
from vaclog.cli.visit.words import (
    capture_lines,
    doubt_lines,
    locked_line,
    say,
    step_lines,
)
from vaclog.errors import VaclogError, VisitError

if TYPE_CHECKING:
    from vaclog.visit.events import Event
    from vaclog.visit.questions import Question
    from vaclog.visit.records import Visit
    from vaclog.visit.steps import Next

HELP: Final = "  ? shows it again; skip, note TEXT, redo STEP; quit: all is kept"
_WORDS: Final = ("yes", "y", "no", "n", "skip", "s")  # even where a file is called so


class _Left(Exception):  # noqa: N818 - not an error: the person goes
    """The person goes; everything is kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cue:
    """What a rehearsal shows at a question, and what Enter alone then says.

    Attributes
    ----------
    tells
        What would be seen or heard at the engine; may be empty.
    says
        The answer that is offered.
    records
        Enter alone lets the engine record what is wanted.
    """

    tells: str = ""
    says: str = ""
    records: bool = False


class Partner(Protocol):
    """Who plays the engine where there is none."""

    def cue(self, visit: Visit, due: Next) -> Cue:
        """What is seen at the engine now."""
        ...

    def record(self, visit: Visit, due: Next) -> Path:
        """A capture of what is wanted now, or wanted again."""
        ...


@dataclass(slots=True, kw_only=True)
class Guide:
    """Leads through a visit.

    Attributes
    ----------
    desk, unit, mapping
        Where it is kept; unit of pressure; column mapping of captures that are CSV.
    partner
        Plays the engine in a rehearsal; None: there is a real one.
    alone
        With a partner: take every cue without asking.
    again
        The command that goes on, where it is not that of a visit.
    shown
        Keys of the steps that were told, newest last.
    """

    desk: Desk
    unit: str
    mapping: Path | None = None
    partner: Partner | None = None
    alone: bool = False
    again: str = ""
    shown: list[str] = field(default_factory=list)

    def lead(self) -> None:
        """Ask and tell until the visit ends or the person goes."""
        where = self.desk.where()
        was: Visit | None = None
        try:
            while True:
                with self.desk.garage() as garage:
                    visit = self.desk.visit(garage)
                self.desk.number = visit.number
                if visit.ended:
                    click.echo(f"The {_kind(visit)} has ended. Its report:")
                    click.echo(f"  vaclog visit report --visit {visit.number}{where}")
                    return
                if self.alone and visit == was:
                    raise VisitError(
                        f"Nobody can be asked, and {visit.step!r} does not go on by itself.",
                        step=f"Take it up by hand: {self.again}",
                    )
                was = visit
                self._one(visit)
        except (click.Abort, EOFError, _Left):
            click.echo(f"\nAll is kept. Go on with: {self.again or f'vaclog visit go{where}'}")

    def _one(self, visit: Visit) -> None:
        """One question."""
        from vaclog.visit.steps import next_step

        due = next_step(visit)
        if due.step.key not in self.shown[-1:]:
            click.echo()
            self._tell(visit, due, brief=due.step.key in self.shown)
            if not self.shown:
                say([HELP])
            self.shown.append(due.step.key)
        if due.ask is None:
            say(doubt_lines(due))
        try:
            self._hear(visit, due, self._ask(visit, due))
        except VaclogError as error:
            if self.alone:
                raise
            say([f"  {part}" for part in (error.fact, error.cause, error.step) if part])
        except click.UsageError as error:
            if self.alone:
                raise
            say([f"  {error.message}"])

    def _tell(self, visit: Visit, due: Next, *, brief: bool = False) -> None:
        """The step; in a rehearsal nobody may take it for a real one."""
        head, *rest = step_lines(due, brief=brief)
        say([f"REHEARSAL, {head}" if visit.rehearsal else head, *rest])

    def _ask(self, visit: Visit, due: Next) -> str:
        """What the person says; in a rehearsal Enter alone says what is offered."""
        prompt = _prompt(due)
        if self.partner is None:
            return str(click.prompt(prompt, default="", show_default=False)).strip()
        cue = self.partner.cue(visit, due)
        if cue.tells:
            say([f"  ~ {line}" for line in cue.tells.splitlines()])
        enter = "record it" if cue.records else cue.says
        if self.alone:
            say([f"{prompt}: {enter}"])
            said = ""
        else:
            said = str(
                click.prompt(f"{prompt} (Enter: {enter})", default="", show_default=False)
            ).strip()
        if said:
            return said
        return str(self.partner.record(visit, due)) if cue.records else cue.says

    def _hear(self, visit: Visit, due: Next, said: str) -> None:
        """Do what was said."""
        from vaclog.visit.events import Ended, LeftOut, Noted, Redone

        desk = self.desk
        word, _, rest = said.partition(" ")
        low = word.lower()
        if low in ("quit", "q"):
            raise _Left
        if low == "?" or not said:
            self._tell(visit, due)
        elif low == "note" and rest:
            desk.happen(Noted(text=rest))
        elif low == "redo" and rest:
            desk.happen(Redone(step=rest), visit)
        elif low == "end" and due.step.key in ("defer", "record"):
            desk.happen(Ended(at=desk.now()), visit)
        elif low == "skip" and due.ask is None:
            what = "check" if due.wants == "check" else due.step.key
            desk.happen(LeftOut(step=what, why=rest), visit)
            say([f"  {due.step.costs}"])
        else:
            self._answer(visit, due, said)

    def _answer(self, visit: Visit, due: Next, said: str) -> None:
        """An answer to what was asked; a file is a capture wherever the step takes one."""
        desk = self.desk
        word = said.lower() in _WORDS
        if due.step.purpose is not None and not word and Path(said).expanduser().is_file():
            self._capture(Path(said).expanduser())
        elif due.ask is not None:
            _point(desk, visit, due.ask.key, said)
        elif due.step.key == "record" and said.lower() in ("no", "n"):
            raise _Left
        elif (event := _event(desk, due, said)) is not None:
            _, after = desk.happen(event, visit)
            if due.step.key == "lock":
                say([f"  {locked_line(after)}"])
        elif due.put_right and said.rsplit(maxsplit=1)[-1] in ("yes", "no", "skip"):
            _point(desk, visit, said.split(maxsplit=1)[0], said.rsplit(maxsplit=1)[-1])
        elif due.wants is not None:
            click.echo(f"  There is no file {said!r}. Give its path, or skip.")
        else:
            click.echo("  Not understood. ? shows the step again.")

    def _capture(self, file: Path) -> None:
        from vaclog.units import pressure_unit

        _, after, kept = add_capture(self.desk, file, None, self._mapping_of(file))
        say([f"  {line}" for line in capture_lines(after, kept, pressure_unit(self.unit))])

    def _mapping_of(self, file: Path) -> Path | None:
        """The mapping, for CSV alone: a visit may be given captures of both kinds."""
        from vaclog.capture.open import open_capture
        from vaclog.errors import CaptureError, FutureVersionError

        if self.mapping is None:
            return None
        try:
            return self.mapping if open_capture(file).kind == "csv" else None
        except FutureVersionError:
            return None
        except CaptureError:
            return self.mapping


def _kind(visit: Visit) -> str:
    return "rehearsal" if visit.rehearsal else "visit"


def _prompt(due: Next) -> str:
    if due.ask is not None:
        again = any(point.measured and point.key == due.ask.key for point in due.put_right)
        more = f", or a new capture for {due.step.purpose}" if again and due.step.purpose else ""
        return f"{due.ask.ask} [{_answers(due.ask)}{more}]"
    if due.wants is not None and due.step.key not in ("lock", "road"):
        return f"Capture file for {due.wants}"
    return {
        "set": "Done? [yes, or the degrees reached]",
        "lock": "Capture file, or degrees moved, or yes (not seen)",
        "road": "What was heard? [clean/pinking/unsure, or a capture file of it first]",
        "defer": "redo set, once the cause is cured; end, if not",
        "record": "End the visit? [yes/no]",
    }.get(due.step.key, "Put right? Key and yes or skip, or a new capture file")


def _answers(ask: Question) -> str:
    words = [] if ask.needs_value else ["yes", "no"]
    words += [] if ask.must else ["skip"]
    return "/".join([*words, *([f"number {ask.unit}"] if ask.unit else [])])


def _event(desk: Desk, due: Next, said: str) -> Event | None:
    """The event that an answer to a step without questions makes."""
    from vaclog.visit.events import Driven, Ended, Tightened, TurnedTo
    from vaclog.visit.records import Pinking, RoadTrial, Setting

    low, number = said.lower(), _degrees(said)
    yes = low in ("yes", "y", "done")
    heard: dict[str, Pinking] = {"clean": "none heard", "pinking": "heard", "unsure": "unsure"}
    at = desk.now()
    if due.step.key == "set" and (yes or number is not None):
        return TurnedTo(setting=Setting(reached_deg=number, at=at))
    if due.step.key == "lock" and (yes or number is not None):
        return Tightened(moved_deg=number, at=at)
    if due.step.key == "road" and low in heard:
        return Driven(trial=RoadTrial(number=0, pinking=heard[low], at=at))
    if due.step.key == "record" and yes:
        return Ended(at=at)
    return None


def _point(desk: Desk, visit: Visit, key: str, said: str) -> None:
    from vaclog.cli.visit.commands import answered_point
    from vaclog.visit.events import Answered
    from vaclog.visit.questions import QUESTIONS

    low = said.lower()
    word = {"y": "yes", "n": "no", "s": "skip"}.get(low, low)
    if word in ("yes", "no", "skip"):
        point = answered_point(visit, key, word, None, desk.now())
    elif not QUESTIONS[key].unit:
        click.echo("  Not understood. ? shows the step again.")
        return
    else:  # a number says yes
        point = answered_point(visit, key, "yes", said, desk.now())
    desk.happen(Answered(point=point), visit)
    if point.text:
        say([f"  {point.text}"])


def _degrees(said: str) -> float | None:
    try:
        return float(said.rstrip("°").replace(",", "."))
    except ValueError:
        return None
