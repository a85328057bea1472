"""Throttle excursions: blips, rev-ups and loads on the road.

Enters: speed and pressure of the cycles of one unbroken run of the engine. Leaves: a kind for
each cycle that is part of an excursion. How far a cycle stands off idle (score) and how far is
too far (threshold) are separate.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vaclog.analysis.phases.segments import robust_sigma, running_median
from vaclog.signals.tables import FloatArray

MORE_AIR = 1.3  # of the idle's air: cold and warm idle within a minute differ by less
TOUCH = 0.15  # of the idle's air, where it comes at once and speed follows
WIDE = 0.85  # of the barometer: a free-running engine cannot stay there, a pulling one does
LOAD_S = 1.5  # as long as a snap of the throttle keeps the pressure up, and longer
LOAD_RPM_S = 700.0  # wide open in neutral an engine gains well over a thousand rpm a second
BLIP_MAX_S = 60.0  # a rev-up held for longer is a drive
REGAINED, SETTLED_CYCLES = 0.05, 3  # of idle speed, either side, and for so long
REGAINED_KPA = 0.1  # of idle pressure


def idle_base(t_s: FloatArray, values: FloatArray) -> FloatArray:
    """Slow level of idle around each cycle: the running median over about a minute."""
    if len(t_s) < 3:
        return np.full(len(t_s), float(np.median(values)))
    per_s = (len(t_s) - 1) / max(float(t_s[-1] - t_s[0]), 1e-3)
    step = max(1, int(per_s))  # thin to about one a second, medians need no more
    thin = running_median(values[::step], 30)
    base: FloatArray = np.interp(t_s, t_s[::step], thin)
    return base


def find_excursions(
    t_s: FloatArray, rpm: FloatArray, pressure_kpa: FloatArray, *, barometer_kpa: float
) -> NDArray[np.str_]:
    """Name the excursion that each cycle belongs to.

    Parameters
    ----------
    t_s, rpm, pressure_kpa
        float64 [n], one unbroken run of cycles.
    barometer_kpa
        Ambient pressure or the best guess of it.

    Returns
    -------
    ndarray of str [n]
        "blip", "load", "running" or "" (idle).
    """
    kind = np.full(len(t_s), "", dtype="<U10")
    core = _core(t_s, rpm, pressure_kpa)
    core |= _loads(t_s, rpm, pressure_kpa, barometer_kpa)
    for span in spans(core):
        if kind[span[0]] != "":
            continue
        first, last = _grow(t_s, rpm, pressure_kpa, core, span)
        wide = _loads(t_s[first:last], rpm[first:last], pressure_kpa[first:last], barometer_kpa)
        drive = bool(wide.any()) or t_s[last - 1] - t_s[first] > BLIP_MAX_S
        kind[first:last] = np.where(wide, "load", "running" if drive else "blip")
    return kind


def _core(t_s: FloatArray, rpm: FloatArray, pressure_kpa: FloatArray) -> NDArray[np.bool_]:
    """Cycles with more air than an untouched throttle lets through.

    A throttle at idle is choked: the air that it passes, as speed times pressure, stays the
    same whatever timing, misfire and friction do to the speed; only the hand (or foot) on the
    throttle changes it, and slowly the warm-up.
    """
    air = rpm * pressure_kpa
    # A long drive lifts its own median: no idle, cold ones included, is far above the least.
    base = np.minimum(idle_base(t_s, air), 1.6 * float(np.quantile(air, 0.1)))
    open_wide = air > MORE_AIR * base
    level = running_median(air, 60)
    sigma = max(robust_sigma(air / level - 1.0), 0.01)
    burst = air > level * (1.0 + max(TOUCH, 8.0 * sigma))
    grows = np.zeros(len(rpm), dtype=bool)
    for first, last in spans(burst):
        ahead = rpm[first : last + 20]
        before = rpm[max(0, first - 15) : max(first - 3, 1)]
        grows[first:last] = ahead.max() > 1.08 * float(np.median(before))
    core = open_wide | (burst & grows)
    for first, last in spans(core):
        if last - first < 2:  # one odd cycle is a stray pulse, not a hand on the throttle
            core[first:last] = False
    return core


def _grow(
    t_s: FloatArray,
    rpm: FloatArray,
    pressure_kpa: FloatArray,
    core: NDArray[np.bool_],
    span: tuple[int, int],
) -> tuple[int, int]:
    """Back to where the throttle opened, on to where idle is regained."""
    n = len(t_s)
    first, last = span
    before = (t_s > t_s[first] - 12.0) & (t_s < t_s[first] - 2.0) & ~core
    if before.sum() >= 8:
        rpm0, rpm_u = float(np.median(rpm[before])), robust_sigma(rpm[before])
        kpa0, kpa_u = float(np.median(pressure_kpa[before])), robust_sigma(pressure_kpa[before])
        while first > 0 and (
            rpm[first - 1] > rpm0 + max(2.5 * rpm_u, 5.0)
            or pressure_kpa[first - 1] > kpa0 + max(4.0 * kpa_u, 0.5)
        ):
            first -= 1
    else:
        rpm0, kpa0 = float(np.quantile(rpm, 0.3)), float("nan")
    while last < n:
        after = (t_s >= t_s[last]) & (t_s < t_s[last] + 12.0) & ~core
        late = after & (t_s > t_s[last] + 3.0)
        if late.sum() >= 8:
            rpm1, kpa1 = float(np.median(rpm[late])), float(np.median(pressure_kpa[late]))
        else:
            rpm1, kpa1 = rpm0, kpa0
        ahead = rpm[last : last + SETTLED_CYCLES]
        settled_rpm = bool(np.all(np.abs(ahead / rpm1 - 1.0) < REGAINED))
        settled_kpa = not np.isfinite(kpa1) or abs(pressure_kpa[last] - kpa1) < REGAINED_KPA * kpa1
        if settled_rpm and settled_kpa and not core[last]:
            break
        last += 1
    return first, last


def _loads(
    t_s: FloatArray, rpm: FloatArray, pressure_kpa: FloatArray, barometer_kpa: float
) -> NDArray[np.bool_]:
    """Wide throttle against a load: high pressure that the speed does not run away from."""
    wide = pressure_kpa > WIDE * barometer_kpa
    out = np.zeros(len(t_s), dtype=bool)
    for first, last in spans(wide, bridge=2):
        length = float(t_s[last - 1] - t_s[first])
        if length >= LOAD_S and (rpm[last - 1] - rpm[first]) / length < LOAD_RPM_S:
            out[first:last] = True
    return out


def spans(mask: NDArray[np.bool_], *, bridge: int = 0) -> list[tuple[int, int]]:
    """Half-open ranges of rows where the mask is set; gaps of ``bridge`` rows are closed."""
    rows = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    pairs = [(int(a), int(b)) for a, b in zip(rows[::2], rows[1::2], strict=True)]
    joined: list[tuple[int, int]] = []
    for first, last in pairs:
        if joined and first - joined[-1][1] <= bridge:
            joined[-1] = (joined[-1][0], last)
        else:
            joined.append((first, last))
    return joined
