"""Vacuum that is steady and low, at idle and while the starter turns.

Enters: the evidence. Leaves: a sign or None each.

What a sound engine has at idle is an absolute pressure: it depends on friction, charge and
speed, not on the air outside. A gauge shows the difference to that air, which is why it reads
about one inch of mercury less for each thousand feet (common practice; ISO 2533 gives 1.07 for
the first). So the absolute pressure is judged, and told as the vacuum it would be at sea level.

Late timing lowers idle vacuum as leaks and wear do. The hill tells how much of it: that is what
a gauge alone cannot show.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from vaclog.analysis.advice.hill_side import hill_kpa, sound_curve
from vaclog.analysis.signs.evidence import Evidence
from vaclog.analysis.signs.say import common, data
from vaclog.result import Candidate, Sign
from vaclog.signals.tables import Background, FloatArray
from vaclog.units import SEA_LEVEL_KPA, to_kpa

# Normal is 17 to 22 inHg near sea level, some engines 15 (common practice; no source).
NORMAL_KPA: Final = to_kpa(17.0, "inHg")
LEAST_KPA: Final = to_kpa(15.0, "inHg")
# Absolute error of a common sensor (1.5 kPa bound by its makers, a rectangle's deviation), and
# of an idle that is not this engine's usual one (our own estimate).
U_SENSOR_KPA: Final = 1.5 / 3**0.5
U_IDLE_KPA: Final = 1.0
FALSE_ALARM: Final = 0.025  # two standard uncertainties, one side
EXPLAINS: Final = 0.5  # of what lacks to a normal vacuum
CLOSE_KPA: Final = 1.0  # of the top of the hill: then timing is not it
OFF_SPEED: Final = 0.15  # of the card's idle speed
NEAR_FIGURE_DEG: Final = 3.0  # a strobe and a mark agree within so much (common practice)
SLIPPED: Final = (
    "a mark that slipped or a wrong figure on the card: it reads the maker's figure, and yet the "
    "top is far"
)

# Cranking
CRANK_S: Final = 1.2  # a manifold is drawn down in about half a second at the starter's speed
LONG_START_S: Final = 2.0  # leaves half a second to look at
CRANK_SHARE: Final = 0.5  # of the vacuum that the own idle lets expect
CRANK_LEAST_KPA: Final = 3.0  # expected; less cannot be told from nothing
RESIDUAL: Final = 0.09  # of the air outside: what residual gas keeps out of a cylinder (Heywood)
GAMMA: Final = 1.4
U_CRANK: Final = 0.2  # of the expected vacuum: leakage past cold rings, choke (own estimate)


def find_low(evidence: Evidence) -> Sign | None:
    """Low vacuum at the last hold."""
    case = evidence.case
    if not judged(evidence):
        return None
    kpa = float(case.idle.pressure_kpa or np.nan)
    vacuum_kpa, u = SEA_LEVEL_KPA - kpa, float(np.hypot(U_SENSOR_KPA, U_IDLE_KPA))
    if case.barometer_measured and case.barometer_kpa is not None:
        u = U_IDLE_KPA  # the sensor's zero cancels; what is left is the engine's own variety
    threshold = LEAST_KPA - 2.0 * u
    if vacuum_kpa >= threshold:
        return None
    return Sign(
        key="low",
        text=_fact(evidence),
        number=vacuum_kpa,
        u=u,
        unit="kPa",
        threshold=threshold,
        false_alarm=FALSE_ALARM,
        candidates=_candidates(evidence, vacuum_kpa),
        next_look=_next(evidence, vacuum_kpa),
    )


def judged(evidence: Evidence) -> bool:
    """Whether the last hold is an idle with a pressure."""
    idle = evidence.case.idle
    if idle.pressure_kpa is None or idle.rpm is None or not np.isfinite(evidence.idle_rpm):
        return False
    return idle.rpm < 1.3 * evidence.idle_rpm


def gain_at_top_kpa(evidence: Evidence) -> tuple[float, bool]:
    """Vacuum between the last hold and the top of the hill, and whether it is only a least.

    NaN where nothing is known of the hill or of the hold's advance.
    """
    fit, here = evidence.case.fit, evidence.case.idle.angle_deg
    deg, kpa = sound_curve(fit)
    if here is None or len(deg) < 3 or (not fit.found and fit.side == 0):
        return float("nan"), False
    now_kpa = hill_kpa(fit, here)
    if now_kpa is None:
        return float("nan"), False
    swept = (deg >= fit.swept_low_deg) & (deg <= fit.swept_high_deg)
    best = float(kpa[swept].min()) if swept.any() else float(kpa.min())
    if fit.found:
        best = float(np.interp(fit.angle_deg, deg, kpa))
    return max(now_kpa - best, 0.0), not fit.found


def _fact(evidence: Evidence) -> str:
    case = evidence.case
    if case.barometer_kpa is None:
        air = "as it would be at sea level, from the absolute pressure (air outside not known)"
    elif case.barometer_measured:
        air = "corrected to sea level by the air pressure measured here"
    else:
        air = "corrected to sea level by the altitude on the card (ISO 2533)"
    return f"The vacuum at idle is steady and low, {air}"


def _candidates(evidence: Evidence, vacuum_kpa: float) -> tuple[Candidate, ...]:
    gain, at_least = gain_at_top_kpa(evidence)
    lacks = NORMAL_KPA - vacuum_kpa
    speed = _speed(evidence)
    others = [
        common("an air leak behind the throttle: gasket, hose, servo"),
        common("worn rings or valves that do not seal"),
        common("late valve timing"),
    ]
    if speed > OFF_SPEED:
        others[0] = data("much air comes in, for speed is high as well: throttle open, or a leak")
    elif speed < -OFF_SPEED:
        others.insert(
            0, data("it pulls badly, for speed is low as well: brakes on it or weak fire")
        )
    if not np.isfinite(gain):
        return (common("late ignition: a sweep would tell how much of it"), *others)
    share = "at least " if at_least else ""
    part = f"{share}{min(gain / lacks, 1.0):.0%}"
    late = evidence.case.fit.found is False or _behind_top(evidence)
    if late and gain >= EXPLAINS * lacks:
        words = f"late ignition: the sweep gave {part} of what lacks to a normal vacuum"
        return (data(words), *((data(SLIPPED),) if _at_figure(evidence) else ()), *others)
    if gain < CLOSE_KPA and not at_least:
        return (*others, data("not the ignition: it stands close to the top of its own hill"))
    words = f"late ignition for a part of it: the sweep gave {part} of what lacks"
    return (others[0], data(words), *others[1:]) if late else tuple(others)


def _behind_top(evidence: Evidence) -> bool:
    here, fit = evidence.case.idle.angle_deg, evidence.case.fit
    return here is not None and here < fit.angle_deg


def _at_figure(evidence: Evidence) -> bool:
    """Whether the last hold reads the maker's own figure, or more."""
    static, here = evidence.case.engine.static_deg, evidence.case.idle.angle_deg
    return static is not None and here is not None and here > static - NEAR_FIGURE_DEG


