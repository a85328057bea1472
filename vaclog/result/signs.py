"""What a trained eye reads from a vacuum gauge, as findings with their evidence.

Enters: what the analysis found. Leaves: frozen records. A sign is a fact with its number and the
threshold that it passed; what it could be stands beside it in order, never as a verdict.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

SignKey: TypeAlias = Literal[
    "low",
    "regular-drop",
    "occasional-drops",
    "drift",
    "hunting",
    "shake-at-idle",
    "shake-grows",
    "falls-at-held-speed",
    "low-cranking",
]
Basis: TypeAlias = Literal["separated by data", "common practice"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """Something that a sign could come from, and what puts it at its place in the order."""

    text: str
    basis: Basis


@dataclass(frozen=True, slots=True, kw_only=True)
class Sign:
    """A pattern of the vacuum that a sound engine does not show.

    Attributes
    ----------
    key
        Which pattern.
    text
        The fact in a sentence, without its number.
    number, u, unit
        Its size, the standard uncertainty of that, and the unit of both: ``kPa``, ``kPa/min``,
        ``%`` or ``per 1000``.
    threshold
        What the size had to pass, in the same unit.
    false_alarm
        Share of captures of sound engines for which the statistical part of the threshold was set.
    false_alarm_seen
        Share of simulated captures of sound engines that showed this sign, as 95 % upper bound.
    candidates
        What it could be, in order.
    next_look
        The cheapest way to know more.
    at_s
        When it was clearest; None: all the time.
    slot, cylinder
        Firing place (1 is No. 1) and cylinder that it points to.
    """

    key: SignKey
    text: str
    number: float
    u: float
    unit: str
    threshold: float
    false_alarm: float
    false_alarm_seen: float | None = None
    candidates: tuple[Candidate, ...] = ()
    next_look: str = ""
    at_s: float | None = None
    slot: int | None = None
    cylinder: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """A pattern that was looked for; ``why_not`` says why it could not be judged."""

    key: SignKey
    why_not: str | None = None
