"""Steadiness of the spark in words: what it means for the person, never a verdict.

Enters: a result. Leaves: sentences; none where nothing is known.
"""

from __future__ import annotations

from typing import Final

from vaclog.report.words.quantities import fixed
from vaclog.result import Result, SlotSeen, SparkScatter

SCATTER: Final = "How steadily it sparks"

_TWICE: Final = 2.0
_SIGMAS: Final = 3.0
# A mark that dances by more than a degree or two under the strobe is the trade's sign of play
# (common practice); seen by eye, that is some four standard deviations.
_DANCES_DEG: Final = 0.5
_ALTERNATE_DEG: Final = 0.15
_SPREAD_DEG: Final = 1.0
_AHEAD_DEG: Final = 0.3
_FOLLOWS_DEG: Final = 0.3  # per 100 rpm
_PULL_PERCENT: Final = 0.5


def scatter(result: Result) -> tuple[str, ...]:
    """Everything that the sparks say of distributor and drive."""
    seen = result.scatter
    if seen is None:
        return ()
    points = [
        _own(seen),
        _at_speed(seen),
        _alternate(seen),
        _follows_speed(seen),
        _uneven(seen),
        _earliest(seen),
        _spread(seen),
        _pull(seen),
    ]
    return tuple(point for point in points if point)


def _half(u_deg: float) -> str:
    """Half width of a 95 % interval, never told finer than a tenth."""
    return fixed(max(_TWICE * u_deg, 0.1), 1)


def _name(slot: SlotSeen) -> str:
    if slot.cylinder is not None:
        return f"cylinder {slot.cylinder}"
    if slot.slot == 1:
        return "No. 1"
    late = slot.slot >= len(_ORDINALS)
    return f"the cylinder that fires {f'as number {slot.slot}' if late else _ORDINALS[slot.slot]}"


_ORDINALS: Final = ("", "first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth")


def _own(seen: SparkScatter) -> str:
    if seen.real_deg is None or seen.low_deg is None or seen.high_deg is None:
        return ""
    parts = f"ticks and pickups make {fixed(seen.sensor_deg or 0.0, 2)}°"
    if seen.speed_deg is not None:
        parts += f", the uneven turning of the crank {fixed(seen.speed_deg, 2)}°"
    told = (
        f"Held still, the spark of No. 1 scatters by {fixed(seen.real_deg, 2)}° (standard "
        f"deviation; {fixed(seen.low_deg, 2)}–{fixed(seen.high_deg, 2)}°) over {seen.cycles} "
        f"cycles, reading taken off ({parts})."
    )
    if seen.low_deg > _DANCES_DEG:
        return (
            f"{told} Under a strobe the mark dances by about {fixed(4 * seen.real_deg, 0)}°, which "
            "the trade takes for play (common practice): worth looking at the distributor's drive, "
            "its shaft and bush, and the points' plate."
        )
    if seen.high_deg < _DANCES_DEG:
        return f"{told} That is steady; it is worth keeping, since next year's can be compared."
    return told


def _at_speed(seen: SparkScatter) -> str:
    fast, still = seen.at_speed_deg, seen.high_deg
    if fast is None or still is None or fast < max(_DANCES_DEG, 1.5 * still):
        return ""
    return (
        f"In rev-ups, around {seen.at_speed_rpm or 0.0:.0f} rpm, it scatters by {fixed(fast, 2)}° "
        "about the curve, more than held still: points that bounce, play that opens with speed, or "
        "a pickup that is disturbed there (common practice)."
    )


def _alternate(seen: SparkScatter) -> str:
    value, u = seen.alternate_deg, seen.u_alternate_deg
    if value is None or u is None or value < max(_ALTERNATE_DEG, _SIGMAS * u):
        return ""
    return (
        f"Every other spark of No. 1 comes {fixed(2 * value, 2)}° (± {fixed(2 * _TWICE * u, 2)}°) "
        "later than the one before. The distributor turns once between them, so it is no lobe: "
        "something that takes two of its turns to come round, such as a shaft that wobbles in its "
        "bush, or a drive gear with another number of teeth."
    )


def _follows_speed(seen: SparkScatter) -> str:
    value, u = seen.per_100rpm_deg, seen.u_per_100rpm_deg
    if value is None or u is None or value < max(_FOLLOWS_DEG, _SIGMAS * u):
        return ""
    return (
        f"At idle the advance follows the speed, {fixed(value, 1)}° for each 100 rpm (± "
        f"{fixed(_TWICE * u, 1)}°): the weights move already there, and every reading of the "
        "timing goes with its speed."
    )


def _uneven(seen: SparkScatter) -> str:
    if not seen.uneven:
        return ""
    return (
        f"The sparks are spaced unevenly by {fixed(seen.spread_deg or 0.0, 0)}°, more than wear "
        "makes: an engine that fires unevenly by design, or a wrong number of cylinders on the "
        "card. Nothing is concluded about lobes, and the limits are judged on No. 1 alone."
    )


def _earliest(seen: SparkScatter) -> str:
    ahead, u = seen.ahead_deg, seen.u_ahead_deg
    if seen.uneven or ahead is None or u is None or seen.earliest_slot is None:
        return ""
    if seen.earliest_slot == 1 or ahead < _AHEAD_DEG:
        return ""
    slot = seen.slots[seen.earliest_slot - 1]
    name = _name(slot)
    return (
        f"{name[0].upper()}{name[1:]} sparks {fixed(ahead, 1)}° (± {_half(u)}°) ahead "
        "of No. 1. It would pink first, so the limits are judged on it."
    )


def _spread(seen: SparkScatter) -> str:
    spread, u = seen.spread_deg, seen.u_spread_deg
    if seen.uneven or spread is None or u is None:
        return ""
    told = (
        f"From the earliest to the latest cylinder there are {fixed(spread, 1)}° (± {_half(u)}°)."
    )
    if spread - _TWICE * u > _SPREAD_DEG:
        return (
            f"{told} Lobes that differ, or a shaft that is bent or has play; both are felt by hand "
            "with the engine off (common practice)."
        )
    if _TWICE * u > _SPREAD_DEG:
        return f"{told} A slow rev-up with the pickup on the coil lead would tell it better."
    return told


def _pull(seen: SparkScatter) -> str:
    known = [
        (slot.pull_percent, slot.u_pull_percent, slot)
        for slot in seen.slots
        if slot.pull_percent is not None and slot.u_pull_percent is not None
    ]
    if not known:
        return ""
    pull, u, slot = min(known, key=lambda each: each[0])
    if pull > -max(_PULL_PERCENT, _SIGMAS * u):
        return ""
    return (
        f"After the spark of {_name(slot)} the crank is {fixed(-pull, 1)} % (± "
        f"{fixed(_TWICE * u, 1)} %) slower than on the mean: it pulls less than the others. "
        "Plug, lead, mixture or compression; the spark's angle is not the reason."
    )
