"""The records that pass between the parts of the analysis.

Enters: nothing. Leaves: frozen records. Cycle indices are rows of the
:class:`~vaclog.signals.tables.CycleTable`; ranges are half-open.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from vaclog.result import Direction, PhaseKind
from vaclog.signals.tables import FloatArray, IntArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Phase:
    """A half-open interval of time in which one thing went on."""

    kind: PhaseKind
    start_us: int
    end_us: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """One pass of the hand, edges where it starts and stops."""

    start_us: int
    end_us: int
    direction: Direction


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SweepFit:
    """The hill fit.

    Attributes
    ----------
    found
        The interval lies inside the swept range and the hill beats no hill.
    why_not
        A plain phrase when not found: the top lies beyond the range (which side), the hill
        is too flat, the data too short, no advance known.
    side
        Where the top lies relative to the swept range when not found: +1 more advance,
        -1 less advance, 0 unknown.
    angle_deg, u_deg, low_deg, high_deg
        Peak and its 95 % interval (numbers also when the top was merely not bracketed and
        the posterior is proper; NaN when nothing is known).
    flat_prior_deg
        The peak that a flat prior on lopsidedness would give; NaN if unknown.
    swept_low_deg, swept_high_deg
        Range of advance the engine really saw (of the cycles used).
    evidence
        Log-likelihood gained by the hill over no hill.
    cycles
        Number of cycles used.
    curve_deg, curve_kpa, low_kpa, high_kpa
        float64 [g], steady manifold pressure over advance as the fit sees it, with a 95 %
        band, on a grid that covers the swept range and the set point.
    noise_kpa
        Cycle-to-cycle scatter of pressure left by the fit.
    residual_white_p
        p-value of a Ljung-Box test on the innovations.
    limits
        What limited the answer, most important first, as plain phrases.
    """

    found: bool
    why_not: str | None
    side: int
    angle_deg: float
    u_deg: float
    low_deg: float
    high_deg: float
    flat_prior_deg: float
    swept_low_deg: float
    swept_high_deg: float
    evidence: float
    cycles: int
    curve_deg: FloatArray
    curve_kpa: FloatArray
    low_kpa: FloatArray
    high_kpa: FloatArray
    noise_kpa: float
    residual_white_p: float
    limits: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MisfireFinding:
    """Misfires as found per cycle.

    Attributes
    ----------
    cycles
        int64 [k], rows judged to be misfires.
    judged
        How many cycles could be judged.
    per_thousand, low_per_thousand, high_per_thousand
        Rate with its 95 % interval; NaN when nothing could be judged.
    false_alarms_per_thousand
        What the threshold was set for.
    onset_deg, u_onset_deg
        Advance where misfiring begins; NaN if none.
    slot
        Firing place 1…N after No. 1 that it always is, 0 if random, -1 if unknown.
    singles
        True when single events were reported, False when only the rate could be told.
    """

    cycles: IntArray
    judged: int
    per_thousand: float
    low_per_thousand: float
    high_per_thousand: float
    false_alarms_per_thousand: float
    onset_deg: float
    u_onset_deg: float
    slot: int
    singles: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CurveFinding:
    """The centrifugal curve from a rev-up: advance added over rpm, with its band.

    Attributes
    ----------
    rpm, added_deg, u_added_deg
        float64 [m], crank degrees above the value at idle; rising rpm.
    max_rpm
        Highest speed seen.
    idle_rpm
        Where it is zero.
    start_rpm, all_in_rpm, most_deg, slope_deg_per_1000rpm
        Where it begins and ends to rise, what it adds in all, and its mean slope, each with
        its ``u``; NaN where the rev-ups do not show it.
    moving_at_idle
        It rises already at idle speed.
    friction_deg
        Half the distance between the way up and the way down that no lag explains: weights
        that stick. Below zero: more advance on the way up, which no friction makes.
    lag_s
        How late the weights follow.
    delay_us
        Pickup delay beyond the rig card's, as far as the level part of the curve tells.
    stays_out_deg
        Advance of the idle after the rev-ups less that before; NaN: not seen.
    noise_deg
        Scatter of a spark about the curve.
    sparks, rev_ups
        How many it rests on.
    hose
        What was seen of a vacuum advance (:mod:`vaclog.analysis.curve.hose`); empty: not looked.
    """

    rpm: FloatArray
    added_deg: FloatArray
    u_added_deg: FloatArray
    max_rpm: float
    idle_rpm: float = math.nan
    start_rpm: float = math.nan
    u_start_rpm: float = math.nan
    all_in_rpm: float = math.nan
    u_all_in_rpm: float = math.nan
    most_deg: float = math.nan
    u_most_deg: float = math.nan
    slope_deg_per_1000rpm: float = math.nan
    u_slope_deg_per_1000rpm: float = math.nan
    moving_at_idle: bool = False
    friction_deg: float = math.nan
    u_friction_deg: float = math.nan
    lag_s: float = math.nan
    u_lag_s: float = math.nan
    delay_us: float = math.nan
    u_delay_us: float = math.nan
    stays_out_deg: float = math.nan
    u_stays_out_deg: float = math.nan
    noise_deg: float = math.nan
    sparks: int = 0
    rev_ups: int = 0
    hose: str = ""
