"""The guided way through a visit: one question at a time, left at any moment.

Every answer is kept before the next question is asked.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from vaclog.cli.visit.desk import Desk, add_capture
from vaclog.cli.visit.words import (
    capture_lines,
    doubt_lines,
    locked_line,
    say,
    step_lines,
)
from vaclog.errors import VaclogError

if TYPE_CHECKING:
    from vaclog.visit.events import Event
    from vaclog.visit.questions import Question
    from vaclog.visit.records import Visit
    from vaclog.visit.steps import Next

HELP: Final = "  ? shows it again; skip, note TEXT, redo STEP; quit: all is kept"


class _Left(Exception):  # noqa: N818 - not an error: the person goes
    """The person goes; everything is kept."""


def lead(desk: Desk, unit: str) -> None:
    """Ask and tell until the visit ends or the person goes."""
    shown: list[str] = []
    try:
        while True:
            with desk.garage() as garage:
                visit = desk.visit(garage)
            desk.number = visit.number
            if visit.ended:
                say([f"The visit has ended: vaclog visit report --visit {visit.number}"])
                return
            _one(desk, visit, unit, shown)
    except (click.Abort, EOFError, _Left):
        click.echo("\nAll is kept. Go on with: vaclog visit go")


def _one(desk: Desk, visit: Visit, unit: str, shown: list[str]) -> None:
    """One question. ``shown`` are the steps that were told, newest last."""
    from vaclog.visit.steps import next_step

    due = next_step(visit)
    if due.step.key not in shown[-1:]:
        say(["", *step_lines(due, brief=due.step.key in shown)])
        if not shown:
            say([HELP])
        shown.append(due.step.key)
    if due.ask is None:
        say(doubt_lines(due))
    said = click.prompt(_prompt(due), default="", show_default=False).strip()
    try:
        _hear(desk, visit, due, said, unit)
    except VaclogError as error:
        say([f"  {part}" for part in (error.fact, error.cause, error.step) if part])
    except click.UsageError as error:
        say([f"  {error.message}"])


def _prompt(due: Next) -> str:
    if due.ask is not None:
        return f"{due.ask.ask} [{_answers(due.ask)}]"
    if due.wants is not None and due.step.key != "lock":
        return f"Capture file for {due.wants}"
    return {
        "set": "Done? [yes, or the degrees reached]",
        "lock": "Capture file, or degrees moved, or yes (not seen)",
        "road": "What was heard? [clean/pinking/unsure, or a capture file of it first]",
        "defer": "redo set, once the cause is cured; end, if not",
        "record": "End the visit? [yes/no]",
    }.get(due.step.key, "Put right? Key and yes or skip")


def _answers(ask: Question) -> str:
    words = [] if ask.needs_value else ["yes", "no"]
    words += [] if ask.must else ["skip"]
    return "/".join([*words, *([f"number {ask.unit}"] if ask.unit else [])])


def _hear(desk: Desk, visit: Visit, due: Next, said: str, unit: str) -> None:
    """Do what was said."""
    from vaclog.visit.events import Ended, LeftOut, Noted, Redone

    word, _, rest = said.partition(" ")
    low = word.lower()
    if low in ("quit", "q"):
        raise _Left
    if low == "?" or not said:
        say(step_lines(due))
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
        _answer(desk, visit, due, said, unit)


def _answer(desk: Desk, visit: Visit, due: Next, said: str, unit: str) -> None:
    """An answer to what was asked."""
    if due.ask is not None:
        _point(desk, visit, due.ask.key, said)
    elif due.step.purpose is not None and Path(said).expanduser().is_file():
        _capture(desk, Path(said).expanduser(), unit)
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


def _capture(desk: Desk, file: Path, unit: str) -> None:
    from vaclog.units import pressure_unit

    _, after, kept = add_capture(desk, file, None, None)
    say([f"  {line}" for line in capture_lines(after, kept, pressure_unit(unit))])


def _degrees(said: str) -> float | None:
    try:
        return float(said.rstrip("°").replace(",", "."))
    except ValueError:
        return None
