"""Where to set, which limit decides, how far and which way to turn.

Enters: a :class:`~vaclog.analysis.advice.situation.Situation` (findings, cards, the engine at
the last hold). Leaves: the :class:`~vaclog.result.Advice`, and from :func:`judge` the limits
behind it.

The set point is the smallest of the hill's own proposal and the limits. Idle vacuum never
justifies an advance that full load forbids: without a maximum total and a centrifugal curve there
is no number. The sentences that go with it are made in :mod:`vaclog.analysis.advice.words`.
"""

from __future__ import annotations

import math
from typing import Final

from vaclog.analysis.advice import words
from vaclog.analysis.advice.angle_scale import judged_u_deg
from vaclog.analysis.advice.hill_side import crest_at_least_deg, hill_kpa, retard_side
from vaclog.analysis.advice.limits import (
    added_at_idle_deg,
    added_at_speed,
    maker_limit,
    misfire_limit,
    total_limit,
)
from vaclog.analysis.advice.situation import LARGEST_DROP_KPA, Judged, Situation
from vaclog.analysis.findings import MisfireFinding, SweepFit
from vaclog.cards import EngineCard
from vaclog.result import Advice, TurnWay
from vaclog.units import body_from_crank_deg, rim_mm

# Beyond the maker's figure only in steps of this, a road trial after each (common practice).
STEP_DEG: Final = 2.0
# A turn below this cannot be made by hand, and its direction means nothing.
_NO_TURN_DEG: Final = 0.005


def judge(situation: Situation) -> Judged:
    """Find the hill's proposal and every limit.

    Raises
    ------
    ValueError
        ``drop_kpa`` is not above 0 and at most 1.0 inHg.
    """
    if not 0.0 < situation.drop_kpa <= LARGEST_DROP_KPA * (1 + 1e-9):
        raise ValueError(
            f"a drop of {situation.drop_kpa} kPa is not above 0 and at most 1.0 inHg "
            f"({LARGEST_DROP_KPA:.3f} kPa)"
        )
    engine, rpm = situation.engine, situation.idle.rpm
    u_deg = judged_u_deg(situation.fit, situation.scale)
    added, remarks = added_at_speed(engine, situation.curve, rpm)
    at_idle_deg = added_at_idle_deg(engine, rpm)
    limits = (
        misfire_limit(situation.misfire, u_deg),
        total_limit(engine, added, u_deg, situation.ahead_deg, situation.u_ahead_deg),
        maker_limit(engine, at_idle_deg, u_deg, situation.ahead_deg, situation.u_ahead_deg),
    )
    return Judged(
        hill=retard_side(
            situation.fit, situation.drop_kpa, most_deg=_top_of_vacuum_deg(situation.misfire)
        ),
        limits=tuple(limit for limit in limits if limit is not None),
        added=added,
        at_idle_deg=at_idle_deg,
        u_deg=u_deg,
        remarks=remarks,
    )


def _top_of_vacuum_deg(misfire: MisfireFinding) -> float:
    """Where misfires end the rise of the vacuum, whatever the hill of the firing strokes does."""
    return misfire.onset_deg if math.isfinite(misfire.onset_deg) else math.inf


def advise(situation: Situation, judged: Judged | None = None) -> Advice:
    """The advice: a set point or the reason why there is none, and what to do next.

    Parameters
    ----------
    judged
        What :func:`judge` made of the same situation, where that is known already.
    """
    if judged is None:
        judged = judge(situation)
    set_deg, limit = _decide(situation, judged)
    idle_deg = situation.idle.angle_deg
    turn_deg = _body_deg(idle_deg, set_deg)
    home_deg = _body_deg(idle_deg, situation.home_deg)
    cap_deg = _cap_deg(judged)
    advice = Advice(
        set_deg=set_deg,
        hill_deg=None if judged.hill is None else judged.hill.angle_deg,
        limit=limit,
        turn_deg=turn_deg,
        turn_mm=_rim_mm(situation.engine, turn_deg),
        turn_way=turn_way(situation.engine, turn_deg),
        gain_kpa=_gain_kpa(situation.fit, idle_deg, set_deg),
        turn_clicks=_turn_clicks(situation.engine, turn_deg),
        hill_extrapolated=judged.hill is not None and judged.hill.extrapolated,
        home_deg=home_deg,
        home_mm=_rim_mm(situation.engine, home_deg),
        home_way=turn_way(situation.engine, home_deg),
        cap_deg=cap_deg,
        steps_deg=_steps_deg(set_deg, limit, cap_deg),
        drop_kpa=situation.drop_kpa,
        rotor_turns=situation.engine.rotor_turns,
        limits_why=tuple((each.name, each.why) for each in judged.limits),
    )
    return words.complete(situation, judged, advice)


