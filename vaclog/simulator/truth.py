"""The truth beside the bytes.

Enters: engine, trace, rig. Leaves: a :class:`Truth` that a benchmark judges answers by.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vaclog.simulator.crank import Trace
from vaclog.simulator.engine import Engine
from vaclog.simulator.rig import RigSpec
from vaclog.simulator.script import TrueSpan, TrueSweep

FloatArray = NDArray[np.float64]
CURVE_DEG = np.arange(-5.0, 56.0, 0.5)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Truth:
    """What truly was. Times are seconds from the start of the record.

    Attributes
    ----------
    peak_deg
        Advance of No. 1 at which the steady idle at this throttle has the highest vacuum:
        best torque of the operating point there, all events firing.
    peak_misfiring_deg
        The same with the mean effect of misfires that depend on advance: lower, when they set
        in below or near the top.
    peak_rig_deg
        The same on the rig's own angle scale: what a perfect analysis of these bytes with
        this rig card would answer.
    rig_offset_deg
        ``peak_rig_deg - peak_deg``: wrong mark, strobe error, undeclared pickup delay at idle.
    peak_kpa, peak_rpm
        Pressure and speed of that idle.
    barometer_kpa
        Ambient pressure.
    curve_deg, curve_kpa, curve_rpm
        float64 [g], steady idle over advance, NaN where the engine would not run.
    curvature_kpa_deg2, lopsided
        Of the pressure curve at its top, retard side: p = top + curvature * x**2; relative
        excess of the advanced side, both within ten degrees.
    efficiency_per_deg2
        Relative torque at the top's speed and pressure is 1 - this * x**2 (retard side).
    phases, sweeps, moves
        True spans; a staircase is one sweep and many moves.
    spark_s, spark_slot, spark_advance_deg
        [e], every ignition event: time, firing place (1 is No. 1), true advance.
    work_j, mean_work_j
        [e], work of the event, and without scatter or misfire.
    misfire_s, misfire_slot, misfire_cylinder, misfire_advance_deg
        [m], the events that did not fire.
    scatter
        Standard deviation of ``work_j / mean_work_j`` as specified.
    swept_low_deg, swept_high_deg
        Range of advance while the hand was on the body or held it still (all sparks of
        holds and sweeps).
    bracketed
        The top lies inside that range by at least two degrees on both sides.
    centrifugal
        The curve of the weights.
    """

    peak_deg: float
    peak_misfiring_deg: float
    peak_rig_deg: float
    rig_offset_deg: float
    peak_kpa: float
    peak_rpm: float
    barometer_kpa: float
    curve_deg: FloatArray
    curve_kpa: FloatArray
    curve_rpm: FloatArray
    curvature_kpa_deg2: float
    lopsided: float
    efficiency_per_deg2: float
    phases: tuple[TrueSpan, ...]
    sweeps: tuple[TrueSweep, ...]
    moves: tuple[TrueSweep, ...]
    spark_s: FloatArray
    spark_slot: NDArray[np.int64]
    spark_advance_deg: FloatArray
    work_j: FloatArray
    mean_work_j: FloatArray
    misfire_s: FloatArray
    misfire_slot: NDArray[np.int64]
    misfire_cylinder: NDArray[np.int64]
    misfire_advance_deg: FloatArray
    scatter: float
    swept_low_deg: float
    swept_high_deg: float
    bracketed: bool
    centrifugal: tuple[tuple[float, float], ...]

    def in_phases(self, *kinds: str) -> NDArray[np.bool_]:
        """Mark the ignition events that fall into phases of these kinds."""
        inside = np.zeros(len(self.spark_s), dtype=bool)
        for span in self.phases:
            if span.kind in kinds:
                inside |= (self.spark_s >= span.start_s) & (self.spark_s < span.end_s)
        return inside

    def information_bound_deg(self, *, drift: bool = True, free_lopsided: float = 0.17) -> float:
        """Smallest standard error with which these events tell the peak.

        Torque of an event is taken as seen directly, with white scatter; level, curvature,
        a linear drift (if asked) and lopsidedness (prior standard deviation
        ``free_lopsided``) are unknown. Fitted dynamics can only add to it.
        """
        use = self.in_phases("hold", "advancing", "retarding", "warming")
        x = self.spark_advance_deg[use] - self.peak_deg
        if len(x) < 10:
            return float("inf")
        k = self.efficiency_per_deg2
        t = self.spark_s[use] - self.spark_s[use].mean()
        late = np.maximum(x, 0.0)
        columns = [2 * k * x, np.ones(len(x)), -x * x, -k * late * late]
        if drift:
            columns.append(t / max(t.max(), 1.0))
        design = np.stack(columns, axis=1)
        information = design.T @ design / max(self.scatter, 1e-6) ** 2
        information[3, 3] += 1.0 / free_lopsided**2
        return float(np.sqrt(np.linalg.inv(information)[0, 0]))


def make_truth(engine: Engine, trace: Trace, rig: RigSpec) -> Truth:
    """Put the truth of a run together."""
    spec, top = engine.spec, engine.top
    # The engine's relations count from the body; No. 1 itself sparks at its own lobe.
    own_lobe_deg = spec.lobe_deg[0] if spec.lobe_deg else 0.0
    peak = top.advance_deg + engine.top_shift_deg + own_lobe_deg
    points = [engine.steady(float(a)) for a in CURVE_DEG]
    kpa = np.array([p.kpa if p else np.nan for p in points])
    rpm = np.array([p.rpm if p else np.nan for p in points])
    early, late = _bends(engine)
    kept = trace.event_s >= 0.0
    offset = _rig_offset_deg(engine, rig)
    misfired = kept & trace.event_misfired
    slots = trace.event_slot[misfired]
    order = np.array(spec.firing_order or range(1, spec.cylinders + 1))
    low, high = _swept(trace)
    return Truth(
        peak_deg=peak,
        peak_misfiring_deg=_peak_misfiring(engine) + engine.top_shift_deg + own_lobe_deg,
        peak_rig_deg=peak + offset,
        rig_offset_deg=offset,
        peak_kpa=top.kpa + engine.top_shift_kpa,
        peak_rpm=top.rpm,
        barometer_kpa=spec.barometer_kpa,
        curve_deg=CURVE_DEG + own_lobe_deg,
        curve_kpa=kpa,
        curve_rpm=rpm,
        curvature_kpa_deg2=early,
        lopsided=late / early - 1.0,
        efficiency_per_deg2=_efficiency_bend(engine),
        phases=tuple(trace.log.spans),
        sweeps=tuple(trace.log.sweeps),
        moves=tuple(trace.log.moves),
        spark_s=trace.event_s[kept],
        spark_slot=trace.event_slot[kept],
        spark_advance_deg=trace.event_advance_deg[kept],
        work_j=trace.event_work_j[kept],
        mean_work_j=trace.event_mean_work_j[kept],
        misfire_s=trace.event_s[misfired],
        misfire_slot=slots,
        misfire_cylinder=order[slots - 1],
        misfire_advance_deg=trace.event_advance_deg[misfired],
        scatter=spec.scatter,
        swept_low_deg=low,
        swept_high_deg=high,
        bracketed=low <= peak - 2.0 and high >= peak + 2.0,
        centrifugal=spec.centrifugal,
    )


def _bends(engine: Engine) -> tuple[float, float]:
    """Curvature of the steady pressure on the retard and the advanced side, kPa/deg2."""
    top = engine.top
    sides = []
    for way in (-1.0, 1.0):
        x = np.linspace(1.0, 10.0, 10)
        points = [engine.steady(top.advance_deg + way * float(v)) for v in x]
        rise = np.array([p.kpa - top.kpa if p else np.nan for p in points])
        good = np.isfinite(rise)
        sides.append(float((rise[good] * x[good] ** 2).sum() / (x[good] ** 4).sum()))
    return sides[0], sides[1]


def _peak_misfiring(engine: Engine) -> float:
    """Best advance of the mean torque with misfires, at the top's speed and pressure."""
    top, spec = engine.top, engine.spec
    if spec.misfire.onset_deg is None:
        return top.advance_deg
    grid = top.advance_deg + np.arange(-15.0, 5.0, 0.05)
    torque = []
    for a in grid.tolist():
        torque.append(
            sum(
                weight
                * engine.hill(a + lobe, top.rpm, top.kpa)
                * (1.0 - spec.misfire.probability(a + lobe, slot))
                for slot, (weight, lobe) in enumerate(engine.own, start=1)
            )
        )
    return float(grid[int(np.argmax(torque))])


