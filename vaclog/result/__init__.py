"""The result: what the analysis concluded, free of any rendering.

Enters: what the analysis found. Leaves: frozen records (:mod:`~vaclog.result.records`), the
whole of them (:mod:`~vaclog.result.whole`), its JSON document (:mod:`~vaclog.result.document`,
described by ``schema.json``), and :func:`faults`, which says where a result contradicts its own
rules.
"""

from vaclog.result.checks import Checks, FollowsVacuum
from vaclog.result.curve import CurveSeen, CurveSpot, SpotKind
from vaclog.result.document import from_json, to_json
from vaclog.result.faults import faults
from vaclog.result.records import (
    AdvanceSource,
    Advice,
    Beyond,
    Direction,
    HillPicture,
    Idle,
    Misfire,
    Peak,
    PhaseKind,
    PhaseSpan,
    SourceInfo,
    SweepSpan,
    TurnWay,
)
from vaclog.result.road import HeardRun, Hearing, LoadRun, PinkingMark, RoadTest
from vaclog.result.scatter import SlotSeen, SparkScatter
from vaclog.result.signs import Basis, Candidate, Looked, Sign, SignKey
from vaclog.result.whole import SCHEMA, Result

__all__ = [
    "SCHEMA",
    "AdvanceSource",
    "Advice",
    "Basis",
    "Beyond",
    "Candidate",
    "Checks",
    "CurveSeen",
    "CurveSpot",
    "Direction",
    "FollowsVacuum",
    "HeardRun",
    "Hearing",
    "HillPicture",
    "Idle",
    "LoadRun",
    "Looked",
    "Misfire",
    "Peak",
    "PhaseKind",
    "PhaseSpan",
    "PinkingMark",
    "Result",
    "RoadTest",
    "Sign",
    "SignKey",
    "SlotSeen",
    "SourceInfo",
    "SparkScatter",
    "SpotKind",
    "SweepSpan",
    "TurnWay",
    "faults",
    "from_json",
    "to_json",
]