def _speed(evidence: Evidence) -> float:
    """Relative excess of idle speed over the card's; 0 where either is unknown."""
    card, here = evidence.case.engine.idle_rpm, evidence.case.idle.rpm
    return here / card - 1.0 if card and here else 0.0


def _next(evidence: Evidence, vacuum_kpa: float) -> str:
    gain, _ = gain_at_top_kpa(evidence)
    if np.isfinite(gain) and gain >= EXPLAINS * (NORMAL_KPA - vacuum_kpa):
        if _at_figure(evidence):
            return "Verify top dead centre and the figure on the card before the timing is moved."
        return "Set the timing first, then look again."
    return (
        "Pinch the hoses one by one and wet the joints of the manifold with water from a brush: "
        "what changes the speed leaks. Then compression."
    )


def find_low_cranking(evidence: Evidence) -> Sign | None:
    """Less vacuum under the starter than this engine's own idle lets expect."""
    seen = cranking(evidence)
    if seen is None:
        return None
    at_s, vacuum_kpa, expected_kpa = seen
    threshold = CRANK_SHARE * expected_kpa
    if vacuum_kpa >= threshold:
        return None
    low_too = find_low(evidence) is not None
    leak = "an air leak behind the throttle, or valves and rings that do not seal"
    found = [
        common("throttle or choke was held open while starting"),
        data(f"{leak}: the idle is low too") if low_too else common(leak),
        common("a weak battery that turns it unevenly"),
    ]
    if low_too:
        found[0], found[1] = found[1], found[0]
    return Sign(
        key="low-cranking",
        text="While the starter turned it, there was less vacuum than the air of its own idle and "
        "the speed of cranking let expect",
        number=vacuum_kpa,
        u=U_CRANK * expected_kpa,
        unit="kPa",
        threshold=threshold,
        false_alarm=FALSE_ALARM,
        candidates=tuple(found),
        next_look="Crank again with the throttle shut and the coil lead off, five seconds.",
        at_s=at_s,
    )


