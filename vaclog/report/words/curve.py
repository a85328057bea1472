"""The centrifugal curve in words: what it means for the person, never a verdict.

Enters: a result. Leaves: sentences; none without a rev-up.
"""

from __future__ import annotations

from typing import Final

from vaclog.report.words.quantities import degrees, fixed
from vaclog.result import CurveSeen, CurveSpot, Result

CURVE: Final = "What the weights add"

_TWICE: Final = 2.0  # about 95 % (JCGM 100:2008, 6.3.3)
# Less than this between the way up and the way down, or after than before, is not worth a word.
_FRICTION_DEG: Final = 0.5
_STAYS_OUT_DEG: Final = 0.7
_SIGMAS: Final = 3.0
_IN_A_ROW: Final = 6
_NEARLY: Final = 0.25  # of twice
_CANDIDATES: Final = {
    "flat": (
        "weights or their pivots that catch there, or the change from a light to a heavy spring "
        "with play between"
    ),
    "late": (
        "springs too strong, stiff or catching weights, another distributor, or a card in other "
        "degrees"
    ),
    "early": (
        "springs weak, stretched or missing, another distributor, or a card in other degrees"
    ),
}


def curve(result: Result) -> tuple[str, ...]:
    """Everything that the rev-ups say, the most important first."""
    seen = result.curve
    if seen is None:
        return ()
    points = [
        _hose(seen),
        _course(seen),
        _row(seen),
        *(_spot(spot) for spot in seen.spots),
        _card(seen),
        _sticking(seen),
        _stays_out(seen),
        _total(seen),
        _delay(seen),
    ]
    return tuple(point for point in points if point)


def _pm(value: float, u: float, unit: str, decimals: int) -> str:
    """A value with the half width of its 95 % interval."""
    return f"{fixed(value, decimals)} ± {fixed(_TWICE * u, decimals)}{unit}"


def _course(seen: CurveSeen) -> str:
    if seen.most_deg is None or seen.u_most_deg is None:
        return ""
    most = _pm(seen.most_deg, seen.u_most_deg, "°", 1)
    if seen.slope_deg_per_1000rpm is None:
        return (
            f"Up to {seen.most_rpm:.0f} rpm the weights add {most} above idle: next to nothing. A "
            "distributor without weights, weights that are stuck, or a rev-up that ended before "
            "they begin."
        )
    if seen.start_rpm is not None and seen.u_start_rpm is not None:
        start = f"begin to move at {_pm(seen.start_rpm, seen.u_start_rpm, ' rpm', 0)}"
    else:
        start = "are on the move already at idle"
    slope = f"about {fixed(seen.slope_deg_per_1000rpm, 1)}° for each 1000 rpm"
    if seen.all_in_rpm is not None and seen.u_all_in_rpm is not None:
        end = _pm(seen.all_in_rpm, seen.u_all_in_rpm, " rpm", 0)
        return f"The weights {start}, are all in by {end} and add {most} above idle, {slope}."
    return (
        f"The weights {start} and add {most} above idle by {seen.most_rpm:.0f} rpm, {slope}. The "
        "end of their way was not seen: it needs a slow rev-up to 3500 rpm or until nothing more "
        "is added."
    )


