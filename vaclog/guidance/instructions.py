"""What the guidance says, and what a person may say back.

Enters: nothing. Leaves: frozen records: an :class:`Instruction` with everything that a sentence,
a page or a voice needs, and the :class:`Tap` words that a person may give.

An instruction is numbers and names; the words are made from it in
:mod:`~vaclog.guidance.sentences`. Angles are crank degrees unless the name says ``body_``.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, StrEnum
from typing import Literal, TypeAlias

from vaclog.result import TurnWay


class Step(StrEnum):
    """What to do next."""

    SCRIBE = "scribe"  # mark the body against the block: the way home
    WARM_UP = "warm_up"  # wait for warm-up and a steady idle
    BEGIN = "begin"  # first nudge
    LISTEN = "listen"  # hands off: the engine is being listened to
    KEEP_GOING = "keep_going"  # the next nudge the same way
    SLOWER = "slower"  # the hand turns faster than the engine can answer
    PASSED_TOP = "passed_top"  # the top lies behind; a little further, then back
    COME_BACK = "come_back"  # nudge the other way
    ONE_MORE = "one_more"  # one more slow pass, with the interval it would bring
    READ_STROBE = "read_strobe"  # say what the strobe (or the strip) reads
    ENOUGH = "enough"  # sure enough
    STOP = "stop"  # a limit, misfire, or heat
    TURN = "turn"  # to the setting: this way, so far
    CLOSER = "closer"  # the last bit
    HOLD = "hold"  # there
    LOCK = "lock"  # tighten the clamp, then say so
    MOVED = "moved"  # it moved while being locked: again
    LOCKED = "locked"  # it did not move
    UNTOLD = "untold"  # locked, but whether it moved cannot be told
    UNSURE = "unsure"  # whether it moved cannot be told yet
    HOME = "home"  # back to the scribed line
    AT_HOME = "at_home"
    PAUSED = "paused"  # nothing comes from the device
    STALLED = "stalled"  # the engine stopped


class Urgency(IntEnum):
    """How soon it must be heard: a higher one interrupts a lower one."""

    CALM = 0  # may wait until nothing else is to be said
    NORMAL = 1
    SOON = 2
    NOW = 3  # a hand is about to go too far


class Because(StrEnum):
    """Why an instruction is given; the sentence of the reason comes from the catalogue."""

    BASELINE = "baseline"
    NOT_STEADY = "not_steady"
    FIRST = "first"
    SETTLE = "settle"
    BELOW_TOP = "below_top"
    AT_TOP = "at_top"
    PAST_TOP = "past_top"
    OTHER_SIDE = "other_side"
    TOP_UNSURE = "top_unsure"
    ONE_WAY = "one_way"
    WIDER = "wider"
    TOO_FAST = "too_fast"
    NO_MOVE = "no_move"
    SURE = "sure"
    SETTING_SURE = "setting_sure"
    NO_GAIN = "no_gain"
    LIMIT_TOTAL = "limit_total"
    LIMIT_CEILING = "limit_ceiling"
    LIMIT_MISFIRE = "limit_misfire"
    LIMIT_SLOT = "limit_slot"
    LIMIT_RETARD = "limit_retard"
    HEAT = "heat"
    SET_POINT = "set_point"
    ONE_SIDE = "one_side"
    OVERSHOT = "overshot"
    NO_NUMBER = "no_number"
    LOCK_CHECK = "lock_check"
    COMPARING = "comparing"
    CREPT = "crept"
    ASKED = "asked"
    NO_DATA = "no_data"
    KEPT = "kept"
    NO_ANGLE = "no_angle"
    READING = "reading"


class Tap(StrEnum):
    """What a person may say with a tap: the ``text`` of an OperatorInput of kind "tap".

    A marker (on the page or the button on the wire's other end) stands for "done" and means
    whichever of these the instruction of the moment waits for.
    """

    DONE = "done"
    SCRIBED = "scribed"
    READY = "ready"  # warm enough, begin
    MOVED = "moved"  # nudged (only needed where the tool cannot see the hand)
    END = "end"  # it does not go further
    ENOUGH = "enough"  # go to the setting now
    AGAIN = "again"  # sweep once more
    LOCKED = "locked"
    HOME = "home"  # lead me back to the scribed line
    STOP = "stop"  # stop guiding
    GO_ON = "go_on"  # after stop: go on


Way: TypeAlias = Literal[-1, 0, 1]
"""+1 towards more advance, -1 towards less, 0 neither."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Instruction:
    """One thing to do next.

    Attributes
    ----------
    step, because
        What and why.
    urgency
        How soon it must be heard.
    at_us
        Device time of the cycle that it rests on.
    valid_us
        For how long after that it is still worth saying.
    number
        Counts instructions from 1; a replay gives the same.
    way
        Which way to turn, +1 advance.
    turn_way
        The same seen from above, None when the rotor's sense is not on the card.
    to_go_deg, to_go_body_deg, to_go_mm
        How far: crank degrees, degrees of the body, way at its rim; all without sign, None
        where there is nothing to turn (or no radius on the card).
    target_deg
        Where to, on the rig's scale; None without an angle.
    here_deg
        Where the body is.
    interval_deg
        Half width of the top's 95 % interval now.
    expected_deg
        The same after one more slow pass.
    pass_s
        How long that pass would take.
    top_deg
        The top as known now.
    moved_deg, u_moved_deg
        Of the lock check: how far it moved (crank degrees), standard uncertainty.
    moved_kpa, u_moved_kpa
        The same in pressure where there is no angle.
    left_kpa
        Vacuum still to be had, kPa.
    limit
        Name of the limit that is meant.
    waits_for
        The tap that this instruction waits for; None when the tool sees for itself.
    """

    step: Step
    because: Because
    urgency: Urgency
    at_us: int
    valid_us: int
    number: int = 0
    way: Way = 0
    turn_way: TurnWay | None = None
    to_go_deg: float | None = None
    to_go_body_deg: float | None = None
    to_go_mm: float | None = None
    target_deg: float | None = None
    here_deg: float | None = None
    interval_deg: float | None = None
    expected_deg: float | None = None
    pass_s: float | None = None
    top_deg: float | None = None
    moved_deg: float | None = None
    u_moved_deg: float | None = None
    moved_kpa: float | None = None
    u_moved_kpa: float | None = None
    left_kpa: float | None = None
    limit: str | None = None
    waits_for: Tap | None = None
