"""The sentences that go with the advice: what next, warnings, cautions.

Enters: the situation, what was judged, the advice's numbers. Leaves: the advice with its next
step, its warnings (what is doubtful or missing, most important first) and its cautions (dangers
of the next step). Angles in the sentences are crank degrees as the rig shows them at idle.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Final

from vaclog.analysis.advice.angle_scale import TDC, TDC_ASSUMED_DEG, U_TDC_VERIFIED_DEG
from vaclog.analysis.advice.hill_side import crest_at_least_deg
from vaclog.analysis.advice.situation import Judged, Situation
from vaclog.cards import doubts
from vaclog.result import Advice

# Best advance at idle minus the maker's idle figure: 10 to 35 degrees in models of gas and walls at
# 850 rpm and 40 kPa, against ordinary figures of 8 to 12; a margin on both sides.
_PEAK_AHEAD_LEAST_DEG: Final = 4.0
_PEAK_AHEAD_MOST_DEG: Final = 40.0
# Sparks this far from the card's idle speed belong to another point of the curve.
_IDLE_OFF: Final = 0.2
# Further below the sweep than this the hill's proposal is a guess.
_FAR_EXTRAPOLATION_DEG: Final = 6.0
# Under this the sum of uncertainties is not worth a sentence.
_U_LARGE_DEG: Final = 1.0

_REFUSED = (
    "Pressure rose above that of the air outside. If the engine is boosted this tool must not "
    "time it: leave it to licensed work. If it is not, the pressure sensor's figures on the rig "
    "card are wrong."
)


def complete(situation: Situation, judged: Judged, advice: Advice) -> Advice:
    """The advice with its sentences."""
    warnings = [sentence for make in _WARNINGS for sentence in make(situation, judged, advice)]
    return replace(
        advice,
        next_step=_next_step(situation, judged, advice),
        warnings=tuple(dict.fromkeys(warnings)),
        cautions=_cautions(situation, advice),
    )


def _next_step(situation: Situation, judged: Judged, advice: Advice) -> str:
    """What to do now, in one or two sentences."""
    fit = situation.fit
    if situation.boosted:
        return "Do not set this engine by idle vacuum."
    if situation.scale.source == "none":
        return (
            "Give the tool the advance: a crank mark sensor, an angle sensor or a paper strip on "
            "the body, or strobe readings at holds; then sweep again."
        )
    if advice.set_deg is None:
        return _without_number(situation, judged)
    parts = []
    if not fit.found:
        parts.append(_another_sweep(situation, advice))
    if advice.steps_deg:
        last = advice.steps_deg[-1]
        parts.append(
            f"Set {_figure(advice.set_deg)}, lock, and road-test. If it does not pink, steps "
            f"of 2° up to {last:.1f}° may be tried, with a road test after each."
        )
    else:
        parts.append(f"Set {_figure(advice.set_deg)}, lock, and road-test.")
    parts.append(
        "Then bring idle speed and mixture back and sweep shortly around the setting again, since "
        "they shift the top; repeat if it moved by more than 2°."
        if fit.found
        else ""
    )
    return " ".join(part for part in parts if part)


def _figure(angle_deg: float) -> str:
    """A setting; a minus sign before it would be overlooked."""
    after = " after top dead centre" if angle_deg < -0.05 else ""
    return f"{abs(angle_deg):.1f}°{after}"


def _without_number(situation: Situation, judged: Judged) -> str:
    """What to do where no set point may be given."""
    fit = situation.fit
    if judged.u_deg is None:
        return (
            "Angles are known only relative to each other, so no limit can be judged. Take one "
            "strobe reading for the anchor, then sweep again."
        )
    if judged.limit("maximum total") is None:
        return (
            f"{_baseline(situation, judged)}, at most 2° more, then road-test. Without a maximum "
            "total and the centrifugal curve there is no cap, and vacuum alone must not set the "
            "timing."
        )
    if not fit.found and fit.side < 0:
        return (
            f"Everything that was swept lies past the top. Go back to about "
            f"{fit.swept_low_deg - 6:.0f}° if the engine stays smooth, and sweep from there."
        )
    return (
        f"{_baseline(situation, judged)} and sweep again, slowly and in both directions, over 15° "
        "or more, as far as the engine stays smooth."
    )


def _baseline(situation: Situation, judged: Judged) -> str:
    """The maker's figure as it would read at idle, or the baseline that was there."""
    static = situation.engine.static_deg
    if static is not None:
        return f"Set the baseline ({static + judged.at_idle_deg:.1f}° by the maker's figure)"
    if situation.home_deg is not None:
        return f"Keep the baseline ({situation.home_deg:.1f}°, where the capture began)"
    return "Keep the baseline"


