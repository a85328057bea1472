"""The words of the guidance, all of them and nothing else: ready for translation.

Enters: nothing. Leaves: a :class:`Catalogue`; another language is another one. Templates have
``{names}``: those of :func:`vaclog.guidance.sentences._fields`, and in pieces the number itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from vaclog.guidance.instructions import Because, Step


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
    hair, little
        The smallest turn a hand can make, and one of unknown size.
    lengths
        "millimetre" and "degree" (of the body) as they are spoken, one and several, and as they
        are shown.
    pieces
        What stands in a sentence only where its number is known.
    limits
        What decides a setting, by the name that the advice gives it.
    """

    language: str
    steps: Mapping[Step, tuple[str, str]]
    not_passed: tuple[str, str]
    reasons: Mapping[Because, str]
    ways: Mapping[str, str]
    half: tuple[str, str]
    quarters: tuple[str, str]
    hair: str
    little: str
    lengths: Mapping[str, tuple[str, str, str]]
    pieces: Mapping[str, str]
    limits: Mapping[str, str]


ENGLISH: Final = Catalogue(
    language="en",
    half=("{n} and a half", "half a"),
    quarters=("a quarter of a", "three quarters of a"),
    hair="a hair",
    little="a little",
    lengths={
        "mm": ("millimetre", "millimetres", "{n} mm"),
        "deg": ("degree", "degrees", "{n}° of the body"),
    },
    pieces={
        "top": " (about {:.0f}°)",
        "target": "({:.1f}°)",
        "target_at": " at {:.1f}°",
        "interval": " (±{:.1f}°)",
        "interval_said": " The top is known to {:.1f} degrees.",
        "expected": " would bring ±{:.1f}°",
        "expected_said": ", to {:.1f} degrees",
        "limit_at": " ({:.0f}°)",
        "moved_deg": "{:.1f}° of crank",
        "within_deg": " (within {:.1f}° of crank)",
        "within_kpa": " (vacuum within {})",
        "way_home": " Way home: {far_shown} {way}.",
    },
    limits={
        "hill": "the hill itself",
        "misfire": "misfire",
        "maximum total": "the maker's maximum total",
        "maker's figure": "the maker's figure",
        "": "a limit",
    },
    ways={
        "clockwise": "clockwise",
        "counterclockwise": "counterclockwise",
        "+1": "to advance",
        "-1": "to retard",
        "0": "",
    },
    not_passed=(
        "Enough. The top was not passed.",
        "Enough. The top was not passed; the setting rests on what was seen.",
    ),
    steps={
        Step.SCRIBE: (
            "Scribe the body against the block, then tap scribed.",
            "Scribe a line across body and block, then tap “scribed”.",
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
            "Lock it, then tap locked.",
            "Tighten the clamp without turning the body, then tap “locked”.",
        ),
        Step.MOVED: (
            "It moved. Loosen and redo. {Far} {way}.",
            "It moved by {moved}. Loosen, {far_shown} {way}, lock again.",
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
            "No cycles come any more. What was measured is kept; leave the body alone.",
        ),
        Step.STALLED: (
            "The engine stopped. Start it again. All is kept.",
            "The engine stopped. Start it again and let it idle; where the starter kicks back, "
            "turn the body to the scribed line first.",
        ),
    },
    reasons={
        Because.BASELINE: "It is the way home, whatever comes.",
        Because.NOT_STEADY: "While speed still drifts, the drift would be taken for the hill.",
        Because.FIRST: "The hill shows only while the timing moves.",
        Because.SETTLE: "Engine and manifold take some seconds to settle.",
        Because.BELOW_TOP: "The top is not behind you yet.",
        Because.AT_TOP: "Near the top vacuum hardly changes; its sides tell where it is.",
        Because.PAST_TOP: "Some of this side is needed to place it.",
        Because.OTHER_SIDE: "All so far lies past the top; its other side is below.",
        Because.TOP_UNSURE: "The top is not known well enough yet{interval}.",
        Because.ONE_WAY: "One way alone cannot tell the hill from drift.",
        Because.WIDER: "The top itself is flat; the slopes on both sides place it.",
        Because.TOO_FAST: "Engine and manifold answer a second late.",
        Because.NO_MOVE: "The body has not moved since the last word.",
        Because.SURE: "As near as was asked, crossed up and down.",
        Because.SETTING_SURE: "Whatever the top is, {limit} decides the setting.",
        Because.NO_GAIN: "Another pass would bring little for its heat.",
        Because.LIMIT_TOTAL: "The maker's maximum total, less what the angle may be off{limit_at}.",
        Because.LIMIT_CEILING: "No idling engine needs more{limit_at}.",
        Because.LIMIT_MISFIRE: "The engine begins to stumble here{limit_at}.",
        Because.LIMIT_SLOT: "The slot ends here.",
        Because.LIMIT_RETARD: "Idling far retarded heats exhaust and valves.",
        Because.HEAT: "This pass has lasted long enough for the exhaust.",
        Because.SET_POINT: "Decided by {limit}.",
        Because.ONE_SIDE: "From the retard side, so that play is taken up.",
        Because.OVERSHOT: "It went past; it is approached from the retard side again.",
        Because.NO_NUMBER: "Without a maximum total and the centrifugal curve vacuum alone must "
        "not set the timing.",
        Because.LOCK_CHECK: "The mean before is compared with the mean after.",
        Because.COMPARING: "Half a degree shows only over some seconds.",
        Because.CREPT: "It crept while it was still loose.",
        Because.ASKED: "As you asked.",
        Because.NO_DATA: "The engine stopped, or a plug, a cable or the supply let go.",
        Because.KEPT: "All that was measured is kept; it goes on once the idle has settled.",
        Because.READING: "Each hold needs its angle, else its vacuum tells nothing.",
        Because.NO_ANGLE: "Nothing here measures the angle, so vacuum alone leads.",
    },
)
