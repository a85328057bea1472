"""How a visit's steps look in the terminal: short lines, one thing at a time."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from textwrap import fill
from typing import TYPE_CHECKING, Any, Final

import click

if TYPE_CHECKING:
    from vaclog.cli.visit.desk import Desk
    from vaclog.units import PressureUnit
    from vaclog.visit.aim import Aim
    from vaclog.visit.records import Capture, Visit
    from vaclog.visit.steps import Next

WIDTH: Final = 88
_MARKS: Final = {"in order": "ok", "doubtful": "!!", "not known": "??", "left out": "--"}


def say(lines: Sequence[str]) -> None:
    """Print lines, wrapped so that what hangs over is indented."""
    for line in lines:
        indent = len(line) - len(line.lstrip()) + 2
        click.echo(
            fill(
                line,
                WIDTH,
                subsequent_indent=" " * indent,
                break_long_words=False,
                break_on_hyphens=False,
            )
        )


def step_lines(due: Next, *, brief: bool = False) -> list[str]:
    """The step that is due: why, what to mind, what to do.

    Parameters
    ----------
    brief
        It was shown before: only what is new.
    """
    from vaclog.visit.catalogue import ORDER

    step = due.step
    place = f"{ORDER.index(step.key) + 1} of {len(ORDER)}: " if step.key in ORDER else ""
    lines = [f"{place}{step.title} ({step.key})"]
    minds = mind_lines(step.cautions, step.cautions if brief else due.met)
    if brief:
        return [*lines, *minds, *told_lines(due)]
    lines += [f"  {step.why}", *minds]
    lines += [f"  {number}. {text}" for number, text in enumerate(step.do, start=1)]
    return [*lines, *told_lines(due)]


def mind_lines(cautions: Sequence[str], met: Sequence[str]) -> list[str]:
    """What to mind: each danger in full where it is met first, afterwards in a word.

    Parameters
    ----------
    met
        Those that were told before.
    """
    from vaclog.visit.catalogue import IN_SHORT

    lines = [f"  Mind: {each}" for each in cautions if each not in met or each not in IN_SHORT]
    again = [IN_SHORT[each] for each in cautions if each in met and each in IN_SHORT]
    return [*lines, f"  Mind again: {', '.join(again)}."] if again else lines


def told_lines(due: Next) -> list[str]:
    """What is to be known now: why again, how far, where to set."""
    lines = [f"  {line}" for line in due.lines]
    return lines if due.aim is None else [*lines, f"  {aim_line(due.aim)}"]


def aim_line(aim: Aim) -> str:
    """Where to set."""
    if aim.deg is not None:
        return f"Set to {aim.deg:.1f}°."
    if aim.by_deg:
        return f"Retard by {aim.by_deg:g}° of the crank, {aim.by_deg / 2:g}° of the body."
    return "Leave it where it is."


def how_lines(due: Next) -> list[str]:
    """Which command tells it."""
    step = due.step
    lines = []
    if due.ask is not None:
        value = f" [--value NUMBER{due.ask.unit}]" if due.ask.unit else ""
        words = "yes|no" if due.ask.must else "yes|no|skip"
        lines += [f"? {due.ask.ask}", f"  vaclog visit answer {due.ask.key} {words}{value}"]
    elif due.wants is not None:
        lines.append("  Record it: vaclog listen PORT --capture FILE")
        lines.append(f"  Then: vaclog visit capture FILE --for {due.wants}")
    elif step.key == "set":
        lines.append("  Then: vaclog visit set [--reached DEGREES]")
    elif step.key == "defer":
        lines.append("  Cause cured: vaclog visit redo set. Else: vaclog visit end")
    elif step.key == "road":
        lines.append("  Then: vaclog visit trial --pinking | --unsure | --clean")
    elif step.key == "record":
        lines.append("  Then: vaclog visit report --html FILE, and vaclog visit end")
    if step.key == "lock":
        lines.append("  Or: vaclog visit locked [--moved DEGREES]")
    if due.wants == "check":
        lines.append("  Or leave it out: vaclog visit skip check. Then nothing of it is measured.")
    elif step.costs and due.ask is None:
        lines.append(f"  Or leave it out: vaclog visit skip {step.key}. {step.costs}")
    return lines


def doubt_lines(due: Next) -> list[str]:
    """What has to be put right at this step."""
    if due.ask is not None:
        return [
            f"!! {point.text}" for point in due.put_right if point.key == due.ask.key and point.text
        ]
    lines = [f"!! {point.key}: {point.text}" for point in due.put_right]
    if lines:
        keys = "|".join(point.key for point in due.put_right)
        lines.append(
            "  Put it right and record again or answer yes; or leave it: "
            f"vaclog visit answer {keys} skip."
        )
    return lines


def capture_lines(visit: Visit, capture: Capture, unit: PressureUnit) -> list[str]:
    """What a capture told, for what it was recorded."""
    from vaclog.report.words import answer, seen
    from vaclog.visit.compare_tops import moved_top

    result, purpose = capture.result, capture.purpose
    if purpose == "check":
        return [f"{_MARKS[point.verdict]} {point.text}" for point in visit.points if point.measured]
    if purpose in ("sweep", "again"):
        moved = moved_top(visit.captures)
        # A top that stayed leaves the setting where it is: another number would only confuse.
        stays = purpose == "again" and visit.step != "set"
        lines = ["" if stays else answer.headline(result), seen.top(result.peak)]
        return [*(line for line in lines if line), *([moved.text] if moved else [])]
    if purpose == "curve":
        whys = dict(result.advice.limits_why)
        cap = whys.get("maximum total")
        from vaclog.report.words.curve import curve

        return [
            *curve(result),
            f"The cap: {cap}."
            if cap
            else "No cap: the card lacks a maximum total, or no curve is known. Vacuum alone "
            "sets nothing.",
        ]
    if purpose == "lock":
        return [locked_line(visit)]
    if purpose == "road":
        from vaclog.report.words.road import hearing_lines

        runs, marks = len(result.loads), len(result.pinking)
        return [
            f"{runs} full-load run(s) in it, pinking marked {marks} time(s).",
            *hearing_lines(capture.hearing, unit),
        ]
    return [answer.headline(result)]


def locked_line(visit: Visit) -> str:
    """Whether locking moved it."""
    from vaclog.visit.turned import lock_moved

    setting = visit.settings[-1]
    if setting.moved_deg is None:
        return "Locked. Whether it moved was not seen."
    spread = f" ± {2 * setting.u_moved_deg:.1f}°" if setting.u_moved_deg is not None else ""
    moved = f"{setting.moved_deg:+.1f}°{spread}"
    if not lock_moved(setting.moved_deg, setting.u_moved_deg):
        return f"Locked, and it held ({moved})."
    return f"Locking moved it by {moved}."


def status_lines(visit: Visit) -> list[str]:
    """Where a visit stands."""
    from vaclog.visit.catalogue import STEPS
    from vaclog.visit.road import trail

    lines = [f"Visit {visit.number}, {visit.engine}, begun {visit.begun}"]
    if visit.rehearsal:
        lines.insert(0, "REHEARSAL on a simulated engine: nothing here is real.")
    for step in STEPS:
        mark = "done" if step.key in visit.done else "next" if step.key == visit.step else ""
        left = any(note.startswith(f"Left out: {step.title.lower()}.") for note in visit.notes)
        mark = "left out" if left and step.key in visit.done else mark
        lines.append(f"  {mark:9}{step.key:10}{step.title}")
    lines += [
        f"{_MARKS[point.verdict]} {point.key}: {point.text}"
        for point in visit.points
        if point.verdict in ("doubtful", "not known") and point.text
    ]
    lines += trail(visit)
    lines += [f"Note: {note}" for note in visit.notes]
    if visit.ended:
        lines.append(f"Ended {visit.ended}")
    return lines


def document(visit: Visit, said: list[str]) -> dict[str, Any]:
    """What a command of a visit prints as JSON."""
    from vaclog.visit.steps import next_step

    due = next_step(visit)
    return {
        "visit": visit.number,
        "engine": visit.engine,
        "rehearsal": visit.rehearsal,
        "step": visit.step,
        "ended": visit.ended,
        "done": list(visit.done),
        "said": said,
        "next": {
            "step": due.step.key,
            "title": due.step.title,
            "why": due.step.why,
            "do": list(due.step.do),
            "cautions": list(due.step.cautions),
            "ask": None if due.ask is None else due.ask.key,
            "question": None if due.ask is None else due.ask.ask,
            "wants": due.wants,
            "put_right": [asdict(point) for point in due.put_right],
            "aim_deg": None if due.aim is None else due.aim.deg,
            "retard_by_deg": None if due.aim is None else due.aim.by_deg,
            "lines": list(due.lines),
            "may_be_left_out": bool(due.step.costs),
        },
    }


def show(desk: Desk, visit: Visit, said: list[str], *, fresh: bool) -> None:
    """Print what was said and what is next; the whole step only when it is a new one.

    Parameters
    ----------
    fresh
        The step has just begun: tell why and how.
    """
    if desk.as_json:
        click.echo(json.dumps(document(visit, said), ensure_ascii=False))
        return
    say(said)
    if visit.ended:
        return
    from vaclog.visit.steps import next_step

    due = next_step(visit)
    if fresh:
        say(["", *step_lines(due)] if said else step_lines(due))
    say([*doubt_lines(due), *how_lines(due)])
