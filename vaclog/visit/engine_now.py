"""The engine card with what a visit has found out since.

Enters: a visit. Leaves: the card under which its next capture is analysed. The curve is measured
before the advice because it decides the cap; this is where the one reaches the other. The card
in the garage stays as the maker's book has it.
"""

from __future__ import annotations

from dataclasses import replace

from vaclog.cards import EngineCard, curve_added_deg, engine_card
from vaclog.result import CurveSeen
from vaclog.visit.records import Visit


def engine_now(visit: Visit) -> EngineCard:
    """The card of the visit, the measured curve in place of a smaller one, a verified top.

    A curve whose end was not seen never makes a cap by itself.
    """
    card = engine_card(visit.engine_toml)
    if any(point.key == "tdc" and point.verdict == "in order" for point in visit.points):
        card = replace(card, tdc_verified=True)
    capture = visit.last("curve")
    seen = None if capture is None else capture.result.curve
    if seen is None or len(seen.rpm) < 2 or seen.hose in ("manifold", "port"):
        return card
    if card.centrifugal is None and not seen.all_seen:
        return card
    if max(seen.added_deg) <= _card_adds_deg(card, seen):
        return card
    return replace(
        card,
        centrifugal=_points(card, seen),
        centrifugal_measured=True,
        u_centrifugal_deg=_u_deg(seen),
    )


def _card_adds_deg(card: EngineCard, seen: CurveSeen) -> float:
    """What the card's curve adds in all above the idle of the rev-up; -1 without a curve."""
    if not card.centrifugal:
        return -1.0
    return max(added for _, added in card.centrifugal) - _at_idle_deg(card, seen)


def _at_idle_deg(card: EngineCard, seen: CurveSeen) -> float:
    return max(0.0, curve_added_deg(card.centrifugal, seen.idle_rpm)) if card.centrifugal else 0.0


def _points(card: EngineCard, seen: CurveSeen) -> tuple[tuple[float, float], ...]:
    """The measured curve as a card has it: what the card adds at idle is in its figures."""
    idle_deg = _at_idle_deg(card, seen)
    points = [(seen.idle_rpm, idle_deg)]
    points += [
        (rpm, idle_deg + added)
        for rpm, added in zip(seen.rpm, seen.added_deg, strict=True)
        if rpm > seen.idle_rpm
    ]
    return tuple(points)


def _u_deg(seen: CurveSeen) -> float:
    """Standard uncertainty where the curve is highest: its 95 % band over 2 x 1.96."""
    top = max(range(len(seen.added_deg)), key=lambda place: seen.added_deg[place])
    return (seen.high_deg[top] - seen.low_deg[top]) / 3.92
