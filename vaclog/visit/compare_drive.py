"""The distributor and its drive at two visits: scatter, spread of the cylinders, curve, sticking.

Enters: two visits. Leaves: a :class:`~vaclog.visit.change.Change` each, or why there is none. These
are differences of angles within one capture, so that the mount of the sensor cancels.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

from vaclog.result import CurveSeen
from vaclog.visit.change import Z_95, Z_FLAG, Answer, Change, both, interpolated, normal_change
from vaclog.visit.figures import spoken_curve, spoken_scatter
from vaclog.visit.records import Visit

# The curve is looked at in five places, the largest difference counts: a fifth of it for each.
_CURVE_PLACES: Final = 5
_Z_CURVE: Final = 3.2905
# What differs between two visits to an unchanged engine though a capture cannot see it: where the
# pickups sit, warmth, idle speed. Own assumptions, as standard uncertainties; the same are made
# where figures are followed over many visits (:mod:`vaclog.visit.follow`).
_U_SCATTER_PART: Final = 0.04  # of the scatter itself
_U_SPREAD_DEG: Final = 0.15
_U_CURVE_DEG: Final = 0.3
_U_STICKING_DEG: Final = 0.1


def scatter(older: Visit, newer: Visit) -> Answer:
    """The distributor's own scatter. Its intervals lean, so both sides of the difference do.

    Source: G. Y. Zou, A. Donner, Statistics in Medicine 27 (2008), from memory: the limits of a
    difference from those of its parts, squares added.
    """
    old, new = spoken_scatter(older), spoken_scatter(newer)
    have = both(old.real_deg if old else None, new.real_deg if new else None)
    if have != "both":
        return have
    assert old is not None and new is not None
    if old.real_deg is None or new.real_deg is None:
        return "none"
    before, after = old.real_deg, new.real_deg
    again = Z_95 * math.hypot(_U_SCATTER_PART * before, _U_SCATTER_PART * after)
    below = math.hypot(after - _or(new.low_deg, after), _or(old.high_deg, before) - before, again)
    above = math.hypot(_or(new.high_deg, after) - after, before - _or(old.low_deg, before), again)
    difference = after - before
    towards_none = below if difference > 0 else above
    return Change(
        key="scatter",
        quantity="deg",
        before=before,
        after=after,
        difference=difference,
        u=(below + above) / (2 * Z_95),
        low=difference - below,
        high=difference + above,
        changed=abs(difference) > towards_none * Z_FLAG / Z_95,
    )


def _or(value: float | None, otherwise: float) -> float:
    return otherwise if value is None else value


def spread(older: Visit, newer: Visit) -> Answer:
    """From the earliest cylinder to the latest, by a pickup on the coil lead."""
    old, new = spoken_scatter(older), spoken_scatter(newer)
    return _parts(
        "spread",
        (old.spread_deg, old.u_spread_deg) if old else (None, None),
        (new.spread_deg, new.u_spread_deg) if new else (None, None),
        again_deg=_U_SPREAD_DEG,
    )


def sticking(older: Visit, newer: Visit) -> Answer:
    """How far the way down of the weights lies from the way up."""
    old, new = spoken_curve(older), spoken_curve(newer)
    return _parts(
        "sticking",
        (old.friction_deg, old.u_friction_deg) if old else (None, None),
        (new.friction_deg, new.u_friction_deg) if new else (None, None),
        again_deg=_U_STICKING_DEG,
    )


def _parts(
    key: str,
    old: tuple[float | None, float | None],
    new: tuple[float | None, float | None],
    *,
    again_deg: float,
) -> Answer:
    have = both(
        None if old[1] is None else old[0],
        None if new[1] is None else new[0],
    )
    if have != "both":
        return have
    assert old[0] is not None and new[0] is not None
    u = math.hypot(_or(old[1], 0.0), _or(new[1], 0.0), again_deg, again_deg)
    return normal_change(key, "deg", old[0], new[0], u)


def curve(older: Visit, newer: Visit) -> Answer:
    """The centrifugal curve where it differs most, of five speeds that both rev-ups reached.

    Both are zero at their own idle, which may differ: what each adds from the lowest common speed
    on is compared.
    """
    old, new = spoken_curve(older), spoken_curve(newer)
    if old is None or new is None:
        return "none" if old is None and new is None else "one only"
    if len(old.rpm) < 2 or len(new.rpm) < 2:
        return "none"
    low_rpm, high_rpm = max(old.rpm[0], new.rpm[0]), min(old.rpm[-1], new.rpm[-1])
    if high_rpm <= low_rpm:
        return "none"
    places = [
        low_rpm + (high_rpm - low_rpm) * place / _CURVE_PLACES
        for place in range(1, _CURVE_PLACES + 1)
    ]
    changes = [_curve_at(old, new, low_rpm, rpm) for rpm in places]
    return max(changes, key=lambda change: abs(change.difference) / max(change.u or 0.0, 1e-9))


def _curve_at(old: CurveSeen, new: CurveSeen, low_rpm: float, rpm: float) -> Change:
    figures = []
    for seen in (old, new):
        low = interpolated(rpm, seen.rpm, seen.low_deg)
        high = interpolated(rpm, seen.rpm, seen.high_deg)
        added = interpolated(rpm, seen.rpm, seen.added_deg)
        figures.append(
            (added - interpolated(low_rpm, seen.rpm, seen.added_deg), (high - low) / (2 * Z_95))
        )
    (before, u_before), (after, u_after) = figures
    u = math.hypot(u_before, u_after, _U_CURVE_DEG, _U_CURVE_DEG)
    change = normal_change("curve", "deg", before, after, u, where=rpm)
    return replace(change, changed=abs(change.difference) > _Z_CURVE * (change.u or 0.0))
