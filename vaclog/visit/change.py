"""One figure at two visits: the difference, and whether it is one.

Enters: figures with their uncertainties. Leaves: a :class:`Change`.

A change is told as one only where chance would show so large a difference in fewer than
``FALSE_ALARM`` of pairs of unchanged visits; the interval beside it is the ordinary 95 %.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

Quantity: TypeAlias = Literal["deg", "kpa", "rpm", "per_thousand"]

# Ten figures are looked at in a pair of visits; together they then cry wolf in at most 5 of 100
# pairs (the bound of C. E. Bonferroni: 0.05 / 10).
FALSE_ALARM: Final = 0.005
Z_FLAG: Final = 2.8070  # two-sided normal quantile of FALSE_ALARM
Z_95: Final = 1.9600


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One figure at two visits.

    Attributes
    ----------
    key
        "peak", "left and found", "setting", "idle speed", "idle vacuum", "misfire", "scatter",
        "spread", "curve", "sticking".
    before, after
        The figure then and now.
    difference, u
        After less before, what is known to differ taken off; its standard uncertainty.
    low, high
        95 % interval of the difference; for rates, of their ratio, whose ``high`` is None where the
        first counted nothing.
    changed
        More than both uncertainties allow.
    where
        At which angle or speed, where that matters.
    """

    key: str
    quantity: Quantity
    before: float
    after: float
    difference: float
    u: float | None
    low: float
    high: float | None
    changed: bool
    where: float | None = None


Answer: TypeAlias = "Change | Literal['one only', 'none']"


def both(before: float | None, after: float | None) -> Literal["both", "one only", "none"]:
    """Which of two visits have a figure."""
    if before is None and after is None:
        return "none"
    return "one only" if before is None or after is None else "both"


def normal_change(
    key: str,
    quantity: Quantity,
    before: float,
    after: float,
    u: float,
    *,
    known: float = 0.0,
    where: float | None = None,
) -> Change:
    """A difference whose errors are about normal.

    Parameters
    ----------
    u
        Standard uncertainty of the difference.
    known
        What is known to differ, taken off.
    """
    difference = after - before - known
    return Change(
        key=key,
        quantity=quantity,
        before=before,
        after=after,
        difference=difference,
        u=u,
        low=difference - Z_95 * u,
        high=difference + Z_95 * u,
        changed=abs(difference) > Z_FLAG * u,
        where=where,
    )


def interpolated(at: float, xs: tuple[float, ...], ys: tuple[float, ...]) -> float:
    """Straight lines between points whose ``xs`` rise; level beyond them."""
    if at <= xs[0]:
        return ys[0]
    for left in range(len(xs) - 1):
        if at <= xs[left + 1]:
            share = (at - xs[left]) / (xs[left + 1] - xs[left])
            return ys[left] + share * (ys[left + 1] - ys[left])
    return ys[-1]
