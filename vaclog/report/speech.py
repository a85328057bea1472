"""Sentences to speak: short, one thought each, no signs that a voice stumbles over.

Enters: a result and a unit. Leaves: a few sentences, the answer first. The screen carries the
rest; hands are busy and the engine is loud.
"""

from __future__ import annotations

import re

from vaclog.report.words import answer, quantities, seen
from vaclog.result import Result
from vaclog.units import PRESSURE_UNITS, PressureUnit


def sentences(result: Result, unit: PressureUnit) -> tuple[str, ...]:
    """What to say, in order."""
    advice, peak = result.advice, result.peak
    said = [answer.headline(result)]
    if advice.set_deg is None:
        said.append(advice.next_step)
    else:
        said += [answer.move(result), answer.decides(result, unit)]
    said.append(seen.top(peak))
    said += [seen.misfire(result)] if result.misfire.events else []
    if advice.set_deg is not None:
        said.append("Then lock it, and road-test. If it pinks, retard one to two degrees.")
    count = len(advice.warnings)
    if count:
        said.append(f"The page has {count} thing{'' if count == 1 else 's'} to mind.")
    return tuple(speakable(sentence) for sentence in said if sentence)


def speakable(sentence: str) -> str:
    """A sentence with its signs put into words."""
    text = re.sub(r"-(?=\d)", "minus ", sentence)
    text = re.sub(r"(\d)½ mm", r"\1 and a half millimetres", text)
    text = text.replace("½ mm", "half a millimetre")
    text = re.sub(r"\b1 mm\b", "1 millimetre", text).replace(" mm", " millimetres")
    text = text.replace("°", " degrees").replace(" %", " per cent").replace(" — ", ", ")
    text = re.sub(r"\brpm\b", "revolutions per minute", text)
    for unit in PRESSURE_UNITS:
        text = re.sub(rf"(?<=\d ){unit}\b", quantities.spoken_unit(unit), text)
    text = re.sub(r"\((.*?)\)", r", \1,", text)
    return re.sub(r"\s+([,.;:])", r"\1", re.sub(r",\s*([,.])", r"\1", re.sub(r"\s+", " ", text)))
