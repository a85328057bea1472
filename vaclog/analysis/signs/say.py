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


def name_of(evidence: Evidence, slot: int) -> str:
    """The cylinder at a firing place, as well as the card lets it be named."""
    order = evidence.case.engine.firing_order
    if order is not None and slot <= len(order):
        return f"cylinder {order[slot - 1]}"
    if slot == 1:
        return "cylinder 1"
    return f"the cylinder that fires at place {slot} (No. 1 is place 1)"
