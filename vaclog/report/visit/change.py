"""What changed since the visit before, in sentences.

Enters: a comparison and a unit. Leaves: sentences: what changed first, each with its interval and
what may be behind it as candidates, then what stayed within what both measurements allow.
"""

from __future__ import annotations

from typing import Final

from vaclog.report.visit import words as visit_words
from vaclog.report.words import quantities
from vaclog.units import PressureUnit, from_kpa
from vaclog.visit.change import Change
from vaclog.visit.compare import Comparison

NAMES: Final = {
    "left and found": "setting as left and as found",
    "setting": "setting",
    "peak": "top of the hill",
    "idle speed": "idle speed",
    "idle vacuum": "idle vacuum",
    "misfire": "misfire",
    "scatter": "scatter of the spark",
    "spread": "spread between the cylinders",
    "curve": "centrifugal curve",
    "sticking": "sticking of the weights",
}
# Told to hundredths of a degree: a tenth is much of a scatter.
_FINE: Final = ("scatter",)
# Candidates, not verdicts; common practice. By the figure, and whether it rose or fell.
_CANDIDATES: Final = {
    ("left and found", True): "The body was turned or slipped, or the points gap was changed",
    ("left and found", False): (
        "The body slipped, or the heel of the points wore: the gap closes and timing retards"
    ),
    ("peak", True): "Leaner mixture, lower compression or slower burning fuel ask for more advance",
    ("peak", False): "Richer mixture, carbon on the piston or hotter running ask for less advance",
    ("idle speed", True): "The throttle stop, an air leak or the setting itself may be behind it",
    ("idle speed", False): "The throttle stop, drag or the setting itself may be behind it",
    ("idle vacuum", False): (
        "The engine asks for more charge to idle: an air leak, valves, rings, mixture or more drag"
    ),
    ("idle vacuum", True): "The engine idles with less charge: mixture, valves or less drag",
    ("misfire", True): "Plugs, leads, points, mixture and an air leak come first",
    ("misfire", False): "What was done to plugs, leads or mixture seems to have helped",
    ("scatter", True): (
        "Worth looking at the drive: shaft play, worn weights or pivots and a loose plate all show "
        "so"
    ),
    ("scatter", False): "What was done to the distributor seems to have helped",
    ("spread", True): (
        "Wear of the lobes, a bent or loose shaft, or points that were set anew; the earliest "
        "cylinder pinks first"
    ),
    ("spread", False): "What was done to points or distributor seems to have helped",
    ("sticking", True): "Clean and oil pivots and cam bearing, then look again",
    ("sticking", False): "The weights move more freely than then",
    ("curve", True): "Weights or springs changed: weaker springs bring the advance earlier",
    ("curve", False): "Sticking weights or stiff pivots bring less advance at the same speed",
}


def since(comparison: Comparison, unit: PressureUnit) -> list[str]:
    """All that is told of a pair of visits."""
    said = [changed(change, unit) for change in comparison.changes if _told_first(change)]
    set_anew = comparison.of("setting")
    if set_anew is not None:
        said.append(
            f"It was left at {quantities.degrees(set_anew.before)} then and at "
            f"{quantities.degrees(set_anew.after)} now."
        )
    same = [
        f"{NAMES[change.key]}{_where(change)} ({span(change, unit)})"
        for change in comparison.changes
        if not change.changed and change.key != "setting"
    ]
    if same:
        said.append(f"Not changed by more than both measurements allow: {quantities.listed(same)}.")
    if comparison.missing:
        names = [NAMES[key] for key in comparison.missing]
        said.append(f"Only one of the two visits has: {quantities.listed(names)}.")
    if not comparison.changes:
        return ["The two visits have no figure in common that could be compared."]
    if not comparison.same_rig:
        said.append("The rig was another one or its card was changed, so angles are less sure.")
    return said


def short(comparison: Comparison) -> str:
    """One sentence for the top of the page."""
    names = [NAMES[change.key] for change in comparison.changed if change.key != "setting"]
    if not comparison.changes:
        return ""
    if not names:
        return "Since the visit before nothing changed by more than both measurements allow."
    return f"Changed since the visit before: {quantities.listed(names)}."


def changed(change: Change, unit: PressureUnit) -> str:
    """A change with its interval, and what may be behind it."""
    rose = change.difference > 0
    candidates = _CANDIDATES[(change.key, rose)]
    return f"{_fact(change, unit, rose)} {candidates}."