def _another_sweep(situation: Situation, advice: Advice) -> str:
    """What a further sweep could bring where the top was not reached."""
    fit = situation.fit
    if fit.side > 0:
        decides = advice.limit != "hill"
        return f"The top lies beyond the {fit.swept_high_deg:.1f}° that the sweep reached. " + (
            f"That does not matter for the setting: {_possessive(advice.limit)} decides before."
            if decides
            else "A sweep that goes further, while it stays smooth, would tell more."
        )
    return (
        "The sweep does not tell where the top is, so the maker's figure decides alone; a slow "
        "sweep in both directions over 15° or more would tell more."
    )


def _possessive(limit: str | None) -> str:
    return {
        "maker's figure": "the maker's figure",
        "maximum total": "the maximum total",
        "misfire": "the onset of misfire",
    }.get(limit or "", "the hill")


# --- warnings: each takes the same three and gives sentences -----------------------------------


def _warn_boosted(situation: Situation, judged: Judged, advice: Advice) -> list[str]:
    return [_REFUSED] if situation.boosted else []


def _warn_no_cap(situation: Situation, judged: Judged, advice: Advice) -> list[str]:
    """No cap, no number: which figure is missing."""
    if judged.limit("maximum total") is not None or situation.scale.source == "none":
        return []
    missing = []
    if situation.engine.max_total_deg is None:
        missing.append("max_total_deg on the engine card")
    if judged.added is None:
        missing.append("the centrifugal curve, from the engine card or a slow rev-up")
    if not missing:
        return []
    return [
        f"No cap, no number: {' and '.join(missing)} is missing, so no set point is given. Idle "
        "vacuum asks for more advance than full load allows."
    ]


def _warn_peak_odd(situation: Situation, judged: Judged, advice: Advice) -> list[str]:
    """A peak far from the maker's figure is itself a finding."""
    fit, static = situation.fit, situation.engine.static_deg
    if not fit.found or static is None or judged.u_deg is None:
        return []
    maker_deg = static + judged.at_idle_deg
    ahead_deg, slack_deg = fit.angle_deg - maker_deg, 2 * judged.u_deg
    if ahead_deg < _PEAK_AHEAD_LEAST_DEG - slack_deg:
        return [
            f"The top at {fit.angle_deg:.1f}° is hardly ahead of the maker's figure "
            f"({maker_deg:.1f}° at idle), or behind it; 10 to 35° ahead is usual. Candidates: a "
            "slipped pulley ring or a wrong mark angle (the rig shows less than there is), the "
            "vacuum advance still connected, a camshaft that is early."
        ]
    if ahead_deg > _PEAK_AHEAD_MOST_DEG + slack_deg:
        return [
            f"The top at {fit.angle_deg:.1f}° is {ahead_deg:.0f}° ahead of the maker's figure; 10 "
            "to 35° is usual. Candidates: a slipped pulley ring or a wrong mark angle (the rig "
            "shows more than there is), a weak mixture or an air leak (slow burning), late valve "
            "timing, low compression."
        ]
    return []


def _warn_first_hold(situation: Situation, judged: Judged, advice: Advice) -> list[str]:
    """A baseline far off is corrected before a sweep (common practice: 3 to 4 degrees)."""
    static, home_deg = situation.engine.static_deg, situation.home_deg
    if static is None or home_deg is None or judged.u_deg is None:
        return []
    off_deg = home_deg - static - judged.at_idle_deg
    if abs(off_deg) <= 4.0 + 2 * judged.u_deg:
        return []
    return [
        f"The capture began at {home_deg:.1f}°, {abs(off_deg):.0f}° "
        f"{'ahead of' if off_deg > 0 else 'behind'} the maker's figure "
        f"({static + judged.at_idle_deg:.1f}° at idle). If that was the setting it came with, it "
        "was off, or the rig's mark angle is."
    ]


