"""All sentences of the guidance, in one place and ready for translation.

Enters: an :class:`~vaclog.guidance.instructions.Instruction`. Leaves: :class:`Words`, a short
form to be spoken, one to be shown, and the reason.

A catalogue is a record of plain templates with ``{names}``; another language is another
catalogue. The names that a template may use are those of :func:`_fields`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from vaclog.guidance.instructions import Because, Instruction, Step
from vaclog.units import PressureUnit, from_kpa

# Less than this is not half a millimetre when rounded; a tap on the body does it.
HAIR_MM: Final = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """An instruction in words: spoken, shown, and why."""

    said: str
    shown: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Catalogue:
    """The words of one language.

    Attributes
    ----------
    language
        Tag of the language (BCP 47), for a voice to be chosen by.
    steps
        Spoken and shown template of each step.
    not_passed
        The same for "enough" where the top was not found.
    reasons
        Template of each reason.
    ways
        Words for "clockwise", "counterclockwise", and for +1 and -1 where the sense is unknown.
    half
        How a half is spoken after a whole number, and alone.
    quarters
        A quarter and three quarters, alone.
    hair
        The smallest turn a hand can make.
    """

    language: str
    steps: Mapping[Step, tuple[str, str]]
    not_passed: tuple[str, str]
    reasons: Mapping[Because, str]
    ways: Mapping[str, str]
    half: tuple[str, str]
    quarters: tuple[str, str]
    hair: str


ENGLISH: Final = Catalogue(
    language="en",
    half=("{n} and a half", "half a"),
    quarters=("a quarter of a", "three quarters of a"),
    hair="a hair",
    ways={
        "clockwise": "clockwise",
        "counterclockwise": "counterclockwise",
        "+1": "to advance",
        "-1": "to retard",
        "0": "",
    },
    not_passed=(
        "Enough. The top was not passed.",
        "Enough: the top was not passed, so the setting rests on what was seen.",
    ),
    steps={
        Step.SCRIBE: (
            "Scribe the body against the block, then say done.",
            "Scribe a line across body and block: the way home. Then tap “scribed”.",
        ),
        Step.WARM_UP: (
            "Wait. The idle is not steady yet.",
            "Wait for a warm engine and a steady idle.",
        ),
        Step.BEGIN: (
            "Begin. Nudge {way}, {far}, then hands off.",
            "Begin: nudge {way} by {far_shown}, then hands off.",
        ),
        Step.LISTEN: ("Hands off.", "Hands off, listening."),
        Step.KEEP_GOING: (
            "Again, {far} {way}.",
            "Keep going: {far_shown} {way}, then hands off.",
        ),
        Step.SLOWER: ("Slower.", "Slower: about a degree a second, or nudge and wait."),
        Step.PASSED_TOP: (
            "You have passed the top. Again, {far} {way}.",
            "The top is behind you{top}. A little further: {far_shown} {way}.",
        ),
        Step.COME_BACK: (
            "Come back, {far} {way}.",
            "Come back: nudge {way} by {far_shown}, then hands off.",
        ),
        Step.ONE_MORE: (
            "One more slow pass{expected_said}. {Far} {way}.",
            "One more slow pass{expected}. Nudge {way} by {far_shown}.",
        ),
        Step.READ_STROBE: (
            "What does the strobe read?",
            "Read the strobe (or the strip) and tap the number.",
        ),
        Step.ENOUGH: ("Enough.{interval_said}", "Enough: the top is known{interval}."),
        Step.STOP: ("Stop. Not further.", "Stop, not further."),
        Step.TURN: (
            "Turn {way}, {far}.",
            "To the setting {target}: turn {way}, {far_shown}.",
        ),
        Step.CLOSER: ("Closer. {Far} {way}.", "Closer: {far_shown} {way}."),
        Step.HOLD: ("There. Hold.", "There, hold it{target_at}."),
        Step.LOCK: (
            "Lock it, then say locked.",
            "Tighten the clamp without turning the body, then tap “locked”.",
        ),
        Step.MOVED: (
            "It moved. Loosen and redo. {Far} {way}.",
            "It moved by {moved} while being locked. Loosen, {far_shown} {way}, lock again.",
        ),
        Step.LOCKED: ("Locked. It did not move.", "Locked, it did not move{moved_within}."),
        Step.UNTOLD: (
            "Locked. Whether it moved cannot be told.",
            "Locked; whether it moved cannot be told{moved_within}. Check it with the strobe.",
        ),
        Step.UNSURE: ("Wait. Hands off.", "Hands off: comparing with before the lock."),
        Step.HOME: (
            "Way home: {far} {way}.",
            "Way home: {far_shown} {way}, to the scribed line.",
        ),
        Step.AT_HOME: ("You are at the scribed line.", "Back at the scribed line."),
        Step.PAUSED: (
            "No data. Wait.",
            "Nothing comes from the device. What was measured is kept; leave the body alone.",
        ),
        Step.STALLED: (
            "The engine stopped.",
            "The engine stopped. {far_shown_home}Start it again and let it settle.",
        ),
    },
    reasons={
        Because.BASELINE: "So that there is always a way back to where it was.",
        Because.NOT_STEADY: "While speed still drifts, the drift would be taken for the hill.",
        Because.BELOW_TOP: "Vacuum still grows this way: the top lies ahead.",
        Because.AT_TOP: "Near the top vacuum hardly changes; its sides tell where it is.",
        Because.PAST_TOP: "Vacuum falls again, so the top is behind; a little of this side is "
        "needed to place it.",
        Because.TOP_UNSURE: "The top is not known well enough yet{interval}.",
        Because.ONE_WAY: "A pass one way cannot tell the hill from drift; the way back can.",
        Because.WIDER: "The flanks place the top better than the top itself.",
        Because.TOO_FAST: "Engine and manifold need about a second to answer.",
        Because.NO_MOVE: "The body has not moved since the last word.",
        Because.SURE: "The top is known as well as was asked{interval}.",
        Because.SETTING_SURE: "Whatever the top is, {limit} decides the setting.",
        Because.NO_GAIN: "More passes would bring little.",
        Because.LIMIT_TOTAL: "The maker's maximum total is reached{limit_at}.",
        Because.LIMIT_CEILING: "Further than this no idling engine needs to go{limit_at}.",
        Because.LIMIT_MISFIRE: "The engine begins to stumble here{limit_at}.",
        Because.LIMIT_SLOT: "The body does not go further.",
        Because.LIMIT_RETARD: "Far retarded idling heats exhaust and valves.",
        Because.HEAT: "This pass has idled long enough; a rest at the baseline cools the exhaust.",
        Because.SET_POINT: "Decided by {limit}.",
        Because.ONE_SIDE: "The last bit always comes from the retard side, so that play is taken "
        "up one way.",
        Because.OVERSHOT: "It went past; go back a little and come from the same side.",
        Because.NO_NUMBER: "Without a maximum total and the centrifugal curve vacuum alone must "
        "not set the timing.",
        Because.LOCK_CHECK: "The mean before and after is compared.",
        Because.ASKED: "As you asked.",
        Because.NO_DATA: "A plug, a cable or the board's supply.",
        Because.READING: "Each hold needs its angle, else its vacuum tells nothing.",
        Because.NO_ANGLE: "Nothing here measures the angle, so vacuum alone leads.",
    },
)


def words(
    instruction: Instruction, catalogue: Catalogue = ENGLISH, *, unit: PressureUnit = "inHg"
) -> Words:
    """Put an instruction into words.

    Parameters
    ----------
    instruction
        What to say.
    catalogue
        The language.
    unit
        Pressure unit of the reader.
    """
    fields = _fields(instruction, catalogue, unit)
    said, shown = catalogue.steps[instruction.step]
    if instruction.step is Step.ENOUGH and instruction.top_deg is None:
        said, shown = catalogue.not_passed
    locked = instruction.step in (Step.LOCKED, Step.UNTOLD)
    if locked and instruction.way and instruction.to_go_deg is not None:
        shown += f" Way home: {fields['far_shown']} {fields['way']}."
    return Words(
        said=_tidy(said.format_map(fields)),
        shown=_tidy(shown.format_map(fields)),
        reason=_tidy(catalogue.reasons[instruction.because].format_map(fields)),
    )


def _fields(
    instruction: Instruction, catalogue: Catalogue, unit: PressureUnit
) -> Mapping[str, str]:
    """Everything that a template may name; empty where the instruction does not know it."""
    far_said, far_shown = _far(instruction, catalogue)
    way = instruction.turn_way or (f"{instruction.way:+d}" if instruction.way else "0")
    return {
        "way": catalogue.ways[way],
        "far": far_said,
        "Far": far_said[:1].upper() + far_said[1:],
        "far_shown": far_shown,
        "far_shown_home": "",
        "top": _optional(" (about {:.0f}°)", instruction.top_deg),
        "target": _optional("({:.1f}°)", instruction.target_deg),
        "target_at": _optional(" at {:.1f}°", instruction.target_deg),
        "interval": _optional(" (±{:.1f}°)", instruction.interval_deg),
        "interval_said": _optional(
            " The top is known to {:.1f} degrees.", instruction.interval_deg
        ),
        "expected": _optional(" would bring ±{:.1f}°", instruction.expected_deg),
        "expected_said": _optional(", to {:.1f} degrees", instruction.expected_deg),
        "moved": _moved(instruction, unit),
        "moved_within": _moved_within(instruction, unit),
        "left": _kpa(instruction.left_kpa, unit),
        "limit": instruction.limit or "a limit",
        "limit_at": _optional(" ({:.0f}°)", instruction.target_deg),
    }


def _optional(template: str, value: float | None) -> str:
    return "" if value is None else template.format(value)


def _far(instruction: Instruction, catalogue: Catalogue) -> tuple[str, str]:
    """How far to turn: millimetres at the rim where the radius is known, else degrees of body.

    A hand feels a millimetre, not a degree. Below one it is told in quarters, above in halves,
    and less than a quarter is a hair.
    """
    mm, body_deg = instruction.to_go_mm, instruction.to_go_body_deg
    if mm is not None:
        if mm < HAIR_MM:
            return catalogue.hair, f"{catalogue.hair} ({mm:.1f} mm)"
        return _spoken(mm, "millimetre", catalogue), f"{_shown(mm)} mm"
    if body_deg is not None:
        return _spoken(body_deg, "degree", catalogue), f"{_shown(body_deg)}° of the body"
    return "a little", "a little"


def _spoken(value: float, unit: str, catalogue: Catalogue) -> str:
    """A length or an angle as it is spoken; never nothing."""
    if value < 0.875:
        quarters = max(round(4 * value), 1)
        one, three = catalogue.quarters
        return f"{(one, catalogue.half[1], three)[min(quarters, 3) - 1]} {unit}"
    whole, odd = divmod(round(2 * value), 2)
    number = catalogue.half[0].format(n=whole) if odd else str(whole)
    return f"{number} {unit}" if number == "1" else f"{number} {unit}s"


def _shown(value: float) -> str:
    """The same in figures: tenths below two, then halves."""
    if value < 1.95:
        return f"{value:.1f}"
    whole, odd = divmod(round(2 * value), 2)
    return f"{whole}½" if odd else str(whole)


def _kpa(value: float | None, unit: PressureUnit) -> str:
    return "" if value is None else f"{from_kpa(abs(value), unit):.2g} {unit}"


def _moved(instruction: Instruction, unit: PressureUnit) -> str:
    if instruction.moved_deg is not None:
        return f"{abs(instruction.moved_deg):.1f}° of crank"
    return _kpa(instruction.moved_kpa, unit)


def _moved_within(instruction: Instruction, unit: PressureUnit) -> str:
    """The most that it can have moved: the far end of the 95 % interval."""
    if instruction.moved_deg is not None and instruction.u_moved_deg is not None:
        most = abs(instruction.moved_deg) + 2 * instruction.u_moved_deg
        return f" (within {most:.1f}° of crank)"
    if instruction.moved_kpa is not None and instruction.u_moved_kpa is not None:
        most = abs(instruction.moved_kpa) + 2 * instruction.u_moved_kpa
        return f" (vacuum within {_kpa(most, unit)})"
    return ""


def _tidy(text: str) -> str:
    """One blank between words, none before a stop, a capital first."""
    text = " ".join(text.split()).replace(" .", ".").replace(" ,", ",")
    return text[:1].upper() + text[1:]
