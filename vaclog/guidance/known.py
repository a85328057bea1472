"""What is known so far: the same findings as the final answer's, from the cycles until now.

Enters: the cycle table so far, the coarse background, the cards. Leaves: a :class:`Known`.

Everything here is the analysis room's own; nothing is judged twice. It costs a tenth of a second,
so the guide asks for it every few seconds of engine, counted in cycles. The threshold of a
misfire alone is a fixed one while the hand is led: the one that is learnt from the capture takes
half a second, and is asked for when the setting is decided.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from vaclog.analysis.findings import SweepFit
from vaclog.analysis.misfire.find import find_misfires, find_plain_misfires
from vaclog.analysis.study import Study, study
from vaclog.cards import EngineCard, RigCard
from vaclog.result import PhaseKind
from vaclog.signals.tables import Background, CycleTable


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Known:
    """Findings from the cycles so far.

    Attributes
    ----------
    cycles
        How many cycles they rest on.
    study
        What they tell.
    """

    cycles: int
    study: Study

    @property
    def phase(self) -> PhaseKind:
        """What goes on now."""
        return self.study.phases[-1].kind

    @property
    def fit(self) -> SweepFit:
        """The hill."""
        return self.study.fit

    @property
    def interval_deg(self) -> float | None:
        """Half width of the 95 % interval; None while it is open."""
        if not (math.isfinite(self.study.fit.low_deg) and math.isfinite(self.study.fit.high_deg)):
            return None
        return 0.5 * (self.study.fit.high_deg - self.study.fit.low_deg)

    @property
    def top_low_deg(self) -> float:
        """Lower end of that interval."""
        return self.study.fit.low_deg

    @property
    def top_high_deg(self) -> float:
        """Upper end of that interval."""
        return self.study.fit.high_deg


def learn(
    cycles: CycleTable,
    background: Background,
    engine: EngineCard,
    rig: RigCard,
    *,
    home_deg: float | None,
    barometer_kpa: float | None = None,
    thorough: bool = False,
) -> Known:
    """Find out what the cycles so far tell.

    Parameters
    ----------
    cycles
        At least one cycle.
    home_deg
        The scribed baseline.
    thorough
        Judge misfires as the final answer does.
    """
    seen = study(
        cycles,
        background,
        engine,
        rig,
        end_us=int(cycles.end_us[-1]),
        barometer_kpa=barometer_kpa,
        home_deg=home_deg,
        misfires=find_misfires if thorough else find_plain_misfires,
    )
    return Known(cycles=len(cycles), study=seen)