def _warn_hill_low(situation: Situation, judged: Judged, advice: Advice) -> list[str]:
    """The hill's own rule, where it is a guess or asks for less than the maker."""
    hill, fit, static = judged.hill, situation.fit, situation.engine.static_deg
    if hill is None or not fit.found:
        return []
    found = []
    below_deg = fit.swept_low_deg - hill.angle_deg
    if below_deg > _FAR_EXTRAPOLATION_DEG:
        found.append(
            f"The hill's own proposal of {hill.angle_deg:.1f}° is extrapolated {below_deg:.0f}° "
            "below the sweep: it is a guess."
        )
    if static is not None and judged.u_deg is not None and advice.limit == "hill":
        maker_deg = static + judged.at_idle_deg
        if hill.angle_deg < maker_deg - situation.engine.static_tolerance_deg - 2 * judged.u_deg:
            found.append(
                f"The hill is so flat that its rule proposes less ({hill.angle_deg:.1f}°) than the "
                f"maker's figure ({maker_deg:.1f}° at idle). Between the two the engine gives up "
                "little vacuum; the maker's figure is the better guide if the mark can be trusted."
            )
    return found


def _warn_misfire(situation: Situation, judged: Judged, advice: Advice) -> list[str]:
    """Stumbling that is there anyway, or that ends the rise of the vacuum, is cured first."""
    misfire = situation.misfire
    rate, onset_deg = misfire.per_thousand, misfire.onset_deg
    if math.isfinite(onset_deg):
        top_deg = crest_at_least_deg(situation.fit)
        if situation.fit.found or top_deg is None or top_deg <= onset_deg or judged.hill is None:
            return []
        return [
            f"Stumbling begins at {onset_deg:.1f}°, before the top of the hill that the sound "
            "strokes make: the vacuum has its top there, and the proposal is counted from it. "
            "Plugs, gaps, leads and mixture first, then sweep again."
        ]
    if not math.isfinite(rate) or rate < 5.0:
        return []
    if misfire.low_per_thousand <= misfire.false_alarms_per_thousand:
        return []
    which = "always the same one" if misfire.slot > 0 else "not always the same one"
    return [
        f"About one cycle in {max(1, round(1000 / rate))} stumbles at every advance, {which}. "
        "Plugs, gaps and leads first; timing does not cure it, and it blurs the top."
    ]


def _warn_idle_speed(situation: Situation, judged: Judged, advice: Advice) -> list[str]:
    rpm, wanted = situation.idle.rpm, situation.engine.idle_rpm
    if rpm is None or wanted is None or abs(rpm - wanted) <= _IDLE_OFF * wanted:
        return []
    return [
        f"The last hold ran at {rpm:.0f} rpm, the card says {wanted:.0f}. Bring the idle speed "
        "back before the figures are trusted: the weights may add to the advance."
    ]


def _warn_weights(situation: Situation, judged: Judged, advice: Advice) -> list[str]:
    """Weights that already move at idle: in the figure, and unseen by a body sensor."""
    found = []
    static = situation.engine.static_deg
    if judged.at_idle_deg >= 1.0 and static is not None:
        found.append(
            f"By the card the weights already add {judged.at_idle_deg:.1f}° at idle, so the "
            f"static {static:g}° reads {static + judged.at_idle_deg:.1f}° there. If the card's "
            "figure was itself read at idle, write it down less that part."
        )
    if any(name == "weights that move unseen" for name, _ in situation.scale.parts):
        found.append(
            "The weights begin to move within the speeds of the sweep, and a sensor on the body "
            "does not see it: the angles are less certain by that. A crank mark would see it."
        )
    return found