def turn_way(engine: EngineCard, turn_deg: float | None) -> TurnWay | None:
    """Way of the body as seen from above: against the rotor to advance (geometry)."""
    if engine.rotor_turns is None or turn_deg is None or abs(turn_deg) < _NO_TURN_DEG:
        return None
    rotor_clockwise = engine.rotor_turns == "clockwise"
    return "counterclockwise" if rotor_clockwise == (turn_deg > 0) else "clockwise"


def _decide(situation: Situation, judged: Judged) -> tuple[float | None, str | None]:
    """The smallest candidate and its name; nothing where vacuum alone would decide."""
    if situation.boosted or judged.limit("maximum total") is None:
        return None, None
    candidates: list[tuple[float, str]] = [(each.angle_deg, each.name) for each in judged.limits]
    hill_deg = _not_beyond_deg(situation.fit, judged)
    if hill_deg is not None:
        candidates.append((hill_deg, "hill"))
    elif situation.fit.side < 0 or judged.limit("maker's figure") is None:
        # Everything swept was past the top, so its retard side is unknown; or there is neither
        # hill nor figure, and a maximum total alone is no setting.
        return None, None
    return min(candidates)


def _not_beyond_deg(fit: SweepFit, judged: Judged) -> float | None:
    """What the hill itself forbids to pass: its proposal, else what is surely below the top."""
    if judged.hill is not None:
        return judged.hill.angle_deg
    return fit.low_deg if fit.found else crest_at_least_deg(fit)


def _cap_deg(judged: Judged) -> float | None:
    """The smallest of all but the maker's figure; None without a maximum total."""
    if judged.limit("maximum total") is None:
        return None
    angles = [each.angle_deg for each in judged.limits if each.name != "maker's figure"]
    if judged.hill is not None:
        angles.append(judged.hill.angle_deg)
    return min(angles)


def _steps_deg(
    set_deg: float | None, limit: str | None, cap_deg: float | None
) -> tuple[float, ...]:
    """Angles of the trials beyond the maker's figure, up to the cap."""
    if set_deg is None or cap_deg is None or limit != "maker's figure":
        return ()
    count = math.floor((cap_deg - set_deg) / STEP_DEG + 1e-9)
    steps = [set_deg + STEP_DEG * number for number in range(1, count + 1)]
    if cap_deg - (steps[-1] if steps else set_deg) >= STEP_DEG / 4:
        steps.append(cap_deg)
    return tuple(steps)


def _gain_kpa(fit: SweepFit, idle_deg: float | None, set_deg: float | None) -> float | None:
    """Vacuum between two angles on the same hill; drift of the capture has no part in it."""
    if idle_deg is None or set_deg is None:
        return None
    here_kpa, there_kpa = hill_kpa(fit, idle_deg), hill_kpa(fit, set_deg)
    return None if here_kpa is None or there_kpa is None else here_kpa - there_kpa


def _body_deg(from_deg: float | None, to_deg: float | None) -> float | None:
    """Turn of the body between two crank angles."""
    return None if from_deg is None or to_deg is None else body_from_crank_deg(to_deg - from_deg)


def _rim_mm(engine: EngineCard, turn_deg: float | None) -> float | None:
    if turn_deg is None or engine.body_radius_mm is None:
        return None
    return rim_mm(turn_deg, engine.body_radius_mm)


def _turn_clicks(engine: EngineCard, turn_deg: float | None) -> float | None:
    if turn_deg is None or engine.click_deg <= 0:
        return None
    return 2.0 * turn_deg / engine.click_deg
