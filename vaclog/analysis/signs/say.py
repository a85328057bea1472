"""The words that the signs share.

Enters: places and numbers. Leaves: phrases. Pressures are put into words by the reports, in the
reader's unit; here stand only facts without numbers.
"""

from __future__ import annotations

from vaclog.analysis.signs.evidence import Evidence
from vaclog.result import Candidate


def data(text: str) -> Candidate:
    """A candidate that the data put where it stands."""
    return Candidate(text=text, basis="separated by data")


def common(text: str) -> Candidate:
    """A candidate that the data cannot tell from its neighbours."""
    return Candidate(text=text, basis="common practice")


def cylinder_of(evidence: Evidence, slot: int | None) -> int | None:
    """The cylinder at a firing place, None where it cannot be told."""
    order = evidence.case.engine.firing_order
    if slot is None or order is None or slot > len(order):
        return None
    return order[slot - 1]


def told_place(evidence: Evidence, slot: int | None) -> int | None:
    """A firing place, unless the pickup leaves open where the cycle begins."""
    return slot if evidence.case.rig.spark.pickup == "no1" else None


def name_of(evidence: Evidence, slot: int) -> str:
    """The cylinder at a firing place, as well as card and pickup let it be named.

    A lead that sparks each turn leaves open in which of two turns the cycle begins, and the coil's
    own lead which cylinder begins it.
    """
    order = evidence.case.engine.firing_order
    pickup = evidence.case.rig.spark.pickup
    parts = evidence.swing_kpa.shape[1]
    if pickup == "coil":
        return f"one cylinder (place {slot} after the first spark that was seen)"
    if pickup == "wasted":
        other = (slot - 1 + parts // 2) % parts + 1
        if order is None or max(slot, other) > len(order):
            return f"place {slot} or {other} in the order of firing"
        low, high = sorted((order[slot - 1], order[other - 1]))
        return f"cylinder {low} or {high}"
    if order is not None and slot <= len(order):
        return f"cylinder {order[slot - 1]}"
    if slot == 1:
        return "cylinder 1"
    return f"the cylinder that fires at place {slot} (No. 1 is place 1)"
