"""What the report tells, in which order, before it gets a form.

Enters: a result and a unit. Leaves: a :class:`Story`, from which text and page are made: the
answer first, then how to get there, what next, what to mind, why, what was seen.
"""

from __future__ import annotations

from dataclasses import dataclass

from vaclog.report.words import answer, seen, titles
from vaclog.report.words.checks import CHECKS, checks
from vaclog.report.words.curve import CURVE, curve
from vaclog.report.words.road import ROAD, road
from vaclog.report.words.scatter import SCATTER, scatter
from vaclog.report.words.signs import SIGNS, signs
from vaclog.report.words.sureness import SURE, sure
from vaclog.result import Result
from vaclog.units import PressureUnit


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A heading with sentences and points; either may be empty."""

    title: str
    sentences: tuple[str, ...] = ()
    points: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Story:
    """The whole report.

    Attributes
    ----------
    subject
        Which engine, may be empty.
    headline
        The answer in one sentence.
    lead
        What must be known with it: how far, which limit, how sure.
    sections
        The rest; empty sections are left out.
    """

    subject: str
    headline: str
    lead: tuple[str, ...]
    sections: tuple[Section, ...]


def tell(result: Result, unit: PressureUnit) -> Story:
    """Put a result into the order in which a person at the engine needs it."""
    sections = (
        _turn(result),
        Section(title=titles.NEXT, sentences=_kept(_next(result))),
        Section(title=titles.MIND, points=result.advice.warnings),
        _why(result, unit),
        _seen(result, unit),
        Section(title=SURE, points=sure(result.peak)),
        Section(title=CHECKS, points=checks(result, unit)),
        Section(title=CURVE, points=curve(result)),
        Section(title=SCATTER, points=scatter(result)),
        Section(title=SIGNS, points=signs(result, unit)),
        Section(title=ROAD, points=road(result, unit)),
        Section(title=titles.CAUTIONS, points=result.advice.cautions),
        Section(title=titles.CAPTURE, sentences=(seen.capture(result, unit),)),
    )
    return Story(
        subject=result.source.engine,
        headline=answer.headline(result),
        lead=_lead(result, unit),
        sections=tuple(part for part in sections if part.sentences or part.points),
    )


def _kept(sentences: list[str]) -> tuple[str, ...]:
    return tuple(sentence for sentence in sentences if sentence)


def _lead(result: Result, unit: PressureUnit) -> tuple[str, ...]:
    if result.advice.set_deg is None:
        return _kept([result.advice.next_step])
    return _kept([answer.move(result), answer.decides(result, unit), seen.top(result.peak)])


def _next(result: Result) -> list[str]:
    return [result.advice.next_step if result.advice.set_deg is not None else ""]


def _turn(result: Result) -> Section:
    advice = result.advice
    turn_deg = advice.turn_deg if advice.turn_deg is not None else 0.0
    return Section(
        title=titles.TURN if advice.turn_deg is not None else titles.HOME,
        points=_kept(
            [
                "" if advice.turn_way else answer.no_way_known(advice.turn_deg),
                answer.approach(turn_deg),
                answer.way_home(result),
            ]
        ),
    )


def _why(result: Result, unit: PressureUnit) -> Section:
    advice = result.advice
    reasons = dict(advice.limits_why)
    limits = [
        answer.limit_line(name, angle_deg, reasons.get(name, ""), name == advice.limit)
        for name, angle_deg in sorted(result.hill.limits_deg, key=lambda limit: limit[1])
    ]
    beside = [
        answer.proposal(result, unit),
        answer.turn_is_surer(result),
        answer.steps(advice.steps_deg),
    ]
    return Section(
        title=titles.WHY if advice.set_deg is not None else titles.ALLOWED,
        points=_kept([*limits, *beside]),
    )


def _seen(result: Result, unit: PressureUnit) -> Section:
    peak = result.peak
    return Section(
        title=titles.SEEN,
        points=_kept(
            [
                seen.top(peak) if result.advice.set_deg is None else "",
                seen.absolute(peak),
                seen.flat_prior(peak),
                seen.crest(peak, unit),
                seen.idle(result, unit),
                seen.gain(result.advice.gain_kpa, unit),
                seen.passes(result),
                seen.misfire(result),
            ]
        ),
    )
