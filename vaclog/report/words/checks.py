"""What a capture shows of rig and engine before any sweep, in sentences.

Enters: a result. Leaves: sentences, none where nothing was seen. What is in order is judged with
the engine's card, at a visit; here only what anybody should know.
"""

from __future__ import annotations

from typing import Final

from vaclog.result import Checks, Result
from vaclog.units import PressureUnit, from_kpa

CHECKS: Final = "Before the sweep"


def checks(result: Result, unit: PressureUnit) -> tuple[str, ...]:
    """Sentences about the pre-flight."""
    seen = result.checks
    if seen is None:
        return ()
    told_by_curve = result.curve is not None and result.curve.hose in ("manifold", "port")
    said = (
        "" if told_by_curve else _hose(seen),
        _rail(seen),
        _drift(seen),
        _starter(seen, unit),
        "" if result.peak.found else _wander(seen),
    )
    return tuple(text for text in said if text)


def _hose(seen: Checks) -> str:
    if seen.follows_vacuum != "at idle" or seen.opening_drop_deg is None:
        return ""
    return (
        f"The spark fell back by {seen.opening_drop_deg:.0f}° as the throttle opened: the vacuum "
        "advance is still on. Pull its hose at the distributor and plug it, then sweep again."
    )


def _rail(seen: Checks) -> str:
    share = seen.rail_per_thousand or 0.0
    if share < 1.0:
        return ""
    return f"The pressure stood at its end stop in {share:.0f} of a thousand cycles."


def _drift(seen: Checks) -> str:
    slope, u_slope = seen.rpm_slope_per_min, seen.u_rpm_slope_per_min
    if slope is None or u_slope is None or seen.idle_s is None:
        return ""
    if abs(slope) < 2 * u_slope:
        return ""
    return (
        f"Over the longest idle of {seen.idle_s:.0f} s the speed drifted by {slope:+.0f} ± "
        f"{2 * u_slope:.0f} rpm a minute."
    )


def _starter(seen: Checks, unit: PressureUnit) -> str:
    if seen.cranking_rpm is None:
        return ""
    text = f"The starter turned at {seen.cranking_rpm:.0f} rpm"
    if seen.cranking_vacuum_kpa is None:
        return text + "."
    return f"{text} and drew {from_kpa(seen.cranking_vacuum_kpa, unit):.1f} {unit}."


def _wander(seen: Checks) -> str:
    if seen.sweep_u_deg is None or seen.rpm_scatter_percent is None:
        return ""
    return (
        f"The idle's speed scatters by {seen.rpm_scatter_percent:.1f} % from cycle to cycle; a "
        f"sweep of {seen.sweep_minutes:g} minutes over 20° would find the top to about "
        f"±{2 * seen.sweep_u_deg:.1f}°."
    )
