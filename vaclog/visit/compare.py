"""What changed between two visits to the same engine, and what only seems to have.

Enters: two visits. Leaves: a :class:`Comparison`: for each figure that both have, the difference
with its uncertainty, and whether it is more than both uncertainties allow. Nothing here says why
something changed: two visits differ in fuel, weather and warmth as well.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from vaclog.cards import RigCard, rig_card
from vaclog.errors import CardError
from vaclog.result import Result
from vaclog.units import SEA_LEVEL_KPA
from vaclog.visit import compare_drive
from vaclog.visit.change import FALSE_ALARM, Z_95, Answer, Change, both, interpolated, normal_change
from vaclog.visit.figures import speaking_capture
from vaclog.visit.rates import compare_rates
from vaclog.visit.records import Capture, Setting, Visit

# How well an idle comes back: choke, charge of the battery, electric fan, fuel. Common practice,
# no source: a mechanic calls 850 and 880 rpm the same idle.
_U_IDLE_RELATIVE: Final = 0.02
# A hold is read this well from many turns; the mount of the sensor comes on top.
_U_HOLD_DEG: Final = 0.2
# Fuel, weather and warmth move the top of an unchanged engine; our own assumption.
_U_TOP_DEG: Final = 0.5
# A mark sensor or strobe that no card speaks of, clipped on anew.
_U_MOUNT_DEG: Final = 1.0
# Datasheets of such sensors give ±1.5 kPa over life and temperature; taken as a half-width,
# a/sqrt(3) (JCGM 100:2008, 4.3.7). The same sensor a year later shares most of it: a third of the
# half-width, our own guess.
_U_OTHER_SENSOR_KPA: Final = 1.5 / math.sqrt(3.0)
_U_SAME_SENSOR_KPA: Final = 0.5
# At idle the manifold's *absolute* pressure hardly follows the weather, its vacuum does. What is
# left: with a gross work of k = 4.3 times the manifold pressure (friction 113 kPa at 850 rpm by
# J. B. Heywood, Internal Combustion Engine Fundamentals, ch. 13, from memory; pumping 60 kPa,
# manifold 40 kPa), work against the outside air asks for 1 / (k + 1) of its change. Our own
# reckoning; so uncertain that half of it is taken as its standard uncertainty.
_FOLLOWS_AIR: Final = 0.19
_U_FOLLOWS_AIR: Final = 0.10
# The hills are compared where both were trodden, at least this far from the ends.
_INSIDE_DEG: Final = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Two visits side by side.

    Attributes
    ----------
    older, newer
        Numbers of the visits.
    changes
        All figures that both have, changed or not.
    missing
        Keys of those that only one of them has.
    same_rig
        Both were measured with the same rig by its card.
    """

    older: int
    newer: int
    changes: tuple[Change, ...]
    missing: tuple[str, ...]
    same_rig: bool

    @property
    def changed(self) -> tuple[Change, ...]:
        """The figures that did change."""
        return tuple(each for each in self.changes if each.changed)

    def of(self, key: str) -> Change | None:
        """The figure of this name."""
        return next((each for each in self.changes if each.key == key), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Side:
    """A visit as far as it is compared."""

    visit: Visit
    capture: Capture | None
    setting: Setting | None
    u_mount_deg: float

    @property
    def result(self) -> Result | None:
        return self.capture.result if self.capture else None


def compare(older: Visit, newer: Visit) -> Comparison:
    """Compare two visits to the same engine.

    Parameters
    ----------
    older, newer
        In this order; their captures' results are compared, not the captures themselves.
    """
    same_rig = older.rig_toml == newer.rig_toml and older.rig == newer.rig
    one, two = _side(older), _side(newer)
    changes: list[Change] = []
    missing: list[str] = []
    for key, compare_one in _COMPARED.items():
        change = compare_one(one, two, same_rig)
        if isinstance(change, Change):
            changes.append(change)
        elif change == "one only":
            missing.append(key)
    return Comparison(
        older=older.number,
        newer=newer.number,
        changes=tuple(changes),
        missing=tuple(missing),
        same_rig=same_rig,
    )


def _side(visit: Visit) -> _Side:
    try:
        card = rig_card(visit.rig_toml)
    except CardError:  # kept from a version that knew other keys
        card = RigCard()
    u_mount_deg = _U_MOUNT_DEG
    if card.mark is not None:
        u_mount_deg = card.mark.u_angle_deg
    elif card.body is not None:
        u_mount_deg = card.body.u_anchor_deg
    return _Side(
        visit=visit,
        capture=speaking_capture(visit),
        setting=visit.settings[-1] if visit.settings else None,
        u_mount_deg=u_mount_deg,
    )


def _peak(one: _Side, two: _Side, same_rig: bool) -> Answer:
    """The top of the hill. The same rig shares its scale but was clipped on anew."""
    if one.result is None or two.result is None:
        return "none"
    old, new = one.result.peak, two.result.peak
    have = both(old.angle_deg if old.found else None, new.angle_deg if new.found else None)
    if have != "both":
        return have
    assert old.angle_deg is not None and new.angle_deg is not None
    same_scale = same_rig and one.visit.engine_toml == two.visit.engine_toml
    if same_scale or old.u_abs_deg is None or new.u_abs_deg is None:
        u = math.hypot(old.u_deg or 0.0, new.u_deg or 0.0, one.u_mount_deg, two.u_mount_deg)
    else:
        u = math.hypot(old.u_abs_deg, new.u_abs_deg)
    u = math.hypot(u, _U_TOP_DEG, _U_TOP_DEG)
    return normal_change("peak", "deg", old.angle_deg, new.angle_deg, u)


def found_deg(visit: Visit) -> float | None:
    """Where the setting was found: the first angle held at a visit, before anything was turned."""
    for capture in visit.captures:
        idle, home_deg = capture.result.idle, capture.result.advice.home_deg
        if idle.angle_deg is None or capture.purpose not in ("check", "curve", "sweep"):
            continue
        # ``home_deg`` is the turn of the body from the last hold back to the first.
        return idle.angle_deg + 2.0 * home_deg if home_deg is not None else idle.angle_deg
    return None


def _left_and_found(one: _Side, two: _Side, same_rig: bool) -> Answer:
    """Where it was locked at the older visit, and where it was found at the newer."""
    left_deg = one.setting.reached_deg if one.setting else None
    now_deg = found_deg(two.visit)
    have = both(left_deg, now_deg)
    if have != "both":
        return have
    assert one.setting is not None and left_deg is not None and now_deg is not None
    u_left_deg = one.setting.u_reached_deg or _U_HOLD_DEG
    u = math.hypot(u_left_deg, _U_HOLD_DEG, one.u_mount_deg, two.u_mount_deg)
    return normal_change("left and found", "deg", left_deg, now_deg, u)


def _setting(one: _Side, two: _Side, same_rig: bool) -> Answer:
    """Where it was left then and now; a person turned it between."""
    left_deg = one.setting.reached_deg if one.setting else None
    now_deg = two.setting.reached_deg if two.setting else None
    have = both(left_deg, now_deg)
    if have != "both":
        return have
    assert one.setting is not None and two.setting is not None
    assert left_deg is not None and now_deg is not None
    u = math.hypot(
        one.setting.u_reached_deg or _U_HOLD_DEG,
        two.setting.u_reached_deg or _U_HOLD_DEG,
        one.u_mount_deg,
        two.u_mount_deg,
    )
    return normal_change("setting", "deg", left_deg, now_deg, u)


def _idle_speed(one: _Side, two: _Side, same_rig: bool) -> Answer:
    if one.result is None or two.result is None:
        return "none"
    old, new = one.result.idle.rpm, two.result.idle.rpm
    have = both(old, new)
    if have != "both":
        return have
    assert old is not None and new is not None
    u = _U_IDLE_RELATIVE * math.hypot(old, new)
    return normal_change("idle speed", "rpm", old, new, u)


def _idle_vacuum(one: _Side, two: _Side, same_rig: bool) -> Answer:
    """Vacuum at one and the same advance, where both hills were trodden, at standard sea level.

    It is reckoned from the absolute pressure, so that weather and altitude come in only by a known
    small part.
    """
    if one.result is None or two.result is None:
        return "none"
    where_deg = _common_deg(one.result, two.result)
    old = _ground(one.result, where_deg)
    new = _ground(two.result, where_deg)
    if old is None or new is None:
        return "none" if old is None and new is None else "one only"
    known, u_known = _by_the_air(one.result, two.result)
    u_sensor = _U_SAME_SENSOR_KPA if same_rig else _U_OTHER_SENSOR_KPA
    u = math.hypot(old[1], new[1], u_sensor, u_sensor, u_known)
    return normal_change(
        "idle vacuum",
        "kpa",
        SEA_LEVEL_KPA - old[0],
        SEA_LEVEL_KPA - new[0],
        u,
        known=-known,
        where=where_deg,
    )


def _by_the_air(one: Result, two: Result) -> tuple[float, float]:
    """Change of manifold pressure that the outside air alone explains, and its uncertainty."""
    if one.barometer_kpa is None or two.barometer_kpa is None:
        # Weather alone, at one place: a standard deviation of about 1 kPa (common knowledge).
        return 0.0, _FOLLOWS_AIR * math.sqrt(2.0)
    air_kpa = two.barometer_kpa - one.barometer_kpa
    return _FOLLOWS_AIR * air_kpa, _U_FOLLOWS_AIR * abs(air_kpa)


def _common_deg(one: Result, two: Result) -> float | None:
    """The middle of what both sweeps trod; None where they do not meet or no angle is known."""
    ends = [
        (result.peak.swept_low_deg, result.peak.swept_high_deg)
        for result in (one, two)
        if result.hill.curve_deg
    ]
    lows = [low for low, _ in ends if low is not None]
    highs = [high for _, high in ends if high is not None]
    if len(lows) < 2 or len(highs) < 2:
        return None
    low_deg, high_deg = max(lows), min(highs)
    return (low_deg + high_deg) / 2 if high_deg - low_deg >= 2 * _INSIDE_DEG else None


def _ground(result: Result, where_deg: float | None) -> tuple[float, float] | None:
    """Steady pressure and its standard uncertainty: on the hill at an angle, else at the hold."""
    if where_deg is None:
        pressure_kpa = result.idle.pressure_kpa
        # Without a common angle the two idles may stand 5° apart: 0.3 kPa by the usual hill.
        return None if pressure_kpa is None else (pressure_kpa, 0.3)
    hill = result.hill
    pressure_kpa = interpolated(where_deg, hill.curve_deg, hill.curve_kpa)
    low_kpa = interpolated(where_deg, hill.curve_deg, hill.low_kpa)
    high_kpa = interpolated(where_deg, hill.curve_deg, hill.high_kpa)
    return pressure_kpa, (high_kpa - low_kpa) / (2 * Z_95)


def _misfire(one: _Side, two: _Side, same_rig: bool) -> Answer:
    """Counted events, by the exact comparison of two rates."""
    if one.result is None or two.result is None:
        return "none"
    old, new = one.result.misfire, two.result.misfire
    if not old.cycles or not new.cycles:
        return "none" if not (old.cycles or new.cycles) else "one only"
    found = compare_rates(old.events, old.cycles, new.events, new.cycles)
    before, after = 1000.0 * old.events / old.cycles, 1000.0 * new.events / new.cycles
    return Change(
        key="misfire",
        quantity="per_thousand",
        before=before,
        after=after,
        difference=after - before,
        u=None,
        low=found.low_ratio,
        high=found.high_ratio if math.isfinite(found.high_ratio) else None,
        changed=found.p < FALSE_ALARM,
    )


_COMPARED: Final[dict[str, Callable[[_Side, _Side, bool], Answer]]] = {
    "left and found": _left_and_found,
    "setting": _setting,
    "peak": _peak,
    "idle speed": _idle_speed,
    "idle vacuum": _idle_vacuum,
    "misfire": _misfire,
    "scatter": lambda one, two, _: compare_drive.scatter(one.visit, two.visit),
    "spread": lambda one, two, _: compare_drive.spread(one.visit, two.visit),
    "curve": lambda one, two, _: compare_drive.curve(one.visit, two.visit),
    "sticking": lambda one, two, _: compare_drive.sticking(one.visit, two.visit),
}
