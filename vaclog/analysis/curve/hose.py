"""Whether a vacuum advance is connected, as a rev-up shows it.

Enters: cycles with advance from crank mark and spark, phases. Leaves: :class:`HoseSeen`.

With the hose off and plugged, advance depends on speed alone. A canister fed from the manifold
adds advance where the pressure is low, so at the same speed the advance falls as pressure rises.
One fed from a port at the throttle's edge adds nothing at idle and much on an opened throttle:
at the same speed more on the way up than on the way down, which friction of the weights, always
late, never makes. A plain measure of both; what is said of it is for the pre-flight.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

import numpy as np

from vaclog.analysis.curve.collect import RevUps, collect
from vaclog.analysis.curve.fit import fit_curve
from vaclog.analysis.findings import Phase
from vaclog.signals.tables import CycleTable

Hose: TypeAlias = Literal["off", "manifold", "port", "unclear"]

_LEAST_SPARKS: Final = 30
_LEAST_OPENED: Final = 3  # sparks with the throttle so far open
_REACH_RPM: Final = 400.0
# A canister gives some 8 to 24 crank degrees (common practice): a quarter of the least is plenty to
# be told from weights that are late.
_CONNECTED_DEG: Final = 2.0
# A canister is home at some 40 to 50 kPa of vacuum and lets go below that (common practice): a
# rev-up that never opened the throttle so far moved no canister, and proves nothing.
_OPENED_KPA: Final = 60.0
_SIGMAS: Final = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HoseSeen:
    """What the rev-ups say about a vacuum advance.

    Attributes
    ----------
    verdict
        "off": none seen where one would have been; "manifold" or "port": seen, and fed from
        where; "unclear".
    deg_per_kpa, u_deg_per_kpa
        Change of advance with manifold pressure at the same speed.
    swing_deg, u_swing_deg
        That over the range of pressures seen: advance at the lowest less that at the highest.
    up_more_deg, u_up_more_deg
        Advance on the way up less that on the way down at the same speed.
    sparks
        How many it rests on.
    """

    verdict: Hose
    deg_per_kpa: float
    u_deg_per_kpa: float
    swing_deg: float
    u_swing_deg: float
    up_more_deg: float
    u_up_more_deg: float
    sparks: int


def hose_seen(cycles: CycleTable, phases: Sequence[Phase]) -> HoseSeen | None:
    """Look for a vacuum advance; None without a rev-up, a crank mark or pressure."""
    seen = collect(cycles, phases)
    return None if seen is None else hose_of(seen)


def hose_of(seen: RevUps) -> HoseSeen | None:
    """The same from rev-ups that were gathered already."""
    seen = seen.rows(np.isfinite(seen.kpa))
    revved = ~seen.idle
    if revved.sum() < _LEAST_SPARKS or seen.rpm.max() < seen.idle_rpm + _REACH_RPM:
        return None
    kpa = seen.kpa - float(np.median(seen.kpa[seen.idle])) if seen.idle.any() else seen.kpa
    fit, extras = fit_curve(seen, kpa[:, None])
    plain, _ = fit_curve(seen)
    low_kpa, high_kpa = np.quantile(kpa, [0.05, 0.95]).tolist()
    range_kpa = high_kpa - low_kpa
    slope, u_slope = (float(value) for value in extras[0])
    swing_deg, u_swing_deg = -slope * range_kpa, u_slope * range_kpa
    up_deg, u_up_deg = -2.0 * plain.friction_deg, 2.0 * plain.u_friction_deg
    opened = float(np.sort(seen.kpa[revved])[-_LEAST_OPENED]) > _OPENED_KPA
    return HoseSeen(
        verdict=_verdict(swing_deg, u_swing_deg, up_deg, u_up_deg, opened=opened),
        deg_per_kpa=slope,
        u_deg_per_kpa=u_slope,
        swing_deg=swing_deg,
        u_swing_deg=u_swing_deg,
        up_more_deg=up_deg,
        u_up_more_deg=u_up_deg,
        sparks=len(fit.level_deg),
    )


def _verdict(
    swing_deg: float, u_swing_deg: float, up_deg: float, u_up_deg: float, *, opened: bool
) -> Hose:
    if up_deg > max(_CONNECTED_DEG, _SIGMAS * u_up_deg):
        return "port"
    if swing_deg > max(_CONNECTED_DEG, _SIGMAS * u_swing_deg):
        return "manifold"
    # "Off" must be able to be wrong: what is not seen must have been visible.
    doubtful = _SIGMAS * max(u_swing_deg, u_up_deg) > 2.0 * _CONNECTED_DEG
    suspected = swing_deg > max(_CONNECTED_DEG / 3.0, 4.0 * u_swing_deg)
    if not opened or doubtful or suspected:
        return "unclear"
    return "off"
