"""What the report tells, in which order, before it gets a form.

Enters: a result and a unit. Leaves: a :class:`Story`, from which text and page are made: the
answer first, then how to get there, what next, what to mind, why, what was seen.
"""

from __future__ import annotations

from dataclasses import dataclass

from vaclog.report import (
    checks_words,
    curve_words,
    road,
    scatter_words,
    signs_words,
    sureness,
    words,
)
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
        Section(title=words.NEXT, sentences=_kept(_next(result))),
        Section(title=words.MIND, points=result.advice.warnings),
        _why(result, unit),
        _seen(result, unit),
        Section(title=sureness.SURE, points=sureness.sure(result.peak)),
        Section(title=checks_words.CHECKS, points=checks_words.checks(result, unit)),
        Section(title=curve_words.CURVE, points=curve_words.curve(result)),
        Section(title=scatter_words.SCATTER, points=scatter_words.scatter(result)),
        Section(title=signs_words.SIGNS, points=signs_words.signs(result, unit)),
        Section(title=road.ROAD, points=road.road(result, unit)),
        Section(title=words.CAUTIONS, points=result.advice.cautions),
        Section(title=words.CAPTURE, sentences=(words.capture(result, unit),)),
    )
    return Story(
        subject=result.source.engine,
        headline=words.headline(result),
        lead=_lead(result, unit),
        sections=tuple(part for part in sections if part.sentences or part.points),
    )


def _kept(sentences: list[str]) -> tuple[str, ...]:
    return tuple(sentence for sentence in sentences if sentence)


def _lead(result: Result, unit: PressureUnit) -> tuple[str, ...]:
    if result.advice.set_deg is None:
        return _kept([result.advice.next_step])
    return _kept([words.move(result), words.decides(result, unit), words.top(result.peak)])


def _next(result: Result) -> list[str]:
    return [result.advice.next_step if result.advice.set_deg is not None else ""]


def _turn(result: Result) -> Section:
    advice = result.advice
    turn_deg = advice.turn_deg if advice.turn_deg is not None else 0.0
    return Section(
        title=words.TURN if advice.turn_deg is not None else words.HOME,
        points=_kept(
            [
                "" if advice.turn_way else words.no_way_known(advice.turn_deg),
                words.approach(turn_deg),
                words.way_home(result),
            ]
        ),
    )


def _why(result: Result, unit: PressureUnit) -> Section:
    advice = result.advice
    reasons = dict(advice.limits_why)
    limits = [
        words.limit_line(name, angle_deg, reasons.get(name, ""), name == advice.limit)
        for name, angle_deg in sorted(result.hill.limits_deg, key=lambda limit: limit[1])
    ]
    beside = [
        words.proposal(result, unit),
        words.turn_is_surer(result),
        words.steps(advice.steps_deg),
    ]
    return Section(
        title=words.WHY if advice.set_deg is not None else words.ALLOWED,
        points=_kept([*limits, *beside]),
    )


def _seen(result: Result, unit: PressureUnit) -> Section:
    peak = result.peak
    return Section(
        title=words.SEEN,
        points=_kept(
            [
                words.top(peak) if result.advice.set_deg is None else "",
                words.absolute(peak),
                words.flat_prior(peak),
                words.crest(peak, unit),
                words.idle(result, unit),
                words.gain(result.advice.gain_kpa, unit),
                words.passes(result),
                words.misfire(result),
            ]
        ),
    )
