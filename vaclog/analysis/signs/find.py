"""All signs of a capture.

Enters: a :class:`~vaclog.analysis.signs.evidence.Case`. Leaves: the signs, and what was looked for
and could not be judged. Each sign has a threshold on its size and one on what chance would do; a
sign is a fact with candidates, never a verdict.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final

from vaclog.analysis.signs import beat, drops, hunting, level, raised, slow
from vaclog.analysis.signs.evidence import Case, Evidence, gather
from vaclog.result import Looked, Sign, SignKey

# None of ninety simulated captures of sound engines showed any sign (drift: of 83); the 95 % bound
# of that (tests/bench/signs_bench.py).
SEEN: Final = 0.035

_Judge = Callable[[Evidence], bool]
_Finder = Callable[[Evidence], Sign | None]

# In the order in which a report tells them: what comes first explains more of the rest.
_LOOKS: Final[tuple[tuple[SignKey, _Finder, _Judge, str], ...]] = (
    ("low", level.find_low, level.judged, "no hold at the end"),
    (
        "low-cranking",
        level.find_low_cranking,
        lambda evidence: level.cranking(evidence) is not None,
        "no long start seen",
    ),
    ("regular-drop", beat.find_beat, beat.judged, "too little idle, or one cylinder"),
    ("occasional-drops", drops.find_drops, drops.judged, "too little idle, or one cylinder"),
    (
        "shake-at-idle",
        raised.find_shake_at_idle,
        beat.judged,
        "too little idle, or one cylinder",
    ),
    (
        "shake-grows",
        raised.find_shake_grows,
        raised.shake_judged,
        "no raised speed held",
    ),
    (
        "falls-at-held-speed",
        raised.find_fall,
        raised.fall_judged,
        "no raised speed held",
    ),
    ("drift", slow.find_drift, slow.judged, "too short a hold"),
    ("hunting", hunting.find_hunting, hunting.judged, "too short a hold"),
)


def find_signs(case: Case) -> tuple[tuple[Sign, ...], tuple[Looked, ...]]:
    """Look for all signs.

    Returns
    -------
    signs
        Those that were found, in the order of telling.
    looked
        All that were looked for, with the reason where one could not be judged.
    """
    if len(case.cycles) == 0:
        return (), tuple(Looked(key=key, why_not="it never ran") for key, *_ in _LOOKS)
    evidence = gather(case)
    signs, looked = [], []
    for key, finder, can, why_not in _LOOKS:
        able = can(evidence)
        looked.append(Looked(key=key, why_not=None if able else why_not))
        sign = finder(evidence) if able else None
        if sign is not None:
            signs.append(replace(sign, false_alarm_seen=SEEN))
    return tuple(signs), tuple(looked)
