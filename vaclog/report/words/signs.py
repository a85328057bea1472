"""The signs of the vacuum in the report: fact, number, what it could be in order, next look.

Enters: a result and a unit. Leaves: sentences. No sign is a verdict, and what the data put where
it stands is told apart from what is only common practice.
"""

from __future__ import annotations

from typing import Final

from vaclog.report.words.quantities import difference, fixed, listed
from vaclog.result import Result, Sign, SignKey
from vaclog.units import PressureUnit

SIGNS: Final = "What the vacuum tells of the engine"

NAMES: Final[dict[SignKey, str]] = {
    "low": "low vacuum",
    "low-cranking": "low vacuum under the starter",
    "regular-drop": "a regular drop",
    "occasional-drops": "occasional drops",
    "shake-at-idle": "shake at idle",
    "shake-grows": "shake that grows with speed",
    "falls-at-held-speed": "a fall at a held speed",
    "drift": "slow drift",
    "hunting": "hunting",
}
BELOW: Final[tuple[SignKey, ...]] = ("low", "low-cranking")
_BASIS: Final = {"separated by data": "the data say so", "common practice": "common practice"}


def signs(result: Result, unit: PressureUnit) -> tuple[str, ...]:
    """Two points a sign, the fact and what it could be; then what was looked for besides."""
    points = []
    for sign in result.signs:
        points += [_fact(sign, unit), f"{_could_be(sign)} {sign.next_look}".strip()]
    return tuple(point for point in (*points, _looked(result)) if point)


def _fact(sign: Sign, unit: PressureUnit) -> str:
    when = "" if sign.at_s is None else f", clearest at {fixed(sign.at_s, 0)} s"
    below = sign.key in BELOW
    return (
        f"{sign.text}: {_number(sign, sign.number, unit)}{_sure(sign, unit)}{when}. "
        f"It is told {'below' if below else 'from'} {_number(sign, sign.threshold, unit)}"
        f"{'' if below else ' on'}; set for {chances(sign)}."
    )


def _sure(sign: Sign, unit: PressureUnit) -> str:
    """Twice the uncertainty, unless it is too small for the decimals that are told."""
    text = _number(sign, 2.0 * sign.u, unit)
    return "" if float(text.split()[0]) == 0.0 else f" ± {text}"


def chances(sign: Sign) -> str:
    """How often a sound engine passes the threshold: by design, and as far as it was tried."""
    text = f"one false alarm in {round(1.0 / sign.false_alarm)} captures of sound engines"
    if sign.false_alarm_seen is not None:
        text += f"; tried on simulated ones, fewer than one in {int(1.0 / sign.false_alarm_seen)}"
    return text


def _could_be(sign: Sign) -> str:
    if not sign.candidates:
        return ""
    each = [f"({n}) {c.text} [{_BASIS[c.basis]}]" for n, c in enumerate(sign.candidates, start=1)]
    return "That could be, in this order: " + "; ".join(each) + "."


def _number(sign: Sign, value: float, unit: PressureUnit) -> str:
    if sign.unit == "kPa":
        return difference(value, unit)
    if sign.unit == "kPa/min":
        return f"{difference(value, unit)} a minute"
    if sign.unit == "%":
        return f"{fixed(value, 1)} %"
    return f"{fixed(value, 1)} in a thousand cycles"


def _looked(result: Result) -> str:
    found = {sign.key for sign in result.signs}
    clean = [
        NAMES[each.key] for each in result.looked if not each.why_not and each.key not in found
    ]
    text = f"Looked for and not seen: {listed(clean)}." if clean else ""
    open_ = [each for each in result.looked if each.why_not]
    if open_:
        parts = [f"{NAMES[each.key]} ({each.why_not})" for each in open_]
        text += f"{' ' if text else ''}Could not be judged: {listed(parts)}."
    return text