def _fact(change: Change, unit: PressureUnit, rose: bool) -> str:
    before, after = figure(change.before, change, unit), figure(change.after, change, unit)
    if change.key == "left and found":
        side = "more advanced" if rose else "more retarded"
        return (
            f"It was left at {before} and found at {after}, {amount(change, unit)} {side} "
            f"({interval(change, unit)})."
        )
    if change.key == "misfire":
        return (
            f"Misfire went from {before} to {after} cycles in a thousand "
            f"({interval(change, unit)})."
        )
    verb = "rose" if rose else "fell"
    where = _where(change)
    name = NAMES[change.key]
    by = f"by {amount(change, unit)}"
    if change.key == "idle vacuum":
        by += ", weather taken off"
    return f"The {name}{where} {verb} from {before} to {after}, {by} ({interval(change, unit)})."


def _where(change: Change) -> str:
    if change.where is None:
        return ""
    return f" at {change.where:.0f} rpm" if change.key == "curve" else f" at {change.where:.1f}°"


def figure(value: float, change: Change, unit: PressureUnit) -> str:
    """A figure in its unit."""
    if change.quantity == "deg":
        return (
            quantities.degrees(value)
            if change.key not in _FINE
            else quantities.fixed(value, 2) + "°"
        )
    if change.quantity == "rpm":
        return f"{value:.0f} rpm"
    if change.quantity == "kpa":
        return quantities.difference(value, unit)
    return quantities.fixed(value, 1)


def amount(change: Change, unit: PressureUnit) -> str:
    """The size of the difference."""
    return _in_unit(change.difference, change, unit)


def _in_unit(difference: float, change: Change, unit: PressureUnit) -> str:
    size = abs(difference)
    if change.quantity == "deg":
        return (
            quantities.degrees(size) if change.key not in _FINE else quantities.fixed(size, 2) + "°"
        )
    if change.quantity == "rpm":
        return f"{size:.0f} rpm"
    if change.quantity == "kpa":
        return quantities.difference(size, unit)
    return f"{quantities.fixed(size, 1)} in a thousand"


def span(change: Change, unit: PressureUnit) -> str:
    """From, to and how sure, in brackets."""
    before, after = figure(change.before, change, unit), figure(change.after, change, unit)
    if change.quantity == "per_thousand":
        return f"{before} and {after} in a thousand"
    return f"{before} and {after}"


def interval(change: Change, unit: PressureUnit) -> str:
    """The 95 % interval of the difference, or of the ratio of rates."""
    if change.quantity == "per_thousand":
        if change.high is None:
            return f"at least {quantities.fixed(change.low, 1)} times as often, 95 %"
        least, most = quantities.fixed(change.low, 1), quantities.fixed(change.high, 1)
        return f"{least} to {most} times as often, 95 %"
    highest = change.low if change.high is None else change.high
    low, high = sorted((abs(change.low), abs(highest)))
    if change.low < 0 < highest:
        low = 0.0
    if change.quantity == "deg":
        decimals = 2 if change.key in _FINE else 1
        return f"95 %: {quantities.fixed(low, decimals)} to {quantities.fixed(high, decimals)}°"
    if change.quantity == "rpm":
        return f"95 %: {low:.0f} to {high:.0f} rpm"
    scale = [quantities.fixed(from_kpa(value, unit), 2) for value in (low, high)]
    return f"95 %: {scale[0]} to {scale[1]} {unit}"


def _told_first(change: Change) -> bool:
    return change.changed and change.key != "setting"


def row(change: Change, unit: PressureUnit) -> tuple[str, ...]:
    """A row of the table of numbers: figure, then, now, difference, verdict."""
    if change.quantity == "per_thousand":
        difference = f"× {quantities.fixed(change.low, 1)} … "
        difference += "∞" if change.high is None else quantities.fixed(change.high, 1)
    elif change.quantity == "deg" and change.key not in _FINE:
        difference = visit_words.signed(change.difference)
        difference += f" ± {quantities.degrees(2 * (change.u or 0.0))}"
    else:
        sign = "+" if change.difference > 0 else "−"
        difference = f"{sign}{_in_unit(change.difference, change, unit)}"
        difference += f" ± {_in_unit(2 * (change.u or 0.0), change, unit)}"
    name = NAMES[change.key]
    return (
        name[0].upper() + name[1:],
        figure(change.before, change, unit),
        figure(change.after, change, unit),
        difference,
        "changed" if change.changed else "within both",
    )
