"""The points of the pre-flight that a capture shows.

Enters: a result with its :class:`~vaclog.result.checks.Checks`, and the engine card. Leaves:
points with verdict and a sentence: what was found, and what to do about it. A point that the
capture cannot show is "not known", never in order.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from vaclog.cards import EngineCard, curve_added_deg, engine_card
from vaclog.result import Result, Sign, SignKey
from vaclog.result.checks import Checks
from vaclog.units import from_kpa, standard_atmosphere_kpa
from vaclog.visit.questions import RPM_OFF
from vaclog.visit.records import Point, Verdict

# Weather moves the barometer by 3 kPa about the standard atmosphere on most days (ISO 2533 gives
# the mean; the spread is common knowledge); ordinary manifold sensors are good to 1.5 kPa
# (MPX4115A data sheet). Twice the sum of both squares' root.
OFF_AIR_KPA: Final = 6.5
STILL_NOISE_KPA: Final = 2.0  # range in a tenth of a second of a still engine: ten steps of 10 bits
RAIL_PER_THOUSAND: Final = 5.0
# Common practice, no source: a starter turns a warm engine at 150 to 300 rpm, and with the
# throttle shut it pulls 1 to 5 inHg.
STARTER_SLOW_RPM: Final = 110.0
CRANKING_LOW_KPA: Final = 3.4  # 1 inHg
CRANKING_LEAST_S: Final = 2.5  # the manifold needs a second or two to empty at starter speed
SAG_KPA: Final = 2.0
# Speed that still drifts by more than 2 % a minute tilts a sweep of a minute by a degree or two.
DRIFT_SHARE: Final = 0.02
DRIFT_KPA: Final = 0.8  # kPa a minute: as much as five degrees off the top
UNSTEADY_DEG: Final = 1.5
# 17 to 22 inHg near sea level is normal, 13 to 16 a little low, below 13 low (common practice);
# about 1 inHg less for each 1000 ft. Late timing alone costs up to 2 inHg.
LOW_INHG: Final = 13.0
SEA_LEVEL_INHG: Final = 29.92

MEASURED: Final = (
    "sensor",
    "supply",
    "cranking",
    "warm",
    "idle_speed",
    "steady",
    "air_leak",
    "vacuum_off",
)

_Said = tuple[Verdict, float | None, str, str]  # verdict, value, unit, text


def measured_points(result: Result, engine_toml: str, *, at: str = "") -> list[Point]:
    """The points that a capture shows, in order.

    Parameters
    ----------
    result
        Of the capture.
    engine_toml
        The engine card, for what the numbers are judged by.
    at
        Time of the capture.
    """
    engine = engine_card(engine_toml)
    checks = result.checks or Checks()
    points = []
    for key in MEASURED:
        sign = next((each for each in result.signs if _POINT_OF[each.key] == key), None)
        if sign is None:
            verdict, value, unit, text = _JUDGES[key](result, checks, engine)
        else:
            verdict, value, unit, text = "doubtful", sign.number, sign.unit, _sign_text(sign)
        points.append(
            Point(key=key, verdict=verdict, measured=True, value=value, unit=unit, text=text, at=at)
        )
    return points


# A pattern of the vacuum speaks at the point that it puts in doubt, with its own evidence.
_POINT_OF: Final[dict[SignKey, str]] = {
    "low": "air_leak",
    "low-cranking": "cranking",
    "drift": "warm",
    "hunting": "steady",
    "regular-drop": "steady",
    "occasional-drops": "steady",
    "shake-at-idle": "steady",
    "shake-grows": "steady",
    "falls-at-held-speed": "steady",
}


def _sign_text(sign: Sign) -> str:
    number, unit = sign.number, sign.unit
    if unit.startswith("kPa"):
        number, unit = from_kpa(number, "inHg"), unit.replace("kPa", "inHg")
    could = "; ".join(candidate.text for candidate in sign.candidates)
    could = f" Could be, likeliest first: {could}." if could else ""
    return f"{sign.text}: {number:.1f} {unit}.{could} {sign.next_look}".rstrip()


def _inhg(value_kpa: float) -> str:
    """A pressure as a gauge shows it; every sentence of the visit is in the same unit."""
    return f"{from_kpa(value_kpa, 'inHg'):.1f} inHg"


def _sensor(result: Result, checks: Checks, engine: EngineCard) -> _Said:
    rail = checks.rail_per_thousand or 0.0
    if rail > RAIL_PER_THOUSAND:
        return (
            "doubtful",
            rail,
            "per thousand",
            f"The pressure stood at its end stop in {rail:.0f} of 1000 cycles. Open or shorted "
            "wire, or a wrong rig card.",
        )
    if checks.still_kpa is None:
        return (
            "not known",
            None,
            "kPa",
            "No reading with the engine still. Record 5 s with the key on before starting.",
        )
    value = checks.still_kpa
    if checks.still_noise_kpa is not None and checks.still_noise_kpa > STILL_NOISE_KPA:
        return (
            "doubtful",
            checks.still_noise_kpa,
            "kPa",
            f"The sensor jitters by {_inhg(checks.still_noise_kpa)} on a still engine. Loose "
            "plug, or its wire lies beside the high tension.",
        )
    if engine.altitude_m is None:
        return "in order", value, "kPa", f"Open air reads {_inhg(value)}; no altitude to compare."
    air = standard_atmosphere_kpa(engine.altitude_m)
    if abs(value - air) > OFF_AIR_KPA:
        return (
            "doubtful",
            value,
            "kPa",
            f"Open air reads {_inhg(value)}; at {engine.altitude_m:.0f} m it is about "
            f"{_inhg(air)}. Wrong gain or offset on the rig card, or not the sensor you think.",
        )
    return "in order", value, "kPa", f"Open air reads {_inhg(value)}, as the altitude says."


def _supply(result: Result, checks: Checks, engine: EngineCard) -> _Said:
    if checks.cranking_s is None:
        return "not known", None, "kPa", "The start was not recorded."
    rise = checks.cranking_rise_kpa
    if rise is not None and rise > SAG_KPA:
        return (
            "doubtful",
            rise,
            "kPa",
            f"The sensor jumped by {_inhg(rise)} as the starter pulled: its supply sags. Feed it "
            "from the board, not from the car.",
        )
    if result.source.gaps:
        return (
            "doubtful",
            float(result.source.gaps),
            "gaps",
            f"{result.source.gaps} gaps in the data. Loose cable, or the board restarted.",
        )
    return "in order", rise, "kPa", "The start did not disturb the rig."


def _cranking(result: Result, checks: Checks, engine: EngineCard) -> _Said:
    rpm, vacuum = checks.cranking_rpm, checks.cranking_vacuum_kpa
    if rpm is not None and rpm < STARTER_SLOW_RPM:
        return (
            "doubtful",
            rpm,
            "rpm",
            f"The starter turns at only {rpm:.0f} rpm. Charge the battery, clean its leads.",
        )
    if checks.cranking_s is None or checks.cranking_s < CRANKING_LEAST_S or vacuum is None:
        said = "" if rpm is None else f" {rpm:.0f} rpm on the starter."
        return (
            "not known",
            rpm,
            "rpm",
            f"Cranked too briefly to judge vacuum.{said} To see it: fuel off, throttle shut, "
            "crank 4 s.",
        )
    inhg = from_kpa(vacuum, "inHg")
    if vacuum < CRANKING_LOW_KPA:
        return (
            "doubtful",
            vacuum,
            "kPa",
            f"Only {inhg:.1f} inHg on the starter. Throttle was open, an air leak, or valves and "
            "rings that leak (common practice: 1 to 5).",
        )
    return "in order", vacuum, "kPa", f"{inhg:.1f} inHg on the starter."


def _warm(result: Result, checks: Checks, engine: EngineCard) -> _Said:
    slope, u_slope, rpm = checks.rpm_slope_per_min, checks.u_rpm_slope_per_min, checks.idle_rpm
    kpa, u_kpa = checks.kpa_slope_per_min, checks.u_kpa_slope_per_min
    if slope is None or u_slope is None or rpm is None or kpa is None or u_kpa is None:
        return "not known", None, "rpm/min", "No idle long enough. Record a minute, hands off."
    drift = f"Idle drifts by {slope:+.0f} ± {2 * u_slope:.0f} rpm a minute"
    for value, u_value, most in ((slope, u_slope, DRIFT_SHARE * rpm), (kpa, u_kpa, DRIFT_KPA)):
        if abs(value) > most and abs(value) > 2 * u_value:
            return (
                "doubtful",
                slope,
                "rpm/min",
                f"{drift} and {from_kpa(kpa, 'inHg'):+.1f} inHg: not warm yet, or the choke is "
                "still on. Wait.",
            )
    if 2 * u_slope > 2 * DRIFT_SHARE * rpm or 2 * u_kpa > 2 * DRIFT_KPA:
        return "not known", slope, "rpm/min", f"{drift}: too short to tell. Watch for a minute."
    return "in order", slope, "rpm/min", f"{drift}: settled."


def _idle_speed(result: Result, checks: Checks, engine: EngineCard) -> _Said:
    rpm = checks.idle_rpm
    if rpm is None:
        return "not known", None, "rpm", "No idle long enough was recorded."
    if engine.centrifugal and (added := curve_added_deg(engine.centrifugal, rpm)) > 1.0:
        at_figure = engine.idle_rpm is not None and rpm <= engine.idle_rpm * (1 + RPM_OFF)
        if not at_figure:
            return (
                "doubtful",
                rpm,
                "rpm",
                f"At {rpm:.0f} rpm the weights already add {added:.1f}°. Slow the idle down.",
            )
    if engine.idle_rpm is None:
        return "in order", rpm, "rpm", f"Idle {rpm:.0f} rpm; the card gives none."
    said = f"Idle {rpm:.0f} rpm, the card says {engine.idle_rpm:.0f}."
    if abs(rpm / engine.idle_rpm - 1.0) > RPM_OFF:
        return "doubtful", rpm, "rpm", f"{said} Set it with the idle screw first."
    return "in order", rpm, "rpm", said


def _steady(result: Result, checks: Checks, engine: EngineCard) -> _Said:
    u_deg = checks.sweep_u_deg
    if u_deg is None or checks.sweep_minutes is None or checks.rpm_scatter_percent is None:
        return "not known", None, "deg", "No idle long enough was recorded."
    said = (
        f"Idle wanders by {checks.rpm_scatter_percent:.1f} %. A sweep of "
        f"{checks.sweep_minutes:g} minutes over 20° would find the top to about ±{2 * u_deg:.1f}°."
    )
    if u_deg > UNSTEADY_DEG:
        return (
            "doubtful",
            u_deg,
            "deg",
            f"{said} Cure the hunting first: mixture, plugs, air leaks.",
        )
    return "in order", u_deg, "deg", said


def _air_leak(result: Result, checks: Checks, engine: EngineCard) -> _Said:
    vacuum = checks.idle_vacuum_kpa
    if vacuum is None or result.barometer_kpa is None:
        return (
            "not known",
            vacuum,
            "kPa",
            "Vacuum needs the open air: record 5 s of a still engine, or give the altitude.",
        )
    inhg = from_kpa(vacuum, "inHg")
    # Less air, less vacuum at the same work: in proportion to the barometer.
    low = LOW_INHG * from_kpa(result.barometer_kpa, "inHg") / SEA_LEVEL_INHG
    if inhg < low:
        return (
            "doubtful",
            vacuum,
            "kPa",
            f"{inhg:.1f} inHg at idle is low here (below {low:.0f}). Candidates: air leak, very "
            "late timing, valve timing, a wild cam. Late timing shows in the sweep.",
        )
    return "in order", vacuum, "kPa", f"{inhg:.1f} inHg at idle: no sign of a leak."


def _vacuum_off(result: Result, checks: Checks, engine: EngineCard) -> _Said:
    follows = checks.follows_vacuum
    hose = "" if result.curve is None else result.curve.hose  # a slow rev-up saw it too
    if hose in ("manifold", "port") and follows in (None, "not seen"):
        swing_deg = abs((result.curve and result.curve.hose_swing_deg) or 0.0)
        return (
            "doubtful",
            swing_deg,
            "deg",
            f"Vacuum moves the spark by {swing_deg:.0f}° at the same speed: the vacuum advance is "
            "still on. Pull the hose at the distributor and plug it.",
        )
    if follows is None and hose == "off":
        return "in order", None, "deg", "Vacuum does not move the spark."
    if follows is None and checks.opening_drop_deg is not None:
        return (
            "not known",
            checks.opening_drop_deg,
            "deg",
            "The sparks stray too much to see whether vacuum moves them: look at the hose itself.",
        )
    if follows is None:
        return (
            "not known",
            None,
            "deg",
            "Not seen whether vacuum moves the spark: it takes a crank mark and one quick blip.",
        )
    if follows == "at idle":
        return (
            "doubtful",
            checks.opening_drop_deg,
            "deg",
            f"The spark fell back by {checks.opening_drop_deg:.0f}° as the throttle opened: the "
            "vacuum advance is still on. Pull the hose at the distributor and plug it.",
        )
    said = "Vacuum does not move the spark in a blip."
    if hose != "off":
        said += " One fed from a port shows in the slow rev-up only."
    return "in order", checks.opening_drop_deg, "deg", said


_JUDGES: Final[dict[str, Callable[[Result, Checks, EngineCard], _Said]]] = {
    "sensor": _sensor,
    "supply": _supply,
    "cranking": _cranking,
    "warm": _warm,
    "idle_speed": _idle_speed,
    "steady": _steady,
    "air_leak": _air_leak,
    "vacuum_off": _vacuum_off,
}
