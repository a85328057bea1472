"""What limited the answer of the hill fit, and the cheapest thing to do about it.

Enters: the fit and its posterior. Leaves: plain phrases, the most important first.
"""

from __future__ import annotations

import numpy as np

from vaclog.analysis.hill.grid import Ground, Posterior

# Another sweep like this one adds as much information again: width goes as its root.
_AGAIN = 0.5**0.5
# Beyond the top by less than this the far side of the hill is hardly seen: at 5 degrees it has
# fallen by less than 1 % of the torque.
FAR_SIDE_DEG = 5.0
# Width halves from a sweep of 14 to one of 20 degrees at equal time (the bound goes as 1/range).
NARROW_DEG = 14.0
FEW_CYCLES = 250  # about 35 s at idle
ONE_WAY = 0.8  # correlation of advance with time
MANY_WILD = 0.03  # five times what normal innovations lose
NOT_WHITE_P = 0.001
LEANS = 0.7  # standard uncertainties between the answer and that of a flat prior


def limits(
    ground: Ground, post: Posterior, *, swept: tuple[float, float], usable: int, white_p: float
) -> tuple[str, ...]:
    """Say what limited the answer.

    Parameters
    ----------
    ground, post
        The fit.
    swept
        Range of advance seen.
    usable
        Cycles that were allowed, with or without lags.
    white_p
        Of the innovations.
    """
    found: list[tuple[float, str]] = []
    low, high = swept
    below, above = post.quantiles(0.5)[0] - low, high - post.quantiles(0.5)[0]
    for side, word in ((above, "advanced"), (below, "retarded")):
        if side < FAR_SIDE_DEG:
            found.append(
                (
                    3.0 - max(side, 0.0) / FAR_SIDE_DEG,
                    f"the {word} side of the hill was hardly seen ({max(side, 0.0):.0f}° of it): "
                    f"turn further that way if every limit allows it",
                )
            )
    found += _range_and_time(ground, low, high)
    found += _disturbances(ground, usable, white_p)
    lean = abs(post.flat_deg - post.quantiles(0.5)[0])
    if lean > LEANS * post.spread():
        found.append(
            (
                1.0,
                "the answer leans on the usual lopsidedness of hills "
                f"(without it: {post.flat_deg:.1f}°): a longer sweep makes it lean less",
            )
        )
    found.sort(key=lambda item: -item[0])
    if not found:
        half = 0.5 * (post.quantiles(0.975)[0] - post.quantiles(0.025)[0])
        found.append((0.0, _only_scatter(half)))
    return tuple(text for _, text in found)


def _only_scatter(half_deg: float) -> str:
    """Nothing went wrong: what is left is the engine's own chance."""
    return (
        "nothing went wrong: no two combustions are alike, and that alone leaves "
        f"±{half_deg:.1f}°; another sweep like this one makes it ±{half_deg * _AGAIN:.1f}°"
    )


def _range_and_time(ground: Ground, low: float, high: float) -> list[tuple[float, str]]:
    """Too narrow, too short, one way only."""
    rows = ground.rows
    found = []
    if high - low < NARROW_DEG:
        found.append(
            (
                2.0 * NARROW_DEG / max(high - low, 1.0),
                f"narrow sweep ({high - low:.0f}°): twice the range halves the uncertainty",
            )
        )
    if len(rows) < FEW_CYCLES:
        found.append(
            (
                FEW_CYCLES / max(len(rows), 1),
                f"short ({len(rows)} cycles): four times the time halves the uncertainty",
            )
        )
    slant = float(np.corrcoef(rows.advance_deg, rows.minutes)[0, 1])
    if abs(slant) > ONE_WAY:
        found.append(
            (
                1.5,
                "swept one way only, so that a drift of the engine looks like a slope of the "
                "hill: turn back as slowly as you came",
            )
        )
    return found


def _disturbances(ground: Ground, usable: int, white_p: float) -> list[tuple[float, str]]:
    """Misfires, losses on the wire, hunting."""
    found = []
    rows = ground.rows
    wild = float((ground.weights < 0.5).mean())
    if wild > MANY_WILD:
        found.append(
            (
                0.5 + 10 * wild,
                f"stumbling cycles ({100 * wild:.0f} % left out): look for misfire",
            )
        )
    lost = 1.0 - len(rows) / max(usable, 1)
    if lost > 0.1:
        found.append(
            (
                0.5 + lost,
                f"gaps in the record ({100 * lost:.0f} % of the cycles lost): check the clamp and "
                "the leads",
            )
        )
    if white_p < NOT_WHITE_P:
        found.append(
            (
                0.8,
                "the idle hunts or the throttle moved: what is left after the fit is not random",
            )
        )
    return found
