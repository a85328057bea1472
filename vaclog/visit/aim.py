"""Where to set the distributor next, and why.

Enters: a visit. Leaves: an :class:`Aim`. Never above the visit's ceiling: what pinked, kicked back
or ran on was too far, whatever the hill says.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from vaclog.cards import EngineCard, curve_added_deg, engine_card
from vaclog.units import body_from_crank_deg, rim_mm
from vaclog.visit import road
from vaclog.visit.records import Setting, Visit

# No cap, no number: a little more than the baseline, then the road decides.
BLIND_STEP_DEG: Final = 2.0
_SAME_DEG: Final = 0.25
# A hand sets to about a degree and a strobe is read to about one; more is another setting.
BEYOND_DEG: Final = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Aim:
    """Where to set.

    Attributes
    ----------
    deg
        Crank degrees before top dead centre at idle; None where no angle is known.
    by_deg
        Crank degrees to retard from where it stands, where that is the aim.
    limit
        Which limit decides.
    why
        In a sentence.
    """

    deg: float | None = None
    by_deg: float = 0.0
    limit: str | None = None
    why: str = ""


def card_of(visit: Visit) -> EngineCard:
    """The engine card as it was at the visit."""
    return engine_card(visit.engine_toml)


def ceiling_deg(visit: Visit) -> float | None:
    """The most advance that was not yet shown to be too much; None: nothing was shown."""
    known = [each for each in (visit.ceiling_deg, road.ceiling_deg(visit)) if each is not None]
    return min(known, default=None)


def aim(visit: Visit) -> Aim:
    """Where to set next."""
    if visit.aim_why:
        learnt = bool(visit.trials) or ceiling_deg(visit) is not None
        limit = "road" if learnt else _by_the_hill(visit).limit  # a clamp that slipped is no limit
        found = _as_advised(
            visit, Aim(deg=visit.aim_deg, by_deg=visit.aim_by_deg, limit=limit, why=visit.aim_why)
        )
    else:
        found = _by_the_hill(visit)
    most = ceiling_deg(visit)
    if most is not None and found.deg is not None and found.deg > most:
        if found.deg - most < _SAME_DEG:
            return replace(found, deg=most)
        return Aim(deg=most, limit="road", why=f"More than {most:.1f}° was too far in this visit.")
    return _as_learnt(visit, found)


def _as_advised(visit: Visit, found: Aim) -> Aim:
    """Retarding from a setting beyond all advice must not end beyond it still."""
    hill = _by_the_hill(visit)
    most = _advised_most(visit, hill)
    if found.deg is None or hill.deg is None or most is None or found.deg <= most + BEYOND_DEG:
        return found
    return replace(
        hill, why=f"{found.why} But no more than {hill.deg:.1f}° is advised ({hill.limit})."
    )


def _advised_most(visit: Visit, hill: Aim) -> float | None:
    """The advice, or the furthest of the stages that may be tried from it."""
    return None if hill.deg is None else max((hill.deg, *_stages(visit)))


def _stages(visit: Visit) -> tuple[float, ...]:
    """The stages that may be tried, none where the visit before heard pinking."""
    capture = visit.last("sweep", "again")
    steps = () if capture is None else capture.result.advice.steps_deg
    if visit.too_far_deg is None:
        return steps
    return tuple(step for step in steps if step < visit.too_far_deg - road.NEAR_DEG)


def _as_learnt(visit: Visit, found: Aim) -> Aim:
    """Where the visit before heard pinking is no place to begin this one."""
    too_far_deg, left_deg = visit.too_far_deg, visit.left_deg
    if too_far_deg is None or found.deg is None or found.deg < too_far_deg - road.NEAR_DEG:
        return found
    safe_deg = too_far_deg - road.RETARD_DEG["heard"]
    if left_deg is not None:
        safe_deg = min(left_deg, safe_deg)
    return Aim(
        deg=safe_deg,
        limit="the visit before",
        why=f"At the visit before {too_far_deg:.1f}° pinked, so begin at {safe_deg:.1f}°. "
        f"{found.deg:.1f}° is what the sweep alone would allow.",
    )


def further(visit: Visit) -> float | None:
    """The next stage towards the cap after a trial without pinking; None: stay here.

    Only until the hot restart is done: what was taken off as reserve is not put back on.
    """
    if "hot" in visit.done or not road.proven(visit) or ceiling_deg(visit) is not None:
        return None
    here = road.set_deg(visit)
    if here is None:
        return None
    return next((step for step in _stages(visit) if step > here + _SAME_DEG), None)


def beyond(visit: Visit) -> tuple[float, float] | None:
    """Where it stands and the most that is advised; None unless it stands further advanced.

    The stages that may be tried count as advised, unless a road trial showed less to be enough.
    """
    here, wanted = road.set_deg(visit), aim(visit)
    if here is None or wanted.deg is None:
        return None
    learnt = wanted.limit in ("road", "the visit before")
    most = wanted.deg if learnt else _advised_most(visit, wanted)
    assert most is not None  # an angle is wanted
    return None if here <= most + BEYOND_DEG else (here, most)


def beyond_words(visit: Visit) -> str:
    """That it stands further advanced than anything advised; "" while it does not."""
    found = beyond(visit)
    if found is None:
        return ""
    here, most = found
    return (
        f"TOO FAR: it stands at {here:.1f}°, and no more than {most:.1f}° is advised. Do not drive "
        "it so: vaclog visit redo set, and retard it."
    )


def turn_words(visit: Visit, by_deg: float) -> str:
    """A turn of the body for so many crank degrees, positive = advance."""
    body = abs(body_from_crank_deg(by_deg))
    card = card_of(visit)
    words = f"{body:.1f}° of the body"
    if card.body_radius_mm:
        words += f", {rim_mm(body, card.body_radius_mm):.1f} mm at its rim"
    if card.rotor_turns is not None:
        against = {"clockwise": "counterclockwise", "counterclockwise": "clockwise"}
        way = against[card.rotor_turns] if by_deg > 0 else card.rotor_turns
        words += f", {way} from above"
    return words


def filled(visit: Visit, told: Setting) -> Setting:
    """A setting with what was left open taken from the aim."""
    wanted = aim(visit)
    return replace(
        told,
        aimed_deg=wanted.deg if told.aimed_deg is None else told.aimed_deg,
        limit=wanted.limit if told.limit is None else told.limit,
    )


def _by_the_hill(visit: Visit) -> Aim:
    capture = visit.last("again") or visit.last("sweep")
    sweep = visit.last("sweep")
    for each in (capture, sweep):
        if each is not None and each.result.advice.set_deg is not None:
            advice = each.result.advice
            return Aim(deg=advice.set_deg, limit=advice.limit, why=_limit_words(advice.limit))
    baseline = next((p.value for p in visit.points if p.key == "baseline"), None)
    card = card_of(visit)
    figure = None
    if card.static_deg is not None:
        added = curve_added_deg(card.centrifugal, card.idle_rpm or 0) if card.centrifugal else 0.0
        figure = card.static_deg + added
    if sweep is not None and baseline is not None:
        return Aim(
            deg=baseline + BLIND_STEP_DEG,
            limit="no cap known",
            why=f"No cap is known, so vacuum alone sets nothing: at most {BLIND_STEP_DEG:g}° "
            "beyond the baseline, then the road decides.",
        )
    if figure is not None:
        return Aim(deg=figure, limit="maker's figure", why="The maker's figure, as read at idle.")
    return Aim(
        deg=baseline, limit="baseline", why="No figure and no top are known: leave the baseline."
    )


def _limit_words(limit: str | None) -> str:
    if limit == "hill":
        return "The hill decides: its retard side, a little below the top."
    return f"What decides: {limit}."
