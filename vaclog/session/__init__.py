"""The session: records in, events out, one result.

Enters: every :data:`~vaclog.records.Record` of a capture, in order, live or replayed. Leaves:
events (:mod:`~vaclog.session.events`) and one :class:`~vaclog.result.Result`.
"""

from vaclog.session.events import CyclesGrew, Event, Instruct, Noticed, Provisional
from vaclog.session.leader import Lead, Leader, wants
from vaclog.session.session import PINKING, Session

__all__ = [
    "PINKING",
    "CyclesGrew",
    "Event",
    "Instruct",
    "Lead",
    "Leader",
    "Noticed",
    "Provisional",
    "Session",
    "wants",
]
