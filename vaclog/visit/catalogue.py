"""The steps of a visit in their words: why, what to do, what to mind, what leaving out costs.

Enters: nothing. Leaves: :data:`STEPS` in their order, as records. The order is the trade's: what
moves the timing comes before the timing, the curve before the advice that it caps, the road last.
Sentences are short: one hand is greasy and the other is holding a lamp.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

from vaclog.visit import road
from vaclog.visit.records import Purpose

StepKey: TypeAlias = Literal[
    "fit",
    "baseline",
    "curve",
    "sweep",
    "set",
    "idle",
    "again",
    "lock",
    "hose",
    "road",
    "hot",
    "record",
    "defer",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step of a visit.

    Attributes
    ----------
    key, title
        Its name in commands, and for people.
    why
        Why it is done, and done here.
    do
        What to do, one thing a sentence.
    cautions
        Dangers of this step.
    purpose
        The capture that it wants, if any.
    asks
        Keys of the points that it asks (:mod:`vaclog.visit.questions`).
    costs
        What leaving it out costs; empty: it cannot be left out.
    """

    key: StepKey
    title: str
    why: str
    do: tuple[str, ...]
    cautions: tuple[str, ...] = ()
    purpose: Purpose | None = None
    asks: tuple[str, ...] = ()
    costs: str = ""


_TURNING: Final = "Fan, belts, sleeves, hair, leads: nothing near them. Electric fans start alone."
_TENSION: Final = (
    "High tension kills pacemaker wearers: they stay away. Never pull a lead on electronic "
    "ignition. Insulated gloves on the distributor."
)
_STUCK: Final = "Body stuck? Engine off, penetrant, time. Never lever it."
_HEAT: Final = "Long idling on retard heats exhaust and catalyst: no pass over three minutes."

_PLANE: Final = "Stand beside the fan's plane, not in it."
_BURNS: Final = "Exhaust and manifold burn."

# A danger that an earlier step of the visit has told in full is only called to mind.
IN_SHORT: Final = {
    _TURNING: "fan and belts",
    _TENSION: "high tension",
    _STUCK: "a stuck body is never levered",
    _HEAT: "no pass over three minutes",
    **dict(zip(road.CAUTIONS, road.CAUTIONS_SHORT, strict=True)),
}

# Answered no, a degree comes off: the day of the trial was kinder than a day to come.
RESERVE: Final = ("hot_day", "poor_fuel")

