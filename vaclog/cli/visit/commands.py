"""``vaclog visit``: one working session on an engine, step by step, left and taken up at will."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING, Any

import click

from vaclog.cli.hearing import time_us
from vaclog.cli.options import FILE_IN, FILE_OUT, UNITS
from vaclog.cli.visit.desk import Desk, Sound, add_capture, desk_options
from vaclog.cli.visit.words import capture_lines, locked_line, say, show, status_lines

if TYPE_CHECKING:
    from vaclog.visit.events import Event
    from vaclog.visit.records import Visit

PURPOSES = ("check", "curve", "sweep", "again", "lock", "road", "other")
_VALUE = re.compile(r"\s*([-+]?\d+(?:[.,]\d+)?)\s*(°|deg|%|mm|in|rpm)?\s*")


@click.group()
def visit() -> None:
    """One working session on an engine: what is next, what was told, what follows.

    Begin with `begin`, then `go` leads through it by questions, or `next` says what to do.
    """


@visit.command()
@click.argument("engine")
@click.option("--rig", "rig", help="Rig in the garage, or a rig card file.")
@desk_options
def begin(engine: str, rig: str | None, desk: Desk) -> None:
    """Begin a visit to ENGINE: a name in the garage, or an engine card file."""
    from vaclog.visit.records import Visit
    from vaclog.visit.steps import begin as begun

    with desk.garage() as garage:
        name, toml = _card(engine, lambda: garage.engine(engine), "engine")
        rig_name, rig_toml = "", ""
        if rig:
            rig_name, rig_toml = _card(rig, lambda: garage.rig(rig), "rig")
        before = next((each for each in garage.visits_of(name) if not each.rehearsal), None)
        kept_cards = {row.name: row.toml for row in garage.engines()}
        new = Visit(
            engine=name, engine_toml=toml, rig=rig_name, rig_toml=rig_toml, begun=desk.now()
        )
        kept = garage.save_visit(begun(new, before))
    said = [f"Visit {kept.number} to {kept.engine} is open. Leave it any time; nothing is lost."]
    if kept_cards.get(name, toml) != toml:
        said.append(
            f"The garage has another card for {name}; this visit goes by the file. To keep the new "
            "one: vaclog garage engine edit."
        )
    if toml and not _has_cap(toml):
        said.append(
            "The card has no max_total_deg: without a cap, vacuum alone will set nothing. Look it "
            "up in the maker's manual."
        )
    show(desk, kept, said, fresh=True)


@visit.command("list")
@click.option("--all", "everything", is_flag=True, help="Ended visits too.")
@desk_options
def list_(everything: bool, desk: Desk) -> None:
    """List the visits that are open."""
    with desk.garage() as garage:
        lines = [line for line in garage.visits() if everything or not line.ended]
    if desk.as_json:
        rows = [
            {
                "visit": line.number,
                "engine": line.engine,
                "begun": line.begun,
                "ended": line.ended,
                "step": line.step,
            }
            for line in lines
        ]
        click.echo(json.dumps(rows, ensure_ascii=False))
        return
    for line in lines:
        where = f"ended {line.ended}" if line.ended else f"next: {line.step}"
        click.echo(f"{line.number:5}  {line.begun}  {line.engine}  {where}")
    if not lines:
        click.echo("No visit is open. Begin one: vaclog visit begin ENGINE")


@visit.command()
@desk_options
def status(desk: Desk) -> None:
    """Where the visit stands: what is done, what is doubtful, the trials."""
    kept = _read(desk)
    if desk.as_json:
        from vaclog.visit.records import visit_to_json

        click.echo(visit_to_json(kept))
        return
    say(status_lines(kept))


@visit.command("next")
@desk_options
def next_(desk: Desk) -> None:
    """What to do next, why, and what to mind."""
    show(desk, _read(desk), [], fresh=True)


@visit.command()
@click.argument("key")
@click.argument("word", metavar="yes|no|skip", type=click.Choice(["yes", "no", "skip"]))
@click.option("--value", help="The number, with its unit: 0.63mm, 0.025in, 52deg, 58%, 850rpm.")
@desk_options
def answer(key: str, word: Any, value: str | None, desk: Desk) -> None:
    """Answer the question KEY: yes, in order; no; or leave it out."""
    from vaclog.visit.events import Answered

    before = _read(desk)
    _known_key(before, key)
    point = answered_point(before, key, word, value, desk.now())
    _happen(desk, Answered(point=point), [point.text] if point.text else [])


@visit.command()
@click.argument("file", type=FILE_IN)
@click.option("--for", "purpose", type=click.Choice(PURPOSES), help="Else for what is due.")
@click.option("--mapping", type=FILE_IN, help="Column mapping of a CSV file (TOML).")
@click.option("--sound", type=FILE_IN, help="Recording of the same drive, WAV or FLAC.")
@click.option("--sound-from", metavar="TIME", help="Second of the capture at which it was started.")
@click.option("--unit", type=click.Choice(UNITS, case_sensitive=False), default="inHg")
@desk_options
def capture(
    file: Path,
    purpose: Any,
    mapping: Path | None,
    sound: Path | None,
    sound_from: str | None,
    unit: str,
    desk: Desk,
) -> None:
    """Analyse the capture FILE, keep it with the visit, and say what follows."""
    from vaclog.units import pressure_unit

    from_s = None if sound_from is None else time_us(sound_from) / 1e6
    recording = None if sound is None else Sound(file=sound, from_s=from_s)
    before, after, kept = add_capture(desk, file, purpose, mapping, recording)
    said = capture_lines(after, kept, pressure_unit(unit))
    show(desk, after, said, fresh=before.step != after.step)


@visit.command("set")
@click.option("--reached", type=float, help="Where it came to stand, crank degrees.")
@click.option("--aimed", type=float, help="Where it was meant to go; else as advised.")
@click.option("--note", default="")
@desk_options
def set_(reached: float | None, aimed: float | None, note: str, desk: Desk) -> None:
    """The distributor was set."""
    from vaclog.visit.events import TurnedTo
    from vaclog.visit.records import Setting

    setting = Setting(aimed_deg=aimed, reached_deg=reached, note=note, at=desk.now())
    _happen(desk, TurnedTo(setting=setting), [])


@visit.command()
@click.option("--moved", type=float, help="By how much it moved, crank degrees, + to advance.")
@click.option("--unsure-by", type=float, help="How surely that was read (one standard deviation).")
@desk_options
def locked(moved: float | None, unsure_by: float | None, desk: Desk) -> None:
    """The clamp was tightened."""
    from vaclog.visit.events import Tightened

    event = Tightened(moved_deg=moved, u_moved_deg=unsure_by, at=desk.now())
    before, after = desk.happen(event)
    show(desk, after, [locked_line(after)], fresh=before.step != after.step)


@visit.command()
@click.option("--pinking", "heard", flag_value="heard", help="Pinking was heard.")
@click.option("--unsure", "heard", flag_value="unsure", help="Perhaps.")
@click.option("--clean", "heard", flag_value="none heard", help="Nothing was heard.")
@click.option("--rpm", type=float, help="Engine speed where it was heard.")
@click.option("--by", type=click.Choice(["ear", "button", "recording"]), default="ear")
@click.option("--note", default="")
@desk_options
def trial(heard: Any, rpm: float | None, by: str, note: str, desk: Desk) -> None:
    """A road trial was driven: what was heard."""
    from vaclog.visit.events import Driven
    from vaclog.visit.records import RoadTrial
    from vaclog.visit.road import follows

    if heard is None:
        raise click.UsageError("Say what was heard: --pinking, --unsure or --clean.")
    told = RoadTrial(
        number=0, pinking=heard, heard_by=by, rpm=rpm, note=note, retard_deg=0.0, at=desk.now()
    )
    before, after = desk.happen(Driven(trial=told))
    said = [] if after.step in ("set", "defer", "hot") else list(follows(after))
    show(desk, after, said, fresh=before.step != after.step)


@visit.command()
@click.argument("step")
@click.option("--why", default="", help="To be remembered.")
@desk_options
def skip(step: str, why: str, desk: Desk) -> None:
    """Leave out the STEP that is due; what that costs is noted."""
    from vaclog.visit.events import LeftOut

    _known_step(step, also=("check",))
    before, after = desk.happen(LeftOut(step=step, why=why))
    said = list(after.notes[len(before.notes) :])
    show(desk, after, said, fresh=before.step != after.step)


@visit.command()
@click.argument("step")
@desk_options
def redo(step: str, desk: Desk) -> None:
    """Go back to a STEP that was done."""
    from vaclog.visit.events import Redone

    _known_step(step)
    _happen(desk, Redone(step=step), [])


@visit.command()
@click.argument("text")
@desk_options
def note(text: str, desk: Desk) -> None:
    """Remember TEXT with the visit."""
    from vaclog.visit.events import Noted

    _, after = desk.happen(Noted(text=text))
    show(desk, after, ["Noted."], fresh=False)


@visit.command()
@desk_options
def end(desk: Desk) -> None:
    """The visit is over."""
    from vaclog.visit.events import Ended

    _, after = desk.happen(Ended(at=desk.now()))
    said = [f"Visit {after.number} has ended.", *after.notes[-1:]]
    show(desk, after, said if after.step != "record" else said[:1], fresh=False)


@visit.command()
@click.option("--html", type=FILE_OUT, help="Write one HTML page to keep.")
@click.option("--pdf", type=FILE_OUT, help="Write a PDF (needs Chromium).")
@click.option("--unit", type=click.Choice(UNITS, case_sensitive=False), default="inHg")
@desk_options
def report(html: Path | None, pdf: Path | None, unit: str, desk: Desk) -> None:
    """The report of the visit, compared with the one before."""
    from vaclog.cli.visit.report import show_visit, visit_before

    with desk.garage() as garage:
        visit = desk.reported(garage)
        previous = visit_before(garage.visits_of(visit.engine), visit)
    show_visit(visit, previous, unit=unit, as_json=desk.as_json, html=html, pdf=pdf)


@visit.command()
@click.option("--mapping", type=FILE_IN, help="Column mapping of CSV files (TOML).")
@click.option("--unit", type=click.Choice(UNITS, case_sensitive=False), default="inHg")
@desk_options
def go(mapping: Path | None, unit: str, desk: Desk) -> None:
    """Be led through the open visit by questions; Ctrl-C leaves it, `go` takes it up again.

    A capture may be anything that `vaclog replay` reads. CSV wants --mapping, or a mapping of the
    same name beside it.
    """
    from vaclog.cli.visit.go import Guide

    Guide(desk=desk, unit=unit, mapping=mapping).lead()


@visit.command()
@click.option(
    "--folder",
    type=click.Path(file_okay=False, path_type=Path),
    default="vaclog-rehearsal",
    show_default=True,
    help="Where its garage, cards and captures are kept; made where missing.",
)
@click.option("--by-itself", is_flag=True, help="Take every offered answer: watch it go by.")
@click.option("--seed", type=int, default=1, show_default=True, help="Another seed, another day.")
@click.option("--unit", type=click.Choice(UNITS, case_sensitive=False), default="inHg")
def rehearse(folder: Path, by_itself: bool, seed: int, unit: str) -> None:
    """Practise a whole visit on a SIMULATED engine, with nothing plugged in.

    The questions are those of `go`. At each step the simulated engine shows what you would see, and
    Enter alone takes that answer, or records what is wanted; anything else may be typed as well.
    One check is too early, one lock slips, one road test pinks, so that you have met it before.

    Nothing here is real, and nothing reaches your garage: all is kept in a folder of its own.
    Ctrl-C leaves it, the same command takes it up again; delete the folder to forget it.
    """
    from vaclog.cli.visit.go import Guide
    from vaclog.cli.visit.rehearsal import Workshop, rehearsal_desk

    desk = rehearsal_desk(folder)
    say(
        [
            "REHEARSAL: the engine is simulated. Nothing here is real, and nothing of it "
            "reaches your garage.",
            f"Kept in {folder}/, with its cards and captures. Lines with ~ are what you would see; "
            "Enter alone takes the answer that is offered.",
        ]
    )
    workshop = Workshop(folder=folder, seed=seed)
    again = f"vaclog visit rehearse --folder {quote(str(folder))}"
    Guide(desk=desk, unit=unit, partner=workshop, alone=by_itself, again=again).lead()


# --- how ------------------------------------------------------------------------------------------


def _happen(desk: Desk, event: Event, said: list[str]) -> None:
    before, after = desk.happen(event)
    show(desk, after, said, fresh=before.step != after.step)


def _read(desk: Desk) -> Visit:
    with desk.garage() as garage:
        return desk.visit(garage)


def _known_key(visit: Visit, key: str) -> None:
    """A key that no question has is a slip of the pen, not an answer that is not due."""
    from vaclog.visit.preflight import MEASURED
    from vaclog.visit.questions import QUESTIONS
    from vaclog.visit.steps import next_step

    known = (*QUESTIONS, *MEASURED, "check")
    if key not in known:
        ask = next_step(visit).ask
        due = f" Asked now: {ask.key}." if ask is not None else " Nothing is asked now."
        raise click.BadParameter(
            f"there is no point {key!r}{_nearest(key, known)}.{due}", param_hint="KEY"
        )


def _known_step(step: str, also: tuple[str, ...] = ()) -> None:
    from vaclog.visit.catalogue import ORDER

    known = (*ORDER, *also)
    if step not in known:
        raise click.BadParameter(
            f"there is no step {step!r}{_nearest(step, known)}. Steps: {', '.join(ORDER)}.",
            param_hint="STEP",
        )


def _nearest(word: str, known: Sequence[str]) -> str:
    import difflib

    near = difflib.get_close_matches(word, known, n=1)
    return f", perhaps {near[0]!r} was meant" if near else ""


def _card(named: str, kept: Any, which: str) -> tuple[str, str]:
    """Name and text of a card: a file where there is one of that name, else the garage's."""
    from vaclog.cards import engine_card, read_card_file, rig_card
    from vaclog.errors import CardError

    path = Path(named)
    if not path.is_file():
        row = kept()
        return row.name, row.toml
    toml = read_card_file(path)
    if which == "rig":
        rig_card(toml, where=named)
        return path.stem, toml
    name = engine_card(toml, where=named).name
    if not name:
        raise CardError(
            f"{named}: the engine card has no name.",
            cause="Visits are kept under it.",
            step='Write a line name = "..." on it.',
        )
    return name, toml


