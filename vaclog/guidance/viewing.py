"""A view of what the guide knows.

Enters: the guide, at any time. Leaves: the :class:`~vaclog.guidance.view.View` that a page shows.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from vaclog.guidance.catalogue import Catalogue
from vaclog.guidance.scene import Scene
from vaclog.guidance.sentences import words
from vaclog.guidance.view import Said, View
from vaclog.units import PressureUnit

if TYPE_CHECKING:
    from vaclog.guidance.guide import Guide

FOOTPRINTS: Final = 240


def make_view(guide: Guide, catalogue: Catalogue, unit: PressureUnit) -> View:
    """Put a view together from what the guide knows.

    Parameters
    ----------
    guide
        At any time, also before the first cycle.
    """
    scene, current = guide.scene, guide.current
    if not hasattr(scene, "cycles"):
        return View(
            cycles=0, at_us=0, stage=guide.stage, source="none", goal_deg=scene.options.goal_deg
        )
    cycles, known = scene.cycles, scene.known
    tail = slice(-8, None)
    kpa = _mean(cycles.pressure_kpa[tail])
    said = None
    if current is not None:
        text = words(current, catalogue, unit=unit)
        said = Said(said=text.said, shown=text.shown, reason=text.reason, instruction=current)
    baro = scene.barometer_kpa
    base = View(
        cycles=len(cycles),
        at_us=scene.now_us,
        stage=guide.stage,
        source=known.study.source if known is not None else "none",
        ball_deg=scene.here_deg,
        ball_kpa=kpa,
        rpm=_mean(cycles.rpm[tail]),
        vacuum_kpa=None if baro is None or kpa is None else baro - kpa,
        goal_deg=scene.options.goal_deg,
        home_deg=scene.home_deg,
        passes=scene.passes,
        say=said,
    )
    if known is None:
        return base
    low, _, high, _ = scene.reach()
    fit, advice = known.fit, known.study.advice
    sound = np.isfinite(fit.curve_kpa)
    feet = _footprints(scene)
    return replace(
        base,
        curve_deg=tuple(fit.curve_deg[sound].tolist()),
        curve_kpa=tuple(fit.curve_kpa[sound].tolist()),
        low_kpa=tuple(fit.low_kpa[sound].tolist()),
        high_kpa=tuple(fit.high_kpa[sound].tolist()),
        foot_deg=tuple(cycles.advance_deg[feet].tolist()),
        foot_kpa=tuple(cycles.pressure_kpa[feet].tolist()),
        foot_age=tuple(np.linspace(0.0, 1.0, len(feet)).tolist()),
        top_deg=_number(fit.angle_deg),
        top_low_deg=_number(known.top_low_deg),
        top_high_deg=_number(known.top_high_deg),
        top_found=fit.found,
        interval_deg=known.interval_deg,
        set_deg=advice.set_deg,
        set_limit=advice.limit,
        hill_deg=advice.hill_deg,
        limits_deg=tuple((each.name, each.angle_deg) for each in known.study.judged.limits),
        allowed_low_deg=low,
        allowed_high_deg=high,
        misfires=len(known.study.misfire.cycles),
    )


def _footprints(scene: Scene) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Rows of the sweep, thinned to what a picture can show apart."""
    assert scene.known is not None
    rows = np.flatnonzero(scene.known.study.use)
    return rows[:: max(1, -(-len(rows) // FOOTPRINTS))]


def _mean(values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> float | None:
    good = values[np.isfinite(values)]
    return float(good.mean()) if len(good) else None


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