STEPS: Final = (
    Step(
        key="fit",
        title="Fit to be timed",
        why="Plugs, points, warmth and leaks shift the best timing. They come first.",
        do=(
            "Answer the points below, one by one.",
            "Record a check: key on and 5 s still, start, a minute of idle hands off, one blip "
            "of the throttle, half a minute of idle.",
        ),
        cautions=(_TURNING, _TENSION),
        purpose="check",
        asks=(
            "plain",
            "brake",
            "gear",
            "air",
            "fire",
            "clothes",
            "battery",
            "plugs",
            "points",
            "hose_off",
            "leaks",
            "warm",
            "tdc",
            "idle_speed",
        ),
        costs="Nobody knows then whether the engine was fit; a leak or bad points can shift the "
        "top by degrees.",
    ),
    Step(
        key="baseline",
        title="Baseline by strobe, and a scribe line",
        why="It is the way home, and a maker's figure far off is put right before any sweep.",
        do=(
            "Strobe on No. 1 at idle, vacuum hose off and plugged. Read the advance.",
            "Scribe body and block with one fine line.",
        ),
        cautions=(_TURNING, _TENSION),
        asks=("baseline", "scribed"),
        costs="There is then no proven way home, and a slipped mark stays hidden.",
    ),
    Step(
        key="curve",
        title="What the curve adds",
        why="Idle advance and weights together make the total at speed. It decides how far the "
        "timing may go, so it comes before the advice.",
        do=(
            "Out of gear, record: 10 s of idle, then rev slowly to 3500 rpm in 10 s, "
            "slowly down, 10 s of idle.",
        ),
        cautions=(_TURNING, _PLANE),
        purpose="curve",
        costs="Without it the card's curve has to be believed; with no curve on the card "
        "either, vacuum alone sets nothing.",
    ),
    Step(
        key="sweep",
        title="Sweep",
        why="The engine shows its best timing by its vacuum.",
        do=(
            "Clamp just nipped. Throttle untouched. Record half a minute of idle.",
            "Nudge 2 to 3° on and wait 6 s, over the top if it will go; then back the same way.",
            "`vaclog listen` leads the hand.",
        ),
        cautions=(_TURNING, _TENSION, _STUCK, _HEAT),
        purpose="sweep",
        costs="The top stays unknown: set to the maker's figure.",
    ),
    Step(
        key="set",
        title="Set",
        why="On the retard side of the top, under every limit.",
        do=(
            "Go past it on the retard side, then come up to it: the play is taken up one way.",
            "Tell where it came to stand.",
        ),
        cautions=(_TURNING, _TENSION, _STUCK),
    ),
    Step(
        key="idle",
        title="Idle speed and mixture",
        why="New timing changes the idle, and both shift the top.",
        do=("Bring the idle speed back to the card's.", "Mixture: to the best steady idle."),
        cautions=(_TURNING, _BURNS),
        asks=("idle_set", "mixture"),
        costs="The idle may be too fast: the weights then add at idle, and the strobe lies.",
    ),
    Step(
        key="again",
        title="Short sweep again",
        why="If idle and mixture moved the top by more than 2°, the setting moves with it.",
        do=(
            "Record a short sweep over the top and back, once, as before. End at the setting, "
            "with 15 s of idle.",
        ),
        cautions=(_TURNING, _TENSION, _HEAT),
        purpose="again",
        costs="Nobody knows whether the top moved with idle and mixture.",
    ),
    Step(
        key="lock",
        title="Lock, and prove it",
        why="Tightening a clamp turns the body more often than not.",
        do=(
            "Record: 20 s of idle, tighten the clamp, 20 s of idle.",
            "Or strobe before and after, and tell by how much it moved.",
        ),
        cautions=(_TURNING, _TENSION),
        purpose="lock",
    ),
    Step(
        key="hose",
        title="Vacuum advance back on",
        why="The road test is driven as the car will be driven.",
        do=(
            "Engine off. Hose back on the distributor.",
            "Rig and T-piece off, all hoses back. To record the drive, tie the rig up instead, "
            "clear of fan, belts and heat.",
        ),
        asks=("hose_on",),
    ),
    Step(
        key="road",
        title="Road test under load",
        why="Idle vacuum knows nothing of full load. Pinking breaks pistons.",
        do=road.FIRST,
        cautions=road.CAUTIONS,
        purpose="road",
        costs="The setting is not proven under load: drive gently until it is.",
    ),
    Step(
        key="hot",
        title="Hot restart",
        why="Too much advance kicks back at the starter or runs on when switched off.",
        do=(
            "Switch off hot, after the drive, and watch whether it stops at once.",
            "Wait ten minutes and start: it should not kick back or turn in jerks.",
        ),
        cautions=("Starting handle: thumb beside the fingers. A kick-back breaks wrists.",),
        asks=(*RESERVE, "running_on", "kick_back"),
        costs="A setting too far for the starter shows first on a hot day, far from home.",
    ),
    Step(
        key="record",
        title="Record",
        why="Next year's question is: has it moved, has it worn?",
        do=(
            "Scribe the new place. Note fuel and weather.",
            "Keep the report: vaclog visit report.",
        ),
    ),
)

DEFER: Final = Step(
    key="defer",
    title="Stop: this is not cured by timing",
    why="It pinks whatever is taken off.",
    do=tuple(text.format(count=road.TRIALS_MOST) for text in road.PERSISTS),
    cautions=("Do not load the engine until the cause is found.",),
)

ORDER: Final[tuple[StepKey, ...]] = tuple(step.key for step in STEPS)
_BY_KEY: Final = {step.key: step for step in (*STEPS, DEFER)}


def step_of(key: str) -> Step | None:
    """The step of that key, None if there is none."""
    return _BY_KEY.get(key)  # type: ignore[call-overload, no-any-return]
