"""Readings of the advance: typed in order, tapped at their time, or said by a marker.

Enters: what a person said, as records and as a typed list, and markers. Leaves:
:class:`Readings`, in the order in which they were taken.

A typed list has one entry a hold, in order, apart by blanks, commas or semicolons::

    8 12.5 16 ? 20@61.5

A number is crank degrees before top dead centre; ``?`` is a hold that was not read; ``@`` gives
the second of the capture at which it was read. Readings of the printed strip are typed the same
way, counted from its zero line (``strip_zero_deg``), or in millimetres of rim: ``1.4mm``.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from vaclog.errors import ReadingError
from vaclog.records import OperatorInput

# Read by eye against two-degree marks that jump about: good to a degree (common practice).
U_STROBE_DEG: Final = 1.0
# A printed strip at rest is read to half a division, 1 crank degree: a/sqrt(3) with a = 0.5
# (JCGM 100:2008, 4.3.7).
U_STRIP_DEG: Final = 0.5 / math.sqrt(3.0)
# Beyond these a reading is a slip of the hand, whatever the engine.
LEAST_DEG: Final = -30.0
MOST_DEG: Final = 80.0
LIST: Final = "list "
UNDO: Final = "undo"

_TOKEN: Final = re.compile(r"(\?|[+-]?[0-9]+(?:\.[0-9]*)?)(mm|°)?(?:@([0-9]+(?:\.[0-9]*)?))?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One reading, at one hold.

    Attributes
    ----------
    deg
        Crank degrees before top dead centre; NaN: the hold was not read.
    u_deg
        Standard uncertainty of this reading by itself, what is common to all left out.
    at_us
        Device time at which it was read (the hand stands still then), None if unknown.
    """

    deg: float
    u_deg: float = U_STROBE_DEG
    at_us: int | None = None

    @property
    def known(self) -> bool:
        """Whether there is a number."""
        return math.isfinite(self.deg)


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """All readings of a capture, in the order in which they were taken.

    Attributes
    ----------
    taken
        The readings.
    remarks
        What was noticed while they were gathered, as plain sentences.
    """

    taken: tuple[Reading, ...] = ()
    remarks: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.taken)

    @property
    def u_deg(self) -> float:
        """Standard uncertainty of a reading: of all together, where they differ."""
        known = [each.u_deg for each in self.taken if each.known]
        if not known:
            return U_STROBE_DEG
        return math.sqrt(sum(u * u for u in known) / len(known))


def parse_list(
    text: str,
    *,
    u_deg: float = U_STROBE_DEG,
    strip_zero_deg: float = 0.0,
    body_radius_mm: float | None = None,
) -> tuple[Reading, ...]:
    """Read a typed list.

    Parameters
    ----------
    u_deg
        Standard uncertainty of each.
    strip_zero_deg
        Added to every reading: what the strobe reads at the zero line of a strip.
    body_radius_mm
        Of the rim, for entries in millimetres.

    Raises
    ------
    ReadingError
        An entry is no number, or is beyond what any engine has; or a comma may be a decimal sign.
    """
    _refuse_decimal_comma(text.strip())
    entries = [each for each in re.split(r"[\s,;]+", text.strip()) if each]
    return tuple(
        _entry(entry, place, u_deg, strip_zero_deg, body_radius_mm)
        for place, entry in enumerate(entries, 1)
    )


def _refuse_decimal_comma(text: str) -> None:
    """Refuse commas within figures that are set apart by something else: "8,5 12,5".

    Taken for a separator, such a comma would make a hold of each half, and the last half the
    place where the body stands. A list of commas alone ("8,12,16") or of comma and blank is one.
    """
    within = re.search(r"(?<![\d.,])-?\d+,\d+(?![\d.,])", text)
    if within is None or not re.search(r"[\s;]", text):
        return
    raise ReadingError(
        f"{within[0]!r} may be one reading or two.",
        cause="A comma within it, and readings set apart by something else beside it.",
        step="The decimal sign is a point: 8.5 12.5; readings are set apart by blanks.",
    )


def _entry(
    entry: str, place: int, u_deg: float, zero_deg: float, radius_mm: float | None
) -> Reading:
    match = _TOKEN.fullmatch(entry)
    if match is None:
        raise ReadingError(
            f"Reading {place}, {entry!r}, is not understood.",
            step="Type degrees in the order of the holds, apart by blanks: 8 12.5 16. A hold that "
            "was not read is ?; 16@41.5 was read at second 41.5; 1.4mm is a way along the rim.",
        )
    at_us = None if match[3] is None else round(float(match[3]) * 1e6)
    if match[1] == "?":
        return Reading(deg=math.nan, u_deg=u_deg, at_us=at_us)
    value = float(match[1])
    if match[2] == "mm":
        if radius_mm is None:
            raise ReadingError(
                f"Reading {place}, {entry!r}, is in millimetres, and the radius of the rim is not "
                "known.",
                step="Put body_radius_mm on the engine card, or type crank degrees.",
            )
        # A degree of the body is two of the crank.
        value = 2.0 * math.degrees(value / radius_mm)
    deg = value + zero_deg
    if not LEAST_DEG <= deg <= MOST_DEG:
        raise ReadingError(
            f"Reading {place}, {entry!r}, is {deg:g}°, beyond what a strobe can read on an engine "
            f"({LEAST_DEG:g} to {MOST_DEG:g}).",
            cause="A slip of the hand, or a decimal point is missing.",
            step="Type crank degrees before top dead centre; after it they are negative.",
        )
    return Reading(deg=deg, u_deg=u_deg, at_us=at_us)