def _row(seen: CurveSeen) -> str:
    """The curve in figures, a few speeds in one line."""
    step = max(len(seen.rpm) // _IN_A_ROW, 1)
    told = [
        f"{rpm:.0f} rpm {fixed(deg, 1)}° ({fixed(low, 1)}–{fixed(high, 1)}°)"
        for rpm, deg, low, high in zip(
            seen.rpm[::step],
            seen.added_deg[::step],
            seen.low_deg[::step],
            seen.high_deg[::step],
            strict=True,
        )
        if rpm > seen.idle_rpm
    ]
    return f"Above idle, with 95 %: {', '.join(told)}."


def _spot(spot: CurveSpot) -> str:
    where = f"Between {spot.from_rpm:.0f} and {spot.to_rpm:.0f} rpm"
    off = f"{fixed(abs(spot.off_deg), 1)}° (± {fixed(_TWICE * spot.u_off_deg, 1)}°)"
    what = {
        "flat": f"the curve stands still: {off} of rise are missing there",
        "late": f"the curve is up to {off} below the card's",
        "early": f"the curve is up to {off} above the card's",
    }[spot.kind]
    return (
        f"{where} {what}. It could be {_CANDIDATES[spot.kind]} (common practice); the data do not "
        "tell which."
    )


def _card(seen: CurveSeen) -> str:
    if seen.all_seen and seen.most_deg and seen.from_card_deg:
        times = seen.most_deg / seen.from_card_deg
        if abs(times - 2.0) < _NEARLY:
            return (
                "In all it adds about twice what the card says: the card is probably in degrees "
                "and speeds of the distributor. Double both on it."
            )
        if abs(1.0 / times - 2.0) < _NEARLY:
            return (
                "In all it adds about half of what the card says: the card was probably doubled "
                "once too often, or the weights reach only half of their way."
            )
    if not seen.card_deg or any(spot.kind != "flat" for spot in seen.spots):
        return ""
    apart = [abs(one - two) for one, two in zip(seen.added_deg, seen.card_deg, strict=True)]
    return f"It is the card's curve to within {fixed(max(apart), 1)}° over the speeds seen."


def _sticking(seen: CurveSeen) -> str:
    if (
        seen.friction_deg is None
        or seen.u_friction_deg is None
        or seen.slope_deg_per_1000rpm is None
    ):
        return ""
    if seen.hose in ("manifold", "port"):
        return ""  # a vacuum advance does the same
    apart, u = 2.0 * seen.friction_deg, 2.0 * seen.u_friction_deg
    if apart > max(_FRICTION_DEG, _SIGMAS * u):
        return (
            f"At the same speed there is {_pm(apart, u, '°', 1)} more advance on the way down than "
            "on the way up, however slowly the speed changes: weights that stick. Clean and oil "
            "their pivots and the cam's bearing (common practice), then look again."
        )
    if apart < -max(_FRICTION_DEG, _SIGMAS * u):
        return (
            f"At the same speed there is {_pm(-apart, u, '°', 1)} more advance on the way up than "
            "on the way down. Weights cannot do that; a vacuum advance fed at the throttle's edge "
            "can: check that its hose is off and plugged."
        )
    if _TWICE * u < 1.0:
        return (
            f"No sticking of the weights was seen: up and down agree to {fixed(abs(apart), 1)}° ± "
            f"{fixed(_TWICE * u, 1)}°, once their lag of {fixed((seen.lag_s or 0.0), 2)} s is "
            "taken off."
        )
    return "The rev-ups were too quick to tell sticking weights from weights that only lag."


def _stays_out(seen: CurveSeen) -> str:
    out, u = seen.stays_out_deg, seen.u_stays_out_deg
    if out is None or u is None or abs(out) < max(_STAYS_OUT_DEG, _SIGMAS * u):
        return ""
    if out > 0:
        return (
            f"After the rev-up the idle kept {_pm(out, u, '°', 1)} more advance than before: "
            "weights that do not come home, or a body that was turned meanwhile."
        )
    return (
        f"After the rev-up the idle had {_pm(-out, u, '°', 1)} less advance than before: weights "
        "that had not been home before, or a body that was turned meanwhile."
    )


def _total(seen: CurveSeen) -> str:
    now, aimed, u = seen.total_now_deg, seen.total_set_deg, seen.u_total_deg
    if u is None or (now is None and aimed is None):
        return ""
    parts = []
    if now is not None:
        parts.append(f"as it stood then the advance at speed comes to {_pm(now, u, '°', 1)}")
    if aimed is not None:
        parts.append(f"set as advised, to {_pm(aimed, u, '°', 1)}")
    told = ", ".join(parts)
    allowed = (
        "" if seen.max_total_deg is None else f"; the maker allows {degrees(seen.max_total_deg)}"
    )
    both = ""
    if seen.from_card_deg is not None and seen.most_deg is not None:
        both = (
            f" Of card ({degrees(seen.from_card_deg)}) and measurement "
            f"({degrees(seen.most_deg)}) the larger is counted, since that is the safer."
        )
    return f"{told[0].upper()}{told[1:]}{allowed}.{both}"


def _hose(seen: CurveSeen) -> str:
    if seen.hose not in ("manifold", "port"):
        return ""
    swing = (
        ""
        if seen.hose == "port" or seen.hose_swing_deg is None or seen.u_hose_swing_deg is None
        else f" by {_pm(seen.hose_swing_deg, seen.u_hose_swing_deg, '°', 1)}"
    )
    fed = "from the manifold" if seen.hose == "manifold" else "at the throttle's edge"
    return (
        f"At the same speed the advance changed{swing} with the throttle, as a vacuum advance fed "
        f"{fed} does. Take its hose off, plug it, and rev up again: what follows here contains it."
    )


def _delay(seen: CurveSeen) -> str:
    delay, u = seen.delay_us, seen.u_delay_us
    if delay is None or u is None or not seen.all_seen or abs(delay) < _TWICE * u:
        return ""
    return (
        f"Where the weights rest the reading still leans, as {_pm(delay, u, ' µs', 0)} of pickup "
        "delay beyond the rig card's would make it (50 µs are 1° at 3400 rpm)."
    )
