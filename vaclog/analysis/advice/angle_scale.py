"""How well the rig's angle scale is known, and the peak on it.

Enters: the cards, where the advance came from, engine speed; the hill fit. Leaves: the standard
uncertainty of an angle on the rig's scale with its parts (:class:`AngleScale`), and the
:class:`~vaclog.result.Peak` of the result.

Two uncertainties are kept apart. The sensor that found the peak also leads the hand to the set
point, so what is common to both cancels in the *turn*: that one is the fit's own. A limit is an
angle of the real crank: it is judged with the mark, the pickup delay, the strobe and top dead
centre added.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from vaclog.analysis.findings import SweepFit
from vaclog.cards import EngineCard, RigCard, curve_added_deg
from vaclog.result import AdvanceSource, Peak
from vaclog.units import deg_from_us

TDC: Final = "top dead centre"  # its part of the uncertainty
# A piston stop found by hand in both directions repeats to about half a degree (common practice);
# half-width to standard uncertainty by JCGM 100:2008, 4.3.7.
U_TDC_VERIFIED_DEG: Final = 0.5 / math.sqrt(3.0)
# Unverified, within +-2 degrees is assumed: marks are set to about that by the maker; a ring that
# has slipped further shows as a peak far from where it is expected, not as an uncertainty.
TDC_ASSUMED_DEG: Final = 2.0
_U_TDC_UNVERIFIED_DEG: Final = TDC_ASSUMED_DEG / math.sqrt(3.0)
# Reading a strobe by eye against 2 degree marks, as for the anchor on the rig card.
_U_STROBE_DEG: Final = 1.0
# An idling crank speeds up and slows by 3 to 5 % within a turn; an angle reckoned from the mean of
# a turn is wrong by up to that share of its way from the mark.
_TURN_UNEVEN: Final = 0.04 / math.sqrt(3.0)
# Linearity of a potentiometer or printed strip between the anchor and where it is read.
_BODY_LINEARITY: Final = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class AngleScale:
    """Standard uncertainty of an angle on the rig's scale.

    Attributes
    ----------
    source
        Where the advance came from.
    parts
        Name and standard uncertainty, crank degrees, of each part.
    """

    source: AdvanceSource
    parts: tuple[tuple[str, float], ...]

    @property
    def u_deg(self) -> float | None:
        """All parts together; None when the scale is not tied to the crank at all."""
        if not self.parts:
            return None
        return math.hypot(*(u_deg for _, u_deg in self.parts))


def angle_scale(
    *,
    engine: EngineCard,
    rig: RigCard,
    source: AdvanceSource,
    rpm: float | None,
    at_deg: float | None = None,
    swept_rpm: tuple[float, float] | None = None,
) -> AngleScale:
    """How well an angle on the rig's scale is known.

    Parameters
    ----------
    rpm
        Idle speed, for what a pickup delay is worth in degrees.
    at_deg
        Angle at which it is asked (peak or last hold).
    swept_rpm
        Lowest and highest speed in the sweeps: a body sensor does not see weights that move.
    """
    tdc_deg = U_TDC_VERIFIED_DEG if engine.tdc_verified else _U_TDC_UNVERIFIED_DEG
    parts: list[tuple[str, float]] = []
    if source == "mark":
        mark_deg = rig.mark.angle_deg if rig.mark else 0.0
        parts.append(("mark angle", rig.mark.u_angle_deg if rig.mark else 1.0))
        if rpm is not None and math.isfinite(rpm):
            parts.append(("pickup delay", deg_from_us(rig.spark.u_delay_us, rpm)))
        if at_deg is not None:
            parts.append(("speed within the turn", _TURN_UNEVEN * abs(at_deg - mark_deg)))
    elif source == "body" and rig.body is not None and rig.body.anchored:
        parts.append(("strobe reading of the anchor", rig.body.u_anchor_deg))
        if at_deg is not None:
            away_deg = abs(at_deg - rig.body.anchor_deg)
            parts.append(("linearity of the body sensor", _BODY_LINEARITY * away_deg))
        if engine.centrifugal and swept_rpm is not None:
            low_deg, high_deg = (curve_added_deg(engine.centrifugal, each) for each in swept_rpm)
            if high_deg != low_deg:
                moved_deg = abs(high_deg - low_deg) / math.sqrt(12.0)
                parts.append(("weights that move unseen", moved_deg))
    elif source == "holds":
        parts.append(("strobe readings", _U_STROBE_DEG))
    if parts:
        parts.append((TDC, tdc_deg))
    return AngleScale(source=source, parts=tuple(parts))


def judged_u_deg(fit: SweepFit, scale: AngleScale) -> float | None:
    """The standard uncertainty with which limits are judged.

    With a peak it is that of the peak's own absolute angle, else that of the scale.
    """
    if scale.u_deg is None:
        return None
    return math.hypot(scale.u_deg, fit.u_deg) if fit.found else scale.u_deg


def peak_record(fit: SweepFit, scale: AngleScale, barometer_kpa: float | None) -> Peak:
    """The peak for the result; all null but the reason when it was not found.

    The absolute interval widens each side of the fit's interval by 2 u of the scale (k = 2,
    about 95 %), in quadrature.
    """
    swept = (_number(fit.swept_low_deg), _number(fit.swept_high_deg))
    if not fit.found:
        return Peak(
            found=False,
            why_not=fit.why_not or "the data do not show a top",
            beyond={1: "advanced", -1: "retarded"}.get(fit.side),  # type: ignore[arg-type]
            swept_low_deg=swept[0],
            swept_high_deg=swept[1],
            limited_by=fit.limits,
        )
    pressure_kpa = _at(fit, fit.angle_deg)
    u_scale = scale.u_deg
    low_abs = high_abs = u_abs = None
    if u_scale is not None:
        u_abs = math.hypot(fit.u_deg, u_scale)
        low_abs = fit.angle_deg - math.hypot(fit.angle_deg - fit.low_deg, 2 * u_scale)
        high_abs = fit.angle_deg + math.hypot(fit.high_deg - fit.angle_deg, 2 * u_scale)
    return Peak(
        found=True,
        angle_deg=fit.angle_deg,
        u_deg=fit.u_deg,
        low_deg=fit.low_deg,
        high_deg=fit.high_deg,
        u_abs_deg=u_abs,
        low_abs_deg=low_abs,
        high_abs_deg=high_abs,
        flat_prior_deg=_number(fit.flat_prior_deg),
        pressure_kpa=pressure_kpa,
        vacuum_kpa=(
            None if barometer_kpa is None or pressure_kpa is None else barometer_kpa - pressure_kpa
        ),
        swept_low_deg=swept[0],
        swept_high_deg=swept[1],
        limited_by=fit.limits,
    )


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _at(fit: SweepFit, angle_deg: float) -> float | None:
    """Pressure of the hill at an angle inside its grid."""
    sound = np.isfinite(fit.curve_kpa)
    if not sound.any():
        return None
    return float(np.interp(angle_deg, fit.curve_deg[sound], fit.curve_kpa[sound]))