class Heard:
    """Gathers readings as they come: tapped, typed, or in the text of a marker.

    Attributes
    ----------
    tapped
        Readings that have their time, in order.
    typed
        The last list that was typed; it replaces those before.
    """

    def __init__(self) -> None:
        self.tapped: list[Reading] = []
        self.typed: tuple[Reading, ...] = ()
        self._remarks: list[str] = []

    def take(self, operator: OperatorInput, device_us: int) -> None:
        """Take a record of kind "strobe"; others are passed over.

        Parameters
        ----------
        device_us
            When it was said, on the device's clock.
        """
        if operator.kind != "strobe":
            return
        if operator.value_deg is not None:
            self._tap(Reading(deg=operator.value_deg, at_us=device_us))
        elif operator.text == UNDO:
            if self.tapped:
                self.tapped.pop()
        elif operator.text.startswith(LIST):
            self._type(operator.text.removeprefix(LIST))

    def _tap(self, reading: Reading) -> None:
        if LEAST_DEG <= reading.deg <= MOST_DEG:
            self.tapped.append(reading)
        else:
            self._remarks.append(
                f"A reading of {reading.deg:g}° cannot be: it was left out. Read again."
            )

    def _type(self, text: str) -> None:
        u_deg, match = U_STROBE_DEG, re.match(r"u=([0-9.]+) ", text)
        if match is not None:
            u_deg, text = float(match[1]), text[match.end() :]
        try:
            self.typed = parse_list(text, u_deg=u_deg)
        except ReadingError as error:
            self._remarks.append(f"{error.fact} {error.step}".strip())

    def gathered(self, marker_us: Sequence[int], marker_text: Sequence[str]) -> Readings:
        """Put together what was heard.

        A typed list counts before taps, since it is made with thought. Markers without text give
        it times when there is one for every entry. Without a list, a marker whose text is a
        number is a reading.
        """
        remarks = list(self._remarks)
        numbers = [_number(text) for text in marker_text]
        if not self.typed:
            said = [
                Reading(deg=deg, at_us=int(at_us))
                for at_us, deg in zip(marker_us, numbers, strict=True)
                if deg is not None
            ]
            taken = sorted([*self.tapped, *said], key=lambda each: each.at_us or 0)
            return Readings(taken=tuple(taken), remarks=tuple(remarks))
        plain = [int(at) for at, deg in zip(marker_us, numbers, strict=True) if deg is None]
        typed = self.typed
        if plain and not any(each.at_us is not None for each in typed):
            if len(plain) == len(typed):
                typed = tuple(
                    replace(each, at_us=at) for each, at in zip(typed, plain, strict=True)
                )
            else:
                remarks.append(
                    f"The marker was pressed {len(plain)} times, and {len(typed)} readings were "
                    "typed: which belongs to which is not certain, so the markers were left out "
                    "and the readings were paired by the engine's answer alone. Type ? for a hold "
                    "that was marked and not read."
                )
        if self.tapped:
            remarks.append(
                f"A list of {len(typed)} readings was typed beside {len(self.tapped)} that were "
                "tapped; the typed list counts."
            )
        return Readings(taken=typed, remarks=tuple(remarks))


def list_record(readings: Sequence[Reading], *, at_us: int = 0) -> OperatorInput:
    """The record that carries a typed list into a session."""
    u_deg = readings[0].u_deg if readings else U_STROBE_DEG
    words = " ".join(_word(each) for each in readings)
    return OperatorInput(at_us=at_us, kind="strobe", text=f"{LIST}u={u_deg:g} {words}")


def _word(reading: Reading) -> str:
    number = f"{reading.deg:.6g}" if reading.known else "?"
    return number if reading.at_us is None else f"{number}@{reading.at_us / 1e6:.6f}"


def _number(text: str) -> float | None:
    """The reading in a marker's text, None if there is none."""
    match = re.fullmatch(r"\s*([+-]?[0-9]+(?:\.[0-9]*)?)\s*°?\s*", text)
    if match is None:
        return None
    deg = float(match[1])
    return deg if LEAST_DEG <= deg <= MOST_DEG else None
