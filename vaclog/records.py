"""The records that enter a session: everything it will ever know.

Enters: nothing. Leaves: frozen records. ``at_us`` is host time in integer microseconds from
the start of the capture (a monotonic clock), or None where a bare text or CSV file has no
arrival clock. The session sees nothing else, so a replayed capture gives the live result.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias


@dataclass(frozen=True, slots=True, kw_only=True)
class Chunk:
    """The bytes of one read."""

    at_us: int | None
    data: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockTick:
    """The injected clock says what time it is, also when nothing arrives."""

    at_us: int


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatorInput:
    """What a person said: a tap, a strobe reading in crank degrees, a marker."""

    at_us: int
    kind: Literal["tap", "strobe", "marker"]
    value_deg: float | None = None
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CardText:
    """An engine or rig card as its TOML text."""

    at_us: int
    which: Literal["engine", "rig"]
    toml: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PortOpened:
    """A port was opened; a board may have been reset by that."""

    at_us: int
    name: str
    identity: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PortClosed:
    """A port was closed or lost."""

    at_us: int
    reason: str = ""


Record: TypeAlias = Chunk | ClockTick | OperatorInput | CardText | PortOpened | PortClosed
