"""What an engine is: geometry, breathing, friction, hill, faults, and its steady idle.

Enters: an :class:`EngineSpec`. Leaves: an :class:`Engine` with per-step tables for the
crank-resolved run, and the mean-value solution of the steady idle over advance.

Pressures are kPa in specs and Pa inside; angles are crank degrees.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.optimize import brentq

from vaclog.simulator.closed_cycle import (
    EVO_DEG,
    GAS_J_KG_K,
    HEAT_J_KG,
    INTAKE_K,
    IVC_DEG,
    SHAPE_START_DEG,
    FloatArray,
    torque_shapes,
    volume_ratio,
)
from vaclog.simulator.drive import CanisterSpec, DriveSpec
from vaclog.simulator.faults import FaultSpec
from vaclog.simulator.hill import Hill, HillSpec

GAMMA_AIR = 1.4
CHOKED_RATIO: float = (2 / (GAMMA_AIR + 1)) ** (GAMMA_AIR / (GAMMA_AIR - 1))  # 0.528
CHOKED_FLOW: float = GAMMA_AIR**0.5 * (2 / (GAMMA_AIR + 1)) ** (
    (GAMMA_AIR + 1) / (2 * (GAMMA_AIR - 1))
)  # 0.6847
AMBIENT_K = 293.0
STEP_DEG = 6.0  # divides the firing interval of 1, 2, 3, 4, 5, 6, 8, 10 and 12 cylinders
POLYTROPIC = 1.32  # compression and expansion without fire


def throttle_flow(pressure_ratio: float) -> float:
    """Dimensionless mass flow through an orifice, choked below a ratio of 0.528.

    Flow is area * p0 / sqrt(R T0) times this (J. B. Heywood, Internal Combustion Engine
    Fundamentals, app. C, from memory; isentropic flow of a perfect gas, gamma 1.4).
    """
    if pressure_ratio <= CHOKED_RATIO:
        return CHOKED_FLOW
    if pressure_ratio >= 1.0:
        return 0.0
    root = pressure_ratio ** (1 / GAMMA_AIR)
    inner = 2 * GAMMA_AIR / (GAMMA_AIR - 1) * (1 - pressure_ratio / root)
    return float(root * inner**0.5)


def friction_bar(rpm: float) -> float:
    """Friction mean effective pressure: 0.97 + 0.15 n + 0.05 n**2 bar, n in 1000 rpm.

    Heywood, ch. 13, from memory; without the pumping of the intake, which is modelled.
    """
    n = rpm / 1000.0
    return 0.97 + 0.15 * n + 0.05 * n * n


@dataclass(frozen=True, slots=True, kw_only=True)
class MisfireSpec:
    """When an event does not fire.

    Attributes
    ----------
    base
        Probability per event at any advance.
    onset_deg, per_deg, most
        Beyond the onset the probability grows by ``per_deg`` for each degree, up to
        ``most``.
    slot
        None: any cylinder. Otherwise the firing place (1 is No. 1 itself) that alone
        misfires.
    """

    base: float = 0.0
    onset_deg: float | None = None
    per_deg: float = 0.02
    most: float = 0.5
    slot: int | None = None

    def probability(self, advance_deg: float, slot: int) -> float:
        """Probability that this event does not fire."""
        if self.slot is not None and slot != self.slot:
            return 0.0
        p = self.base
        if self.onset_deg is not None and advance_deg > self.onset_deg:
            p += self.per_deg * (advance_deg - self.onset_deg)
        return min(p, self.most) if p > self.base else p


@dataclass(frozen=True, slots=True, kw_only=True)
class EngineSpec:
    """An engine at idle.

    Attributes
    ----------
    cylinders, firing_order, displacement_l, compression
        Geometry. ``firing_order`` None: 1 … N.
    manifold_l
        Volume behind the throttle.
    inertia_kg_m2
        Crank, flywheel and clutch.
    piston_kg, stroke_mm
        Reciprocating mass of one cylinder and stroke: its inertia torque.
    breathing
        Volumetric efficiency of the intake alone, without the residual gas's part.
    barometer_kpa
        Ambient pressure.
    idle_rpm, idle_kpa, idle_deg
        Where the steady idle stands at ``idle_deg`` of advance; throttle and friction are
        chosen so.
    efficiency
        Indicated efficiency at the top of the hill.
    hill
        The hill.
    scatter
        Relative standard deviation of the work of an event (4–14 %).
    scatter_skew
        0: normal. Above: weak cycles are further out than strong ones.
    scatter_memory
        Correlation of an event with the one before it in the same cylinder.
    imbalance
        Relative work of each cylinder in firing order, empty: all equal.
    lobe_deg
        Extra advance of each cylinder's spark in firing order, empty: none.
    spark_jitter_deg
        Standard deviation of the spark's angle per event.
    misfire
        When events do not fire.
    centrifugal
        (rpm, crank degrees added), straight between; empty: no weights.
    weights_s, weights_stick_deg
        Time constant with which the weights follow speed, and the angle by which dry friction
        holds them back on either way.
    canister
        Vacuum advance; None: none, or its hose is off.
    drive
        Wear of drive, shaft and bush.
    warm_s, cold_friction
        Friction is (1 + cold_friction * exp(-t / warm_s)) times the warm value, from the
        first firing on.
    friction_drift_per_min, throttle_drift_per_min
        Relative slow change of friction and of idle air per minute of run.
    hunt_depth, hunt_s
        Slow oscillation of mixture strength: relative depth in work, and its period.
    wander, wander_s
        Random slow wander of mixture strength: standard deviation and correlation time.
    fault
        Valves, springs, exhaust and the like.
    """

    cylinders: int = 4
    firing_order: tuple[int, ...] | None = (1, 3, 4, 2)
    displacement_l: float = 1.6
    compression: float = 9.0
    manifold_l: float = 1.2
    inertia_kg_m2: float = 0.20
    piston_kg: float = 0.55
    stroke_mm: float = 80.0
    breathing: float = 0.80
    barometer_kpa: float = 101.3
    idle_rpm: float = 850.0
    idle_kpa: float = 40.0
    idle_deg: float = 10.0
    efficiency: float = 0.25
    hill: HillSpec = field(default_factory=HillSpec)
    scatter: float = 0.06
    scatter_skew: float = 0.0
    scatter_memory: float = 0.0
    imbalance: tuple[float, ...] = ()
    lobe_deg: tuple[float, ...] = ()
    spark_jitter_deg: float = 0.2
    misfire: MisfireSpec = field(default_factory=MisfireSpec)
    centrifugal: tuple[tuple[float, float], ...] = ((1000.0, 0.0), (1500.0, 10.0), (3000.0, 22.0))
    weights_s: float = 0.15
    weights_stick_deg: float = 0.0
    canister: CanisterSpec | None = None
    drive: DriveSpec = field(default_factory=DriveSpec)
    warm_s: float = 60.0
    cold_friction: float = 0.0
    friction_drift_per_min: float = 0.0
    throttle_drift_per_min: float = 0.0
    hunt_depth: float = 0.0
    hunt_s: float = 6.0
    wander: float = 0.0
    wander_s: float = 8.0
    fault: FaultSpec = field(default_factory=FaultSpec)

    def centrifugal_deg(self, rpm: float) -> float:
        """What the weights add when they have settled at a speed."""
        if not self.centrifugal:
            return 0.0
        rpms, degs = zip(*self.centrifugal, strict=True)
        return float(np.interp(rpm, rpms, degs))

    def quiet(self) -> EngineSpec:
        """Make the same engine without chance, faults or drift."""
        return replace(
            self,
            scatter=0.0,
            spark_jitter_deg=0.0,
            misfire=MisfireSpec(),
            cold_friction=0.0,
            friction_drift_per_min=0.0,
            throttle_drift_per_min=0.0,
            hunt_depth=0.0,
            wander=0.0,
            fault=FaultSpec(),
            drive=DriveSpec(),
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StepTables:
    """Per crank step within one firing interval, summed over the cylinders.

    Attributes
    ----------
    per_pa, fixed
        float64 [s], torque of open inlets per pascal of manifold pressure (m3), and the part
        that ambient pressure has (N m).
    closed
        float64 [CLOSED_STEPS], of one cylinder and not folded: torque of the unfired charge
        per pascal at inlet closing, from ``CLOSE_STEP`` before its firing top on.
    per_omega2
        float64 [s], inertia torque of the pistons over the square of the speed (kg m2).
    draw, back
        float64 [s], volume drawn in (m3) and gas pushed back (Pa m3) in the step.
    """

    per_pa: FloatArray
    fixed: FloatArray
    closed: FloatArray
    per_omega2: FloatArray
    draw: FloatArray
    back: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Steady:
    """A steady operating point."""

    advance_deg: float
    rpm: float
    kpa: float


SEARCH_RPM: list[float] = np.geomspace(3500.0, 250.0, 14).tolist()
CLOSE_STEP = math.floor(IVC_DEG / STEP_DEG)  # the step in which the inlet closes, from top
CLOSED_STEPS = math.ceil(EVO_DEG / STEP_DEG) - CLOSE_STEP
INTAKE_STEPS = 36  # 216 degrees from top dead centre
BACK_STEPS = 6  # residual gas expands into the manifold in the first 36 degrees


class Engine:
    """An engine made ready to run.

    Parameters
    ----------
    spec
        What it is.

    Attributes
    ----------
    steps
        Crank steps per firing interval.
    tables
        Sums over the cylinders per step.
    own_draw, own_back
        float64 [INTAKE_STEPS], volume drawn and gas pushed back by one cylinder per step
        from its intake top dead centre.
    shapes
        Torque of combustion per joule, see :func:`torque_shapes`.
    throttle_m2
        Effective area of the idling throttle.
    friction_scale
        Factor on :func:`friction_bar` that makes the idle stand where the spec wants it.
    own
        (relative work, extra advance) of each cylinder in firing order.
    charge_gain, gas_shift_nm
        What pulsation does to the mean values, see :meth:`correct`.
    top_shift_deg, top_shift_kpa
        How far the crank-resolved top lies from the mean-value one.
    top
        The steady idle with the highest vacuum; its advance is that of No. 1.
    hill
        The hill around that point.
    """

    def __init__(self, spec: EngineSpec) -> None:
        self.spec = spec
        interval = 720.0 / spec.cylinders
        self.steps = round(interval / STEP_DEG)
        if abs(self.steps * STEP_DEG - interval) > 1e-9:
            raise ValueError(f"{spec.cylinders} cylinders do not fire on whole {STEP_DEG}° steps")
        self.cylinder_m3 = spec.displacement_l * 1e-3 / spec.cylinders
        self.ambient_pa = spec.barometer_kpa * 1e3
        self.own_draw, self.own_back = self._intake()
        self.tables = self._tables()
        # Sums that the mean-value relations ask for thousands of times.
        self._draw_m3, self._back_pa_m3 = float(self.own_draw.sum()), float(self.own_back.sum())
        self._gas_per_pa = float(self.tables.per_pa.mean() + self.tables.closed.sum() / self.steps)
        self._gas_fixed_nm = float(self.tables.fixed.mean())
        self.flow_per_m2 = self.ambient_pa / (GAS_J_KG_K * AMBIENT_K) ** 0.5
        self.own = tuple(
            zip(
                spec.imbalance or (1.0,) * spec.cylinders,
                spec.lobe_deg or (0.0,) * spec.cylinders,
                strict=True,
            )
        )
        self.charge_gain, self.gas_shift_nm, self.friction_scale = 1.0, 0.0, 1.0
        self.top = Steady(advance_deg=spec.hill.peak_deg, rpm=spec.idle_rpm, kpa=spec.idle_kpa)
        self.hill = Hill(spec.hill, self.top.rpm, self.top.kpa)
        self.top_shift_deg, self.top_shift_kpa = 0.0, 0.0
        self._settle()
        self.shapes = torque_shapes(self.hill.burn, STEP_DEG)

    def correct(self, charge_gain: float, gas_shift_nm: float) -> None:
        """Take over what pulsation does to the mean values, and settle again.

        Parameters
        ----------
        charge_gain
            Charge of the crank-resolved engine over :meth:`charge_kg` at its mean pressure.
        gas_shift_nm
            Its mean gas torque less the mean-value one.
        """
        self.charge_gain *= charge_gain
        self.gas_shift_nm += gas_shift_nm
        self._settle()

    def _settle(self) -> None:
        """Choose throttle and friction for the idle that the spec wants; place the hill.

        The hill's place depends on the operating point at its top, and that on the hill's
        value at idle: a few rounds settle both.
        """
        spec = self.spec
        self.throttle_m2 = self._air_kg_s(spec.idle_rpm, spec.idle_kpa * 1e3) / (
            self.flow_per_m2 * throttle_flow(spec.idle_kpa / spec.barometer_kpa)
        )
        for _ in range(3):
            self.friction_scale *= self._friction_for_idle()
            self.top = self._find_top()
            if not spec.hill.moving:
                return
            self.hill = Hill(spec.hill, self.top.rpm, self.top.kpa)

    def _intake(self) -> tuple[FloatArray, FloatArray]:
        """Fresh charge of one cylinder: drawn ∝ p, less what residual gas keeps out.

        Fresh volume is (r - (p0/p)**(1/g)) / (r - 1) of the displaced one (Heywood, ch. 6,
        ideal intake, from memory), here made linear in p with g = 1.
        """
        r = self.spec.compression
        edges = np.arange(INTAKE_STEPS + 1) * STEP_DEG
        piston = volume_ratio(np.minimum(edges, 180.0), r)
        late = np.clip((edges - 150.0) / 66.0, 0.0, 1.0)
        done = 0.9 * (piston - piston[0]) + 0.1 * late  # the last tenth flows in by inertia
        total = self.spec.breathing * self.cylinder_m3 * r / (r - 1.0)
        draw = total * np.diff(done)
        back = np.zeros(INTAKE_STEPS)
        hump = np.sin(np.pi * (np.arange(BACK_STEPS) + 0.5) / BACK_STEPS)
        back[:BACK_STEPS] = hump / hump.sum()
        keep_out = self.spec.breathing * self.cylinder_m3 * self.ambient_pa / (r - 1.0)
        return draw, back * keep_out * 0.7  # 0.7: the exponent and cooling on the way

    def _tables(self) -> StepTables:
        """Torques and flows of all cylinders, folded into one firing interval."""
        turn = np.arange(round(720.0 / STEP_DEG))
        fine = 8
        edge_deg = np.arange(-360.0, 360.0 + 1e-9, STEP_DEG / fine)  # from firing top
        mid = 0.5 * (edge_deg[1:] + edge_deg[:-1])
        vol = volume_ratio(edge_deg, self.spec.compression) * self.cylinder_m3
        ratio = volume_ratio(np.array([IVC_DEG]), self.spec.compression)[0] * self.cylinder_m3
        open_in = mid < IVC_DEG  # intake and the late closing: manifold pressure
        shut = (mid >= IVC_DEG) & (mid < EVO_DEG)
        spring = np.where(shut, (ratio / (0.5 * (vol[1:] + vol[:-1]))) ** POLYTROPIC, 0.0)
        fixed = np.where(mid >= EVO_DEG, 1.0, 0.0) - 1.0  # exhaust, less the crankcase
        dv = np.diff(vol)
        step_rad = np.radians(STEP_DEG)
        gas = (open_in * dv).reshape(-1, fine).sum(axis=1) / step_rad
        closed = (spring * dv).reshape(-1, fine).sum(axis=1) / step_rad
        amb = (fixed * dv).reshape(-1, fine).sum(axis=1) / step_rad * self.ambient_pa
        radius = self.spec.stroke_mm * 5e-4
        theta = np.radians(mid)
        # Primary and secondary inertia torque of a piston (Heywood or any text on dynamics).
        lam = 1 / 3.5
        shake = (
            0.25 * lam * np.sin(theta) - 0.5 * np.sin(2 * theta) - 0.75 * lam * np.sin(3 * theta)
        )
        inertia = (self.spec.piston_kg * radius**2 * shake).reshape(-1, fine).mean(axis=1)
        draw, back = np.zeros(len(turn)), np.zeros(len(turn))
        draw[:INTAKE_STEPS], back[:INTAKE_STEPS] = self.own_draw, self.own_back

        def fold(x: FloatArray) -> FloatArray:
            # Row 0 of a cylinder is its intake top, a whole number of intervals (for an even
            # spread of firings) from firing top: shift to firing top, then add all up.
            shifted = np.roll(x, -round(360.0 / STEP_DEG))
            return np.asarray(shifted.reshape(self.spec.cylinders, self.steps).sum(axis=0))

        return StepTables(
            per_pa=fold(gas),
            fixed=fold(amb),
            per_omega2=fold(inertia),
            draw=fold(draw),
            back=fold(back),
            closed=closed[round(360.0 / STEP_DEG) + CLOSE_STEP :][:CLOSED_STEPS],
        )

    # Mean-value relations of the steady idle ------------------------------------------------

    def charge_kg(self, pa: float) -> float:
        """Fresh charge of one cylinder at a steady manifold pressure."""
        gas = pa * self._draw_m3 - self._back_pa_m3
        return self.charge_gain * max(gas, 0.0) / (GAS_J_KG_K * INTAKE_K)

    def _air_kg_s(self, rpm: float, pa: float) -> float:
        return self.charge_kg(pa) * self.spec.cylinders * rpm / 120.0

    def friction_nm(self, rpm: float) -> float:
        """Friction torque, warm."""
        volume = self.spec.displacement_l * 1e-3
        return self.friction_scale * friction_bar(rpm) * 1e5 * volume / (4 * np.pi)

    def friction_polynomial(self) -> tuple[float, float, float]:
        """Friction torque as c0 + c1 w + c2 w**2, w in rad/s."""
        per_bar = self.friction_scale * 1e5 * self.spec.displacement_l * 1e-3 / (4 * np.pi)
        n = 30.0 / np.pi / 1000.0
        return 0.97 * per_bar, 0.15 * per_bar * n, 0.05 * per_bar * n * n

    def indicated_nm(self, advance_deg: float, rpm: float, pa: float) -> float:
        """Mean torque of combustion with all events firing; advance is that of No. 1."""
        kpa = pa * 1e-3
        eta = sum(w * self.hill(advance_deg + lobe, rpm, kpa) for w, lobe in self.own)
        return self.charge_kg(pa) * HEAT_J_KG * self.spec.efficiency * eta / (4 * np.pi)

    def gas_nm(self, pa: float) -> float:
        """Mean torque of the gas without fire: pumping, and what the valves cost."""
        return self._gas_per_pa * pa + self._gas_fixed_nm + self.gas_shift_nm

    def _friction_for_idle(self) -> float:
        spec = self.spec
        pa = spec.idle_kpa * 1e3
        have = self.indicated_nm(spec.idle_deg, spec.idle_rpm, pa) + self.gas_nm(pa)
        return have / self.friction_nm(spec.idle_rpm)

    def pressure_at(self, rpm: float) -> float:
        """Steady manifold pressure (Pa) of the idling throttle at a speed."""

        def surplus(pa: float) -> float:
            flow = self.throttle_m2 * self.flow_per_m2 * throttle_flow(pa / self.ambient_pa)
            return float(flow - self._air_kg_s(rpm, pa))

        return float(brentq(surplus, 1e3, self.ambient_pa, xtol=1e-3))

    def steady(self, advance_deg: float) -> Steady | None:
        """Steady idle at an advance; None where the engine would not keep running."""

        def surplus(rpm: float) -> float:
            pa = self.pressure_at(rpm)
            return self.indicated_nm(advance_deg, rpm, pa) + self.gas_nm(pa) - self.friction_nm(rpm)

        above = SEARCH_RPM[0]
        for rpm in SEARCH_RPM[1:]:
            if surplus(rpm) > 0:
                root = float(brentq(surplus, rpm, above, xtol=1e-4))
                return Steady(advance_deg=advance_deg, rpm=root, kpa=self.pressure_at(root) * 1e-3)
            above = rpm
        return None

    def _find_top(self) -> Steady:
        """The steady idle whose vacuum is highest, by a grid and a parabola at its top."""
        lobes = [lobe for _, lobe in self.own]
        center = self.spec.hill.peak_deg - sum(lobes) / len(lobes)
        for width, n in ((12.0, 13), (1.0, 5), (0.1, 5)):
            grid = np.linspace(center - width, center + width, n)
            points = [self.steady(float(a)) for a in grid]
            kpa = np.array([p.kpa if p else np.inf for p in points])
            i = int(np.clip(np.argmin(kpa), 1, n - 2))
            low, mid, high = kpa[i - 1 : i + 2]
            step = grid[1] - grid[0]
            center = float(grid[i] + 0.5 * step * (low - high) / (low - 2 * mid + high))
        top = self.steady(center)
        if top is None:
            raise ValueError("this engine does not idle at its best advance")
        return top


SHAPE_OFFSET_STEPS = round(SHAPE_START_DEG / STEP_DEG)