def _efficiency_bend(engine: Engine) -> float:
    """Curvature of relative efficiency on the retard side, speed and pressure held."""
    top = engine.top
    best = engine.hill(top.advance_deg, top.rpm, top.kpa)
    x = np.linspace(1.0, 10.0, 10)
    loss = [1.0 - engine.hill(top.advance_deg - v, top.rpm, top.kpa) / best for v in x.tolist()]
    return float((np.array(loss) * x**2).sum() / (x**4).sum())


def _rig_offset_deg(engine: Engine, rig: RigSpec) -> float:
    delay_deg = (rig.delay_us - rig.declared_delay_us) * 6e-6 * engine.top.rpm
    if rig.mark:
        declared = rig.mark_deg if rig.declared_mark_deg is None else rig.declared_mark_deg
        return declared - rig.mark_deg - delay_deg
    if rig.body is not None:
        return rig.body.strobe_error_deg
    return 0.0


def _swept(trace: Trace) -> tuple[float, float]:
    """Range of advance in holds and sweeps, without the noise of single sparks."""
    deg: list[float] = []
    for span in trace.log.spans:
        if span.kind in ("hold", "advancing", "retarding", "warming"):
            inside = (trace.event_s >= span.start_s) & (trace.event_s < span.end_s)
            if inside.sum() > 20:
                smooth = np.convolve(trace.event_advance_deg[inside], np.full(9, 1 / 9), "valid")
                deg += [float(smooth.min()), float(smooth.max())]
    return (min(deg), max(deg)) if deg else (float("nan"), float("nan"))
