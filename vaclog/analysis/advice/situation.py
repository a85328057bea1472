"""What the advice rests on, and what was judged from it.

Enters: findings, cards, the engine at the last hold. Leaves: the two records that the advice and
its sentences share.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from vaclog.analysis.advice.angle_scale import AngleScale
from vaclog.analysis.advice.hill_side import SidePoint
from vaclog.analysis.advice.limits import AddedAtSpeed, Limit
from vaclog.analysis.findings import CurveFinding, MisfireFinding, SweepFit
from vaclog.cards import EngineCard, RigCard
from vaclog.result import Idle
from vaclog.units import to_kpa

# Half an inch of mercury below the top, at most one (common practice of the trade).
DROP_KPA: Final = to_kpa(0.5, "inHg")
LARGEST_DROP_KPA: Final = to_kpa(1.0, "inHg")
# The manifold of a naturally aspirated engine never rises above the air outside by more than
# pulsation and the sensor's error.
_BOOST_KPA: Final = 8.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Situation:
    """Everything the advice rests on.

    Attributes
    ----------
    fit, misfire, curve
        Findings; ``curve`` None: no rev-up was seen.
    engine, rig
        The cards.
    scale
        How well an angle on the rig's scale is known; carries the source of the advance.
    idle
        The engine at the last hold.
    home_deg
        Advance at the first hold (the scribed baseline), None if unknown.
    barometer_kpa
        Air outside, None if unknown.
    drop_kpa
        How far below the top the hill's own proposal lies; 0.5 inHg, at most 1.0.
    ahead_deg
        How far the earliest cylinder sparks ahead of No. 1 (from the coil lead), else 0.
    u_ahead_deg
        Its standard uncertainty.
    highest_kpa
        Highest mean pressure of a cycle in the capture, None if unknown.
    """

    fit: SweepFit
    misfire: MisfireFinding
    curve: CurveFinding | None = None
    engine: EngineCard = field(default_factory=EngineCard)
    rig: RigCard = field(default_factory=RigCard)
    scale: AngleScale
    idle: Idle = field(default_factory=Idle)
    home_deg: float | None = None
    barometer_kpa: float | None = None
    drop_kpa: float = DROP_KPA
    ahead_deg: float = 0.0
    u_ahead_deg: float = 0.0
    highest_kpa: float | None = None

    @property
    def boosted(self) -> bool:
        """Pressure above that of the air outside: not an engine for this tool."""
        if self.barometer_kpa is None or self.highest_kpa is None:
            return False
        return self.highest_kpa > self.barometer_kpa + _BOOST_KPA


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """The candidates for the set point, before a decision.

    Attributes
    ----------
    hill
        The hill's own proposal.
    limits
        Every limit that could be judged.
    added
        What the centrifugal curve adds above idle, None: unknown.
    at_idle_deg
        What it already adds at idle.
    u_deg
        Standard uncertainty with which limits were judged.
    remarks
        What was noticed on the way.
    """

    hill: SidePoint | None
    limits: tuple[Limit, ...]
    added: AddedAtSpeed | None
    at_idle_deg: float
    u_deg: float | None
    remarks: tuple[str, ...]

    def limit(self, name: str) -> Limit | None:
        """The limit of this name, if it was judged."""
        return next((each for each in self.limits if each.name == name), None)
