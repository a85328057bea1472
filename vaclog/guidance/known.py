"""What is known so far: the same findings as the final answer's, from the cycles until now.

Enters: the cycle table so far, the coarse background, the cards. Leaves: a :class:`Known`.

Everything here is the analysis room's own; nothing is judged twice. It costs a tenth of a second,
so the guide asks for it every few seconds of engine, counted in cycles. The threshold of a
misfire alone is a fixed one while the hand is led: the one that is learnt from the capture takes
half a second, and is asked for when the setting is decided.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vaclog.analysis.advice.advise import advise, judge
from vaclog.analysis.advice.angle_scale import angle_scale
from vaclog.analysis.advice.situation import Judged, Situation
from vaclog.analysis.centrifugal import find_curve
from vaclog.analysis.conclude import advance_source
from vaclog.analysis.findings import MisfireFinding, Phase, Sweep, SweepFit
from vaclog.analysis.hill.fit import fit_hill
from vaclog.analysis.misfire.find import clopper_pearson, find_misfires, onset_deg
from vaclog.analysis.misfire.stumble import peel, score
from vaclog.analysis.phases.find import find_phases
from vaclog.analysis.phases.usable import idle_cycles, idle_state, usable_cycles
from vaclog.cards import EngineCard, RigCard
from vaclog.result import AdvanceSource, Advice, PhaseKind
from vaclog.signals.tables import Background, CycleTable

# Of a score in standard deviations of ordinary scatter: once in some hours by chance; engines
# with a long tail of weak strokes pass it more often, so a stop asks for a change of rate.
QUICK_THRESHOLD = 5.0

# Standard uncertainty of the top by what no family of hills holds and by a best advance that
# moves with load: over minutes of sweep the fit's own interval becomes narrower than that. On
# simulated engines of many kinds the narrowest third of the fits held the truth 85 times in 100
# without it (tests/bench/hands_bench.py; two-way sweeps of three minutes).
MODEL_U_DEG: Final = 0.3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Known:
    """Findings from the cycles so far.

    Attributes
    ----------
    cycles
        How many cycles they rest on.
    phase
        What goes on now.
    phases, sweeps, use
        See :mod:`vaclog.analysis.phases.find` and :mod:`vaclog.analysis.phases.usable`.
    fit, misfire, judged, advice
        See :mod:`vaclog.analysis`.
    source
        Where most advances come from.
    """

    cycles: int
    phase: PhaseKind
    phases: Sequence[Phase]
    sweeps: Sequence[Sweep]
    use: NDArray[np.bool_]
    fit: SweepFit
    misfire: MisfireFinding
    judged: Judged
    advice: Advice
    source: AdvanceSource

    @property
    def fit_half_deg(self) -> float | None:
        """Half width of the fit's own 95 % interval; None while it is open."""
        if not (math.isfinite(self.fit.low_deg) and math.isfinite(self.fit.high_deg)):
            return None
        return 0.5 * (self.fit.high_deg - self.fit.low_deg)

    @property
    def interval_deg(self) -> float | None:
        """Half width that is spoken of and judged by: the fit's, and what no fit knows of."""
        half = self.fit_half_deg
        return None if half is None else with_model_deg(half)

    @property
    def top_low_deg(self) -> float:
        """Lower end of that interval; each side is widened by itself."""
        return self.fit.angle_deg - with_model_deg(self.fit.angle_deg - self.fit.low_deg)

    @property
    def top_high_deg(self) -> float:
        """Upper end of that interval."""
        return self.fit.angle_deg + with_model_deg(self.fit.high_deg - self.fit.angle_deg)


def with_model_deg(half_deg: float) -> float:
    """A 95 % half width with the model's own uncertainty added in quadrature."""
    return math.hypot(half_deg, 1.96 * MODEL_U_DEG)


def without_model_deg(half_deg: float) -> float:
    """What the fit's half width must come to, so that the whole comes to this; 0: it cannot."""
    return math.sqrt(max(half_deg**2 - (1.96 * MODEL_U_DEG) ** 2, 0.0))


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
    now_us = int(cycles.end_us[-1])
    phases, sweeps = find_phases(cycles, background, engine, now_us)
    use = usable_cycles(cycles, phases, sweeps, engine)
    fit = fit_hill(cycles, use)
    idling = idle_cycles(cycles, phases)
    misfires = find_misfires if thorough else quick_misfires
    misfire = misfires(cycles, idling, engine)
    source = advance_source(cycles)
    idle, _, _ = idle_state(cycles, phases)
    swept = cycles.rpm[use]
    scale = angle_scale(
        engine=engine,
        rig=rig,
        source=source,
        rpm=idle.rpm,
        at_deg=fit.angle_deg if fit.found else idle.angle_deg,
        swept_rpm=(float(swept.min()), float(swept.max())) if len(swept) else None,
    )
    situation = Situation(
        fit=fit,
        misfire=misfire,
        curve=find_curve(cycles, phases, engine),
        engine=engine,
        rig=rig,
        scale=scale,
        idle=idle,
        home_deg=home_deg,
        barometer_kpa=barometer_kpa,
    )
    return Known(
        cycles=len(cycles),
        phase=phases[-1].kind,
        phases=phases,
        sweeps=sweeps,
        use=use,
        fit=fit,
        misfire=misfire,
        judged=judge(situation),
        advice=advise(situation),
        source=source,
    )


def quick_misfires(
    cycles: CycleTable, use: NDArray[np.bool_], engine: EngineCard
) -> MisfireFinding:
    """Misfires by a fixed threshold on the score."""
    nan = math.nan
    scores = score(cycles, use, engine.cylinders)
    known = np.zeros(0, dtype=bool) if scores is None else np.isfinite(scores.z[:, 0])
    judged = int(known.sum())
    if scores is None or judged == 0:
        return MisfireFinding(
            cycles=np.zeros(0, dtype=np.int64),
            judged=0,
            per_thousand=nan,
            low_per_thousand=nan,
            high_per_thousand=nan,
            false_alarms_per_thousand=nan,
            onset_deg=nan,
            u_onset_deg=nan,
            slot=-1,
            singles=True,
        )
    events, _ = peel(scores, QUICK_THRESHOLD)
    rows = np.unique(np.array([row for row, _, _ in events], dtype=np.int64))
    low, high = clopper_pearson(len(rows), judged)
    onset, u_onset = onset_deg(cycles.advance_deg[known], np.isin(np.flatnonzero(known), rows))
    return MisfireFinding(
        cycles=rows,
        judged=judged,
        per_thousand=1e3 * len(rows) / judged,
        low_per_thousand=1e3 * low,
        high_per_thousand=1e3 * high,
        false_alarms_per_thousand=nan,
        onset_deg=onset,
        u_onset_deg=u_onset,
        slot=-1,
        singles=True,
    )
