"""The retard side of the hill: where vacuum has fallen by so much, also beyond the sweep.

Enters: a :class:`~vaclog.analysis.findings.SweepFit`. Leaves: an angle on the retard side of the
crest with a note whether the engine was ever there, and the pressure between two angles.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from vaclog.analysis.findings import SweepFit
from vaclog.signals.tables import FloatArray

# The advanced side is steeper by about this share (published models of the spark hill); used only
# where nothing at all of the retard side was seen.
_LOPSIDED = 0.15
# The hill is believed so far beyond what was swept, where its top surely lies further still.
# Stopping at the end of the sweep made 17 settings of engines whose slot or total ended it 1.2
# degrees late in the mean; this takes off 0.35 and set none more than 0.9 too far, while without
# a bound it was 2.0 (led sessions of tests/bench/hands_bench.py).
BEYOND_DEG = 2.5
# Vacuum is down by half an inch of mercury 8 to 24 degrees below the top, depending on the engine
# (simulated engines; no published figure). Further than this no engine's hill was seen, only data
# too flat to tell.
FURTHEST_DEG = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SidePoint:
    """An angle on the retard side of the crest.

    Attributes
    ----------
    angle_deg
        Where the hill has fallen by the wanted drop.
    extrapolated
        The engine never ran there, or the crest itself was not reached.
    """

    angle_deg: float
    extrapolated: bool


def sound_curve(fit: SweepFit) -> tuple[FloatArray, FloatArray]:
    """Angles and pressures of the hill where both are numbers, rising angle."""
    sound = np.isfinite(fit.curve_deg) & np.isfinite(fit.curve_kpa)
    order = np.argsort(fit.curve_deg[sound], kind="stable")
    return fit.curve_deg[sound][order], fit.curve_kpa[sound][order]


def retard_side(fit: SweepFit, drop_kpa: float, *, most_deg: float = math.inf) -> SidePoint | None:
    """Where, coming down from the crest to the retard side, vacuum has fallen by ``drop_kpa``.


    Where the top was not found but surely lies ahead of some angle of the sweep, that angle
    stands in for the crest, also up to :data:`BEYOND_DEG` beyond the sweep: the true point is then
    not below the one returned, so it stays on the safe side. It does not stand beyond
    ``most_deg``: where misfires end a sweep, their onset is the highest that vacuum was ever seen
    to rise. When the top lies beyond the retarded end, or anywhere, or the hill is flatter than
    any engine's, there is no such point.
    """
    deg, kpa = sound_curve(fit)
    crest_deg = _crest_deg(fit, most_deg)
    if len(deg) < 3 or crest_deg is None:
        return None
    crest_kpa = float(np.interp(crest_deg, deg, kpa))
    left = deg <= crest_deg
    side_deg, rise_kpa = deg[left], kpa[left] - crest_kpa
    reached = np.flatnonzero(rise_kpa >= drop_kpa)
    if len(reached):
        at = int(reached[-1])  # nearest to the crest: coming down from it
        right_deg = side_deg[at + 1] if at + 1 < len(side_deg) else crest_deg
        right_kpa = rise_kpa[at + 1] if at + 1 < len(side_deg) else 0.0
        share = (rise_kpa[at] - drop_kpa) / (rise_kpa[at] - right_kpa)
        angle_deg = float(side_deg[at] + share * (right_deg - side_deg[at]))
    else:
        beyond = _beyond_curve(fit, crest_deg, drop_kpa)
        if beyond is None:
            return None
        angle_deg = beyond
    if crest_deg - angle_deg > FURTHEST_DEG:
        return None
    never_there = not angle_deg >= fit.swept_low_deg
    return SidePoint(angle_deg=angle_deg, extrapolated=never_there or not fit.found)


def crest_at_least_deg(fit: SweepFit) -> float | None:
    """The top, or where it was not found the angle that it is surely ahead of; None: unknown."""
    if fit.found:
        return fit.angle_deg if math.isfinite(fit.angle_deg) else None
    surely_deg = fit.low_deg
    if not math.isfinite(surely_deg):
        surely_deg = fit.swept_high_deg if fit.side > 0 else math.nan
    if not surely_deg > fit.swept_low_deg:
        return None
    return min(surely_deg, fit.swept_high_deg)


def _crest_deg(fit: SweepFit, most_deg: float) -> float | None:
    """What stands for the crest: as above, and a little beyond the sweep where it surely is."""
    at_least_deg = crest_at_least_deg(fit)
    if fit.found or at_least_deg is None:
        return at_least_deg
    if math.isfinite(fit.low_deg):
        at_least_deg = max(at_least_deg, min(fit.low_deg, fit.swept_high_deg + BEYOND_DEG))
    return min(at_least_deg, most_deg)


def hill_kpa(fit: SweepFit, angle_deg: float) -> float | None:
    """Steady pressure of the hill, continued by its parabola outside the grid."""
    deg, kpa = sound_curve(fit)
    if len(deg) < 3:
        return None
    if deg[0] <= angle_deg <= deg[-1]:
        return float(np.interp(angle_deg, deg, kpa))
    centre_deg = float(deg.mean())
    parabola = np.polynomial.Polynomial.fit(deg - centre_deg, kpa, 2)
    end_deg, end_kpa = (deg[0], kpa[0]) if angle_deg < deg[0] else (deg[-1], kpa[-1])
    step_kpa = parabola(angle_deg - centre_deg) - parabola(end_deg - centre_deg)
    return float(end_kpa + step_kpa)


def _beyond_curve(fit: SweepFit, crest_deg: float, drop_kpa: float) -> float | None:
    """Where the drop is reached when the curve ends before it.

    With a crest, a parabola standing on it (least squares through the retard side, or through the
    advanced side made gentler). Without one, the slope at the low end goes on: a hill gets
    steeper, so the point is on the retard side of the true one.
    """
    deg, kpa = sound_curve(fit)
    crest_kpa = float(np.interp(crest_deg, deg, kpa))
    if not fit.found:
        third = max(2, len(deg) // 3)
        slope = float(np.polyfit(deg[:third], kpa[:third], 1)[0])
        if slope >= 0:
            return None
        return float(deg[0] - (drop_kpa - (kpa[0] - crest_kpa)) / -slope)
    away = deg - crest_deg
    gentler = 1.0
    use = away < 0
    if use.sum() < 2:
        use, gentler = away > 0, 1.0 / (1.0 + _LOPSIDED)
    weight = float((away[use] ** 4).sum())
    if weight <= 0:
        return None
    steep = gentler * float(((kpa[use] - crest_kpa) * away[use] ** 2).sum()) / weight
    if steep <= 0:
        return None
    return crest_deg - math.sqrt(drop_kpa / steep)
