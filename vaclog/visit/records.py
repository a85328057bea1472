"""What is remembered of a visit.

Enters: nothing. Leaves: frozen records, and their JSON document. A visit is one working session on
an engine: what was asked and measured before the sweep, the captures and what they told, what
was set, how it went on the road. Everything that is told of a visit, compared with the next one
or kept in the garage is in these records. Fields are added, never renamed; ``at`` is the
local date and time as ISO 8601 text, given by who records it, so that nothing here asks a clock.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Literal, TypeAlias

from vaclog.errors import CaptureError
from vaclog.result import Result
from vaclog.result.document import as_plain, record_from
from vaclog.result.road import Hearing

# What a capture was recorded for.
Purpose: TypeAlias = Literal["check", "curve", "sweep", "again", "lock", "road", "other"]
# How a point of the pre-flight stands: measured or said to be in order, doubtful, or not known.
Verdict: TypeAlias = Literal["in order", "doubtful", "not known", "left out"]
Pinking: TypeAlias = Literal["none heard", "heard", "unsure"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One point of the pre-flight or of the work after setting, answered or measured.

    Attributes
    ----------
    key
        Stable name of the point.
    verdict
        How it stands.
    measured
        From a capture rather than asked.
    value, unit
        The number behind it, where there is one.
    text
        A plain sentence for the person: what was found, and what to do about it.
    """

    key: str
    verdict: Verdict
    measured: bool = False
    value: float | None = None
    unit: str = ""
    text: str = ""
    at: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Capture:
    """A recorded capture and what it told.

    Attributes
    ----------
    sha256
        Of the capture file, by which it is found again when it was moved.
    path
        Where it was.
    hearing
        What a sound recording of the same drive told.
    """

    purpose: Purpose
    sha256: str
    path: str
    result: Result
    at: str = ""
    hearing: Hearing | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """Where the distributor was set and whether it stayed there when it was locked.

    Attributes
    ----------
    aimed_deg, reached_deg, u_reached_deg
        Crank degrees before top dead centre, as aimed at and as seen after locking.
    limit
        Which limit decided.
    moved_deg, u_moved_deg
        By how much locking moved it.
    """

    aimed_deg: float | None = None
    reached_deg: float | None = None
    u_reached_deg: float | None = None
    limit: str | None = None
    locked: bool = False
    moved_deg: float | None = None
    u_moved_deg: float | None = None
    note: str = ""
    at: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RoadTrial:
    """One run on the road, and what followed from it.

    Attributes
    ----------
    advance_deg
        The setting it was driven with, at idle.
    pinking
        What was heard. "none heard" is no proof of absence.
    heard_by
        "ear", "button" or "recording".
    rpm, pressure_kpa
        Where it pinked, else where it was loaded most.
    retard_deg
        Advised after it; 0 when nothing was heard.
    """

    number: int
    advance_deg: float | None = None
    pinking: Pinking = "unsure"
    heard_by: str = "ear"
    rpm: float | None = None
    pressure_kpa: float | None = None
    retard_deg: float = 0.0
    note: str = ""
    at: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """One working session on an engine.

    Attributes
    ----------
    number
        In the garage; 0 before it was stored.
    engine, rig
        Names of the cards; ``engine_toml`` and ``rig_toml`` are the cards as they were then.
    step
        Where it stands: the key of the next step to do (:mod:`vaclog.visit.steps`).
    done
        Keys of the steps that were done or left out, in order.
    aim_deg, aim_by_deg, aim_why
        Where to set next, or by how much to retard where no angle is known, and why.
    ceiling_deg
        The most advance that pinking, kick-back or running on leave; None: none of them yet.
    left_deg, too_far_deg
        Where the visit before left it, and the least advance at which it pinked, kicked back or
        ran on then; None: not known.
    revision
        How often it was kept: who keeps one that another process has kept since is refused.
    rehearsal
        Played on a simulated engine: no part of what is known of a real one.
    """

    number: int = 0
    engine: str = ""
    rig: str = ""
    engine_toml: str = ""
    rig_toml: str = ""
    begun: str = ""
    ended: str = ""
    step: str = ""
    done: tuple[str, ...] = ()
    points: tuple[Point, ...] = ()
    captures: tuple[Capture, ...] = ()
    settings: tuple[Setting, ...] = ()
    trials: tuple[RoadTrial, ...] = ()
    notes: tuple[str, ...] = ()
    aim_deg: float | None = None
    aim_by_deg: float = 0.0
    aim_why: str = ""
    ceiling_deg: float | None = None
    left_deg: float | None = None
    too_far_deg: float | None = None
    revision: int = 0
    rehearsal: bool = False

    def last(self, *purposes: Purpose) -> Capture | None:
        """The newest capture that was recorded for one of these purposes."""
        return next((each for each in reversed(self.captures) if each.purpose in purposes), None)


def visit_to_json(visit: Visit) -> str:
    """The JSON document of a visit, strict."""
    return json.dumps(as_plain(visit, "visit"), allow_nan=False)


def visit_from_json(text: str) -> Visit:
    """Read a visit back. Keys that this version does not know are left out.

    Raises
    ------
    CaptureError
        Not a visit.
    """
    try:
        document = json.loads(text)
        if not isinstance(document, dict):
            raise TypeError("no object")
        return record_from(Visit, document)
    except (TypeError, ValueError, KeyError, AttributeError) as error:
        raise CaptureError(
            f"This is not the document of a visit ({type(error).__name__}: {error}).",
            cause="It was cut short or edited by hand.",
            step="Restore it from a backup of the garage.",
        ) from error
