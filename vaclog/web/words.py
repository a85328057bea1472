"""The page's own words; what to do next is said by the guidance's catalogue.

Enters: nothing. Leaves: :class:`PageWords`; another language is another one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True, kw_only=True)
class PageWords:
    """Words of one language: those that stand in the page, and those that its script puts in."""

    in_page: Mapping[str, str]
    spoken_by_script: Mapping[str, str]


ENGLISH: Final = PageWords(
    in_page={
        "language": "en",
        "direction": "ltr",  # of writing; "rtl" turns the page round, its picture stays
        "title": "vaclog",
        "waiting": "Waiting for the engine.",
        "begin_sound": "Tap for voice and a screen that stays on",
        "voice": "Voice",
        "tone": "Tone",
        "marker": "Marker",
        "scribed": "Scribed",
        "ready": "Warm enough",
        "locked": "Locked",
        "stop": "Stop guiding",
        "go_on": "Go on",
        "home": "Way home",
        "again": "Sweep again",
        "enough": "Set it now",
        "end": "It goes no further",
        "done": "Done",
        "more": "More",
        "strobe_asks": "The strobe reads",
        "strobe_less": "Smaller numbers",
        "strobe_more": "Larger numbers",
        "strobe_half": "and a half",
        "strobe_undo": "Undo",
        "list_ask": "Type readings …",
        "list_how": "Strobe readings in the order of the holds, apart by blanks; ? for a hold that "
        "was not read. The list takes the place of all readings that were tapped.",
        "list_say": "Hand in the list",
        "hill_alt": "The hill of vacuum over advance, seen from the side, with a ball where the "
        "engine is",
        "invite": "Another phone",
        "invite_watch": "to look",
        "invite_control": "to look and tap",
        "close": "Close",
        "looking": "This phone looks on; taps come from another.",
    },
    spoken_by_script={
        "unit_rpm": "rpm",
        "no_hill": "No hill yet",
        "unit_mm": "mm",
        "unit_body_deg": "° body",
        "old": "old",
        "guess": "its shape is not measured",
        "known_cycles": "{n} cycles heard",
        "known_left": "best so far: {more} {unit} more than at the scribed line",
        "known_absolute": "pressure, not vacuum: lower is better",
        "known_no_deg": "nothing measures the advance",
        "known_home": "scribed line at {deg}°",
        "top": "top {deg}°",
        "top_within": "± {half}°",
        "top_open": "top not reached yet",
        "set": "set {deg}°",
        "set_maybe": "set about {deg}°",
        "home": "home",
        "cap": "no further",
        "retard": "retard",
        "advance": "advance",
        "absolute": "abs",
        "lost_listener": "Not connected to the listener. Numbers are old. Trying again …",
        "lost_wait": "Leave the body as it is until the listener is back.",
        "no_answer": "no answer from the listener",
        "lost_engine": "No fresh data for {s} s. Numbers are old.",
        "not_invited": "This phone is not invited, or its invitation was used already. Scan the "
        "code that the listener shows, or ask a phone that is in for “Another phone”.",
        "awake_no": "This phone may switch its screen off here: set its screen to stay on for "
        "ten minutes or more.",
        "voice_no": "This browser has no voice; the sentence stands here.",
        "took": "Taken: {deg}°",
        "took_spoken": "{deg} taken.",
        "took_list": "Readings taken: {n}",
        "undone": "{deg}° is taken back. Tap the right reading.",
        "said_no": "That was not taken: {why}",
        "pass": "pass {n}",
        "stumbles": "stumbles: {n}",
    },
)