def _warn_uncertainty(situation: Situation, judged: Judged, advice: Advice) -> list[str]:
    """What costs most of the absolute angle, and what would win it back."""
    scale = situation.scale
    if scale.u_deg is None or scale.source == "none":
        return []
    if not situation.engine.tdc_verified:
        others_deg = math.hypot(*(u for name, u in scale.parts if name != TDC))
        won_deg = 2 * (scale.u_deg - math.hypot(others_deg, U_TDC_VERIFIED_DEG))
        return [
            f"Top dead centre is not verified: the mark is taken to be within {TDC_ASSUMED_DEG:g}° "
            "of it. A slipped ring shifts every angle here and on a strobe alike. Check it with a "
            "soft piston stop, engine turned by hand, and say so on the card: that would lift the "
            f"limits by about {won_deg:.1f}°."
        ]
    name, u_deg = max(scale.parts, key=lambda part: part[1])
    if u_deg < _U_LARGE_DEG:
        return []
    return [f"What limits the angle most is the {name} (u = {u_deg:.1f}°)."]


def _warn_vacuum_hose(situation: Situation, judged: Judged, advice: Advice) -> list[str]:
    if situation.engine.vacuum_advance in ("none", "ported"):
        return []
    return [
        "The vacuum advance of this engine works at idle: its hose must be off and plugged for "
        "every reading here; put it back only after the setting is locked."
    ]


def _warn_missing(situation: Situation, judged: Judged, advice: Advice) -> list[str]:
    """What the cards and the capture lack, and the answers lost by it."""
    engine, found = situation.engine, []
    if situation.scale.source == "none":
        found.append(
            "No advance is known (no crank mark, no body sensor, no readings at holds), so no "
            "angle can be given."
        )
    if situation.barometer_kpa is None:
        found.append(
            "No barometer: neither an engine-off reading nor altitude_m on the engine card, so "
            "vacuum is not given. The top does not need it."
        )
    if engine.static_deg is None:
        found.append(
            "The engine card has no static_deg, so the maker's figure is not among the limits."
        )
    if engine.rotor_turns is None:
        found.append(
            "The engine card has no rotor_turns, so the way to turn the body is not given: "
            "against the rotor advances."
        )
    if engine.body_radius_mm is None:
        found.append("The engine card has no body_radius_mm, so the turn is not given in mm.")
    if situation.misfire.slot > 0 and engine.firing_order is None:
        found.append(
            "The engine card has no firing_order, so the stumbling cylinder is known only by its "
            "place after No. 1."
        )
    return found


def _warn_cards(situation: Situation, judged: Judged, advice: Advice) -> list[str]:
    return [*doubts(situation.engine), *judged.remarks, *situation.rig.remarks]


_WARNINGS: Final[tuple[Callable[[Situation, Judged, Advice], list[str]], ...]] = (
    _warn_boosted,
    _warn_no_cap,
    _warn_peak_odd,
    _warn_hill_low,
    _warn_misfire,
    _warn_cards,
    _warn_first_hold,
    _warn_idle_speed,
    _warn_weights,
    _warn_uncertainty,
    _warn_vacuum_hose,
    _warn_missing,
)


def _cautions(situation: Situation, advice: Advice) -> tuple[str, ...]:
    """Dangers of what comes next, at the moment they come, shortest first words."""
    cautions = [
        "Turning the body: hands, sleeves, hair and the phone clear of fan and belts; an electric "
        "fan starts by itself. Insulated gloves near the leads; with a pacemaker stay away. Never "
        "pull a lead on electronic ignition.",
        "Engine running: outdoors or with the exhaust led out, extinguisher at hand. A body that "
        "is stuck: engine off, penetrant, never a lever.",
    ]
    if not situation.fit.found:
        cautions.append(
            "Sweeping again: long retarded idling heats exhaust and catalyst, so give each pass "
            "a minute or two, not more."
        )
    cautions += [
        "Before driving: clamp tight, rig off, hoses back on, vacuum advance reconnected.",
        "Road test: private or quiet road, a passenger works the phone, law and insurance first. "
        f"If it pinks: lift off at once, then retard {PINKING_CURE} and try again. Pinking that is "
        "not heard is not proof of its absence, and it destroys pistons. Keep a reserve for a hot "
        "day and the worst fuel.",
        "After ten minutes' hot soak, restart: kick-back or running-on means too far. On a "
        "starting handle too much advance breaks wrists.",
        "Not for boosted, raised-compression, gas-fuelled, twin-plug, magneto or emission-sealed "
        "engines: leave those to licensed work. The maker's manual and local rules come first.",
    ]
    return tuple(cautions)


# Pinking under load is cured by retarding, a degree or two at a time (common practice).
PINKING_CURE: Final = "1 to 2°"
