"""What the report of a visit tells, in which order, before it gets a form.

Enters: a visit, the one before it if there is one, and a unit. Leaves: a :class:`VisitStory`,
from which page and text are made: plain language first, numbers after, method and sources last.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from vaclog.report.story import Section
from vaclog.report.visit import change as visit_change
from vaclog.report.visit import words as visit_words
from vaclog.report.visit.numbers import Table, tables
from vaclog.report.words import answer, quantities, seen
from vaclog.report.words.curve import CURVE, curve
from vaclog.report.words.scatter import SCATTER, scatter
from vaclog.report.words.signs import signs
from vaclog.result import Result
from vaclog.units import PressureUnit
from vaclog.visit.compare import Comparison, compare
from vaclog.visit.figures import speaking_capture
from vaclog.visit.records import Setting, Visit


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitStory:
    """The whole report of a visit.

    Attributes
    ----------
    subject, headline, lead
        Which visit; how the engine was left; what must be known with it.
    picture
        The result whose hill is drawn; None where no capture shows one.
    plain
        Sections in plain language; empty ones are left out.
    tables
        The numbers.
    method
        How it was found out and what it rests on.
    cards
        Name and TOML text of the cards as they were then.
    """

    subject: str
    headline: str
    lead: tuple[str, ...]
    picture: Result | None
    plain: tuple[Section, ...]
    tables: tuple[Table, ...]
    method: tuple[Section, ...]
    cards: tuple[tuple[str, str], ...]


def tell(visit: Visit, previous: Visit | None, unit: PressureUnit) -> VisitStory:
    """Put a visit into the order in which its owner wants to know it.

    Parameters
    ----------
    previous
        The visit before it to the same engine, or None.
    """
    comparison = compare(previous, visit) if previous is not None else None
    capture = speaking_capture(visit)
    result = capture.result if capture else None
    sections = (
        Section(title=visit_words.DONE, sentences=(" ".join(visit_words.done(visit)),)),
        _setting(visit, result, unit),
        _limits(result, unit),
        _findings(visit, result, unit),
        Section(
            title=visit_words.ROAD,
            points=tuple(visit_words.trial(each, unit) for each in visit.trials),
        ),
        _since(comparison, previous, unit),
        Section(title=visit_words.WATCH, points=tuple(_watch(visit, comparison))),
        _told_by(visit, CURVE, curve),
        _told_by(visit, SCATTER, scatter),
        Section(
            title=visit_words.NOTES,
            points=tuple(visit_words.sentence(note) for note in visit.notes),
        ),
    )
    return VisitStory(
        subject=visit_words.title(visit),
        headline=visit_words.headline(visit),
        lead=_lead(result, comparison),
        picture=result if result is not None and result.hill.curve_deg else None,
        plain=_kept(sections),
        tables=tables(visit, previous, comparison, unit),
        method=_kept(
            (
                Section(title=visit_words.METHOD, sentences=visit_words.HOW),
                Section(
                    title=visit_words.SOURCES,
                    points=tuple(visit_words.capture_source(each) for each in visit.captures),
                ),
            )
        ),
        cards=tuple(
            (f"{which}: {name}" if name else which, toml.strip())
            for which, name, toml in (
                ("Engine card", visit.engine, visit.engine_toml),
                ("Rig card", visit.rig, visit.rig_toml),
            )
            if toml.strip()
        ),
    )


def _kept(sections: tuple[Section, ...]) -> tuple[Section, ...]:
    return tuple(part for part in sections if part.sentences or part.points)


def _lead(result: Result | None, comparison: Comparison | None) -> tuple[str, ...]:
    said = []
    if result is not None:
        said.append(seen.top(result.peak))
    if comparison is not None:
        said.append(visit_change.short(comparison))
    return tuple(each for each in said if each)


def _setting(visit: Visit, result: Result | None, unit: PressureUnit) -> Section:
    if not visit.settings:
        advised = () if result is None else (answer.headline(result), answer.move(result))
        return Section(title=visit_words.SETTING, sentences=tuple(each for each in advised if each))
    sentences = visit_words.setting(visit.settings[-1])
    stood = [
        each.aimed_deg if each.reached_deg is None else each.reached_deg
        for each in visit.settings[:-1]
    ]
    trail = [quantities.degrees(each) for each in stood if each is not None]
    if trail:
        sentences.append(f"Before that it was tried at {quantities.listed(trail)}.")
    if result is not None and result.advice.gain_kpa is not None:
        sentences.append(answer.proposal(result, unit))
    told = " ".join(each for each in sentences if each)
    return Section(title=visit_words.SETTING, sentences=(told,))


def _limits(result: Result | None, unit: PressureUnit) -> Section:
    if result is None:
        return Section(title=visit_words.LIMITS)
    reasons = dict(result.advice.limits_why)
    points = [
        answer.limit_line(name, angle_deg, reasons.get(name, ""), name == result.advice.limit)
        for name, angle_deg in sorted(result.hill.limits_deg, key=lambda limit: limit[1])
    ]
    return Section(title=visit_words.LIMITS, points=tuple(points))


def _findings(visit: Visit, result: Result | None, unit: PressureUnit) -> Section:
    """Points that are not in order, signs in the vacuum, misfire, and what the advice warns of."""
    points = [visit_words.point(each, unit) for each in visit.points if each.verdict != "in order"]
    checked = visit.last("check")  # what an earlier one showed was put right, or is seen again
    for capture in visit.captures:
        if capture.purpose == "check" and capture is not checked:
            continue
        told = signs(capture.result, unit) if capture.result.signs else ()
        points += [each for each in told if each not in points]
    if result is not None:
        points.append(seen.misfire(result))
        points += list(result.advice.warnings)
    return Section(title=visit_words.FINDINGS, points=tuple(each for each in points if each))


def _told_by(visit: Visit, title: str, tell_one: Callable[[Result], tuple[str, ...]]) -> Section:
    """What the newest capture that has something to say of it says; one made for it before all."""
    made = {CURVE: "curve"}.get(title)
    for capture in sorted(reversed(visit.captures), key=lambda each: each.purpose != made):
        if points := tell_one(capture.result):
            return Section(title=title, points=points)
    return Section(title=title)


def _since(comparison: Comparison | None, previous: Visit | None, unit: PressureUnit) -> Section:
    if comparison is None or previous is None:
        return Section(title=visit_words.SINCE)
    which = f"visit {previous.number}" if previous.number else "the visit before"
    when = f" of {visit_words.day(previous.begun)}" if previous.begun else ""
    return Section(
        title=f"{visit_words.SINCE} {which}{when}",
        points=tuple(visit_change.since(comparison, unit)),
    )


def _watch(visit: Visit, comparison: Comparison | None) -> list[str]:
    """What to look after, the most pressing first."""
    said = []
    trial = visit.trials[-1] if visit.trials else None
    if trial is not None and trial.pinking == "heard":
        said.append(visit_words.still_pinks(trial))
    if visit.ceiling_deg is not None:
        said.append(visit_words.CEILING.format(most=quantities.degrees(visit.ceiling_deg)))
    setting = visit.settings[-1] if visit.settings else None
    if setting is not None:
        if not setting.locked:
            said.append(visit_words.NOT_LOCKED)
        elif _moved_by_locking(setting):
            moved = quantities.degrees(abs(setting.moved_deg or 0.0))
            said.append(visit_words.MOVED.format(moved=moved))
        if trial is None:
            said.append(visit_words.NO_TRIAL)
    if trial is not None and trial.pinking == "unsure":
        said.append(visit_words.UNSURE)
    if trial is not None and trial.pinking == "none heard":
        said.append(visit_words.NOT_PROOF)
    if comparison is not None:
        keys = {change.key for change in comparison.changed}
        if keys & {"scatter", "spread", "curve", "sticking"}:
            said.append(visit_words.DRIVE)
    said.append(visit_words.NEXT_YEAR)
    return said


def _moved_by_locking(setting: Setting) -> bool:
    """By more than can be seen, and by more than half a degree: nobody's hand is finer."""
    moved_deg, u_deg = setting.moved_deg, setting.u_moved_deg
    return moved_deg is not None and abs(moved_deg) > max(2 * (u_deg or 0.0), 0.5)
