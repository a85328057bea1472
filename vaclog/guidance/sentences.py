"""Puts instructions into words.

Enters: an :class:`~vaclog.guidance.instructions.Instruction`, a catalogue
(:mod:`vaclog.guidance.catalogue`: all words stand there, none here). Leaves: :class:`Words`, a
short form to be spoken, one to be shown, and the reason.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from vaclog.guidance.catalogue import ENGLISH, Catalogue
from vaclog.guidance.instructions import Instruction, Step
from vaclog.units import PressureUnit, from_kpa

# Less than this is not half a millimetre when rounded; a tap on the body does it.
HAIR_MM: Final = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """An instruction in words: spoken, shown, and why."""

    said: str
    shown: str
    reason: str


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
        shown += catalogue.pieces["way_home"]
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
    limit = instruction.limit or ""
    numbers = {
        "top": instruction.top_deg,
        "target": instruction.target_deg,
        "target_at": instruction.target_deg,
        "interval": instruction.interval_deg,
        "interval_said": instruction.interval_deg,
        "expected": _promised_deg(instruction, catalogue),
        "expected_said": _promised_deg(instruction, catalogue),
        "limit_at": instruction.target_deg,
    }
    known = {
        name: "" if value is None else catalogue.pieces[name].format(value)
        for name, value in numbers.items()
    }
    return {
        **known,
        "way": catalogue.ways[way],
        "far": far_said,
        "Far": far_said[:1].upper() + far_said[1:],
        "far_shown": far_shown,
        "moved": _moved(instruction, catalogue, unit),
        "moved_within": _moved_within(instruction, catalogue, unit),
        "left": _kpa(instruction.left_kpa, unit),
        "limit": catalogue.limits.get(limit, limit),
    }


def _promised_deg(instruction: Instruction, catalogue: Catalogue) -> float | None:
    """The interval that a pass would bring; None where it would read no narrower than this one."""
    now_deg, then_deg = instruction.interval_deg, instruction.expected_deg
    if now_deg is None or then_deg is None:
        return then_deg
    piece = catalogue.pieces["expected"]
    same = piece.format(then_deg) == piece.format(now_deg)
    return None if same or then_deg >= now_deg else then_deg


def _far(instruction: Instruction, catalogue: Catalogue) -> tuple[str, str]:
    """How far to turn: millimetres at the rim where the radius is known, else degrees of body.

    A hand feels a millimetre, not a degree. Below one it is told in quarters, above in halves,
    and less than a quarter is a hair.
    """
    mm, body_deg = instruction.to_go_mm, instruction.to_go_body_deg
    if mm is not None:
        if mm < HAIR_MM:
            shown = catalogue.lengths["mm"][2].format(n=f"{mm:.1f}")
            return catalogue.hair, f"{catalogue.hair} ({shown})"
        return _length(mm, "mm", catalogue)
    if body_deg is not None:
        return _length(body_deg, "deg", catalogue)
    return catalogue.little, catalogue.little


def _length(value: float, unit: str, catalogue: Catalogue) -> tuple[str, str]:
    """A length or an angle as it is spoken, never nothing, and as it is shown."""
    one, several, shown = catalogue.lengths[unit]
    figures = shown.format(n=_shown(value))
    if value < 0.875:
        quarter, three = catalogue.quarters
        parts = (quarter, catalogue.half[1], three)
        return f"{parts[min(max(round(4 * value), 1), 3) - 1]} {one}", figures
    whole, odd = divmod(round(2 * value), 2)
    number = catalogue.half[0].format(n=whole) if odd else str(whole)
    return f"{number} {one if number == '1' else several}", figures


def _shown(value: float) -> str:
    """The same in figures: tenths below two, then halves."""
    if value < 1.95:
        return f"{value:.1f}"
    whole, odd = divmod(round(2 * value), 2)
    return f"{whole}½" if odd else str(whole)


def _kpa(value: float | None, unit: PressureUnit) -> str:
    return "" if value is None else f"{from_kpa(abs(value), unit):.2g} {unit}"


def _moved(instruction: Instruction, catalogue: Catalogue, unit: PressureUnit) -> str:
    if instruction.moved_deg is not None:
        return catalogue.pieces["moved_deg"].format(abs(instruction.moved_deg))
    return _kpa(instruction.moved_kpa, unit)


def _moved_within(instruction: Instruction, catalogue: Catalogue, unit: PressureUnit) -> str:
    """The most that it can have moved: the far end of the 95 % interval."""
    if instruction.moved_deg is not None and instruction.u_moved_deg is not None:
        most = abs(instruction.moved_deg) + 2 * instruction.u_moved_deg
        return catalogue.pieces["within_deg"].format(most)
    if instruction.moved_kpa is not None and instruction.u_moved_kpa is not None:
        most = abs(instruction.moved_kpa) + 2 * instruction.u_moved_kpa
        return catalogue.pieces["within_kpa"].format(_kpa(most, unit))
    return ""


def _tidy(text: str) -> str:
    """One blank between words, none before a stop, a capital first."""
    text = " ".join(text.split()).replace(" .", ".").replace(" ,", ",")
    return text[:1].upper() + text[1:]
