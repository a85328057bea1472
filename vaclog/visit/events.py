"""What can happen in a visit.

Enters: nothing. Leaves: frozen events, with the local time as text where they have one. They enter
:func:`vaclog.visit.steps.take`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

from vaclog.visit.records import Capture, Point, RoadTrial, Setting


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """A point was answered; see :func:`vaclog.visit.questions.point`."""

    point: Point


@dataclass(frozen=True, slots=True, kw_only=True)
class Captured:
    """A capture was recorded and analysed."""

    capture: Capture


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnedTo:
    """The distributor was set; what is left open is filled from the aim."""

    setting: Setting


@dataclass(frozen=True, slots=True, kw_only=True)
class Tightened:
    """The clamp was tightened; ``moved_deg`` None: nobody looked whether it moved."""

    moved_deg: float | None = None
    u_moved_deg: float | None = None
    at: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Driven:
    """A road trial was driven."""

    trial: RoadTrial


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """The step that is due was left out."""

    step: str
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Redone:
    """Back to a step that was done; what follows it is done again too."""

    step: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Noted:
    """Something to remember."""

    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """The visit is over, at whatever step."""

    at: str


Event: TypeAlias = (
    Answered | Captured | TurnedTo | Tightened | Driven | LeftOut | Redone | Noted | Ended
)