def _has_cap(toml: str) -> bool:
    from vaclog.cards import engine_card

    return engine_card(toml).max_total_deg is not None


def answered_point(kept: Visit, key: str, word: Any, value: str | None, at: str) -> Any:
    """The point that an answer makes; keys that are only measured take a bare answer."""
    from vaclog.errors import VisitError
    from vaclog.visit.aim import card_of
    from vaclog.visit.questions import QUESTIONS, point
    from vaclog.visit.records import Point, Verdict

    verdicts: dict[str, Verdict] = {"yes": "in order", "no": "doubtful", "skip": "left out"}
    if key not in QUESTIONS:
        return Point(key=key, verdict=verdicts[word], text="", at=at)
    number, unit = _number(value)
    question = QUESTIONS[key]
    if number is None and question.needs_value and word != "skip":
        raise VisitError(
            f"{question.ask}",
            step=f"For instance: vaclog visit answer {key} yes --value 10deg.",
        )
    if key == "points" and number is not None and not unit:
        raise VisitError(
            f"Points {number:g} of what?",
            cause="Degrees and per cent of dwell are easily mixed up.",
            step=f"Write {number:g}deg, {number:g}%, or the gap: {number:g}mm.",
        )
    return point(
        key,
        word,
        engine=card_of(kept),
        value=number,
        unit=unit,
        at=at,
        left_deg=kept.left_deg,
    )


def _number(text: str | None) -> tuple[float | None, str]:
    """A number with its unit, as people write them: 0,63 mm; 52°; 58 %."""
    if text is None:
        return None, ""
    found = _VALUE.fullmatch(text)
    if found is None:
        raise click.BadParameter(
            f"{text!r} is not a number with a unit: 0.63mm, 0.025in, 52deg, 58%, 850rpm.",
            param_hint="--value",
        )
    unit = found.group(2) or ""
    return float(found.group(1).replace(",", ".")), "deg" if unit == "°" else unit