def cranking(evidence: Evidence) -> tuple[float, float, float] | None:
    """When the starter turned it long enough, the vacuum then, and what was to be expected; kPa.

    None where it was not seen, or no barometer or idle is known.
    """
    case = evidence.case
    outside, idle = case.barometer_kpa, case.idle
    if outside is None or not judged(evidence) or idle.pressure_kpa is None or idle.rpm is None:
        return None
    for phase in case.phases:
        if phase.kind != "cranking" or phase.end_us - phase.start_us < LONG_START_S * 1e6:
            continue
        found = _drawn_down(case.background, phase.start_us, phase.end_us)
        rpm = _crank_rpm(evidence, phase.start_us, phase.end_us)
        if found is None or rpm is None:
            continue
        at_s, kpa = found
        expected = outside - expected_cranking_kpa(idle.pressure_kpa, idle.rpm, rpm, outside)
        if expected >= CRANK_LEAST_KPA:
            return at_s, outside - kpa, expected
    return None


def expected_cranking_kpa(
    idle_kpa: float, idle_rpm: float, cranking_rpm: float, outside_kpa: float
) -> float:
    """Absolute pressure under the starter, behind the throttle that made this idle.

    Air through the throttle, choked or not (isentropic flow of a perfect gas), equals what the
    cylinders draw: proportional to speed and to the pressure less the residual gas's part.
    """
    keep_out = RESIDUAL * outside_kpa
    drawn = idle_rpm * max(idle_kpa - keep_out, 1.0) / _flow(idle_kpa / outside_kpa)
    low, high = idle_kpa, outside_kpa
    for _ in range(60):
        mid = 0.5 * (low + high)
        if cranking_rpm * (mid - keep_out) < drawn * _flow(mid / outside_kpa):
            low = mid
        else:
            high = mid
    return 0.5 * (low + high)


def _flow(ratio: float) -> float:
    """Flow of air through an orifice, relative to choked flow."""
    choked = (2.0 / (GAMMA + 1.0)) ** (GAMMA / (GAMMA - 1.0))
    ratio = min(max(ratio, choked), 1.0)
    most = choked ** (1.0 / GAMMA) * (1.0 - choked ** (1.0 - 1.0 / GAMMA)) ** 0.5
    return float(ratio ** (1.0 / GAMMA) * (1.0 - ratio ** (1.0 - 1.0 / GAMMA)) ** 0.5 / most)


def _drawn_down(background: Background, start_us: int, end_us: int) -> tuple[float, float] | None:
    """Lowest mean over a turn of the starter, after the manifold was drawn down."""
    first = (start_us + round(CRANK_S * 1e6)) // background.bin_us
    last = end_us // background.bin_us - 2  # before it fires
    kpa: FloatArray = background.mean_kpa[first:last]
    kpa = kpa[np.isfinite(kpa)]
    if len(kpa) < 6:
        return None
    return float(first * background.bin_us * 1e-6), float(np.median(kpa))


def _crank_rpm(evidence: Evidence, start_us: int, end_us: int) -> float | None:
    """Speed of the starter from marks, else from the cycles of cranking."""
    background = evidence.case.background
    first = (start_us + round(0.5 * CRANK_S * 1e6)) // background.bin_us
    last = end_us // background.bin_us - 2
    marks = np.flatnonzero(background.marks[first:last])
    if len(marks) >= 4:
        total = int(background.marks[first:last].sum()) - 1
        return float(60e6 * total / (int(marks[-1] - marks[0]) * background.bin_us))
    cycles = evidence.case.cycles
    rows = (cycles.start_us >= start_us) & (cycles.end_us <= end_us) & (cycles.rpm < 400.0)
    return float(np.median(cycles.rpm[rows])) if int(rows.sum()) >= 2 else None
