"""The crank-resolved run: steps of six degrees, event by event.

Enters: an :class:`~vaclog.simulator.engine.Engine`, a script and a random generator. Leaves:
a :class:`Trace` of crank angle and manifold pressure over time, and one row per ignition event.

Speed changes within a step by the work of the mean torque in it; the manifold fills through
the throttle and is emptied stroke by stroke; a spark releases work over the following steps
in the shape of the closed-cycle model.
"""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass, replace
from operator import mul

import numpy as np
from numpy.typing import NDArray

from vaclog.simulator.closed_cycle import ADVANCE_GRID_DEG, GAS_J_KG_K, HEAT_J_KG, INTAKE_K
from vaclog.simulator.drive import Stray, Weights
from vaclog.simulator.engine import (
    CLOSE_STEP,
    INTAKE_STEPS,
    SHAPE_OFFSET_STEPS,
    STEP_DEG,
    Engine,
    EngineSpec,
    throttle_flow,
)
from vaclog.simulator.faults import Faults
from vaclog.simulator.script import CONTROL_S, Command, Hand, Hold, Log, Script, Seen, perform

FloatArray = NDArray[np.float64]
RING = 256  # steps; longer than any combustion
REST_S = 0.005  # time step while nothing turns
REST_RAD_S = 9.0  # slower than this the next compression stops the engine
STARTER_NM_PER_L = 75.0
STARTER_FREE_RAD_S = 34.0
WIDE_M2_PER_L = 4.5e-4  # effective area of an open throttle
VEHICLE_KG_M2 = 1.1  # car seen from the crank in a middle gear
ROAD_NM_PER_L = 9.0, 2.2e-4  # rolling; air, per omega squared


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trace:
    """What the engine did.

    Attributes
    ----------
    time_s, theta_deg, pressure_kpa
        float64 [t], rising time, crank angle from a firing top dead centre of No. 1 (never
        falling), and pressure in the manifold.
    hand_time_s, hand_deg
        float64 [h], where the hand held the body, every 20 ms.
    event_s, event_tdc_deg, event_slot, event_advance_deg
        [e], time of each spark, crank angle of its top dead centre, firing place (1 is
        No. 1), and true advance.
    event_work_j, event_mean_work_j, event_misfired, event_air_kg
        [e], work released, what it would be without scatter and misfire, whether it
        misfired, fresh charge.
    event_rpm, event_kpa
        [e], speed and pressure over the firing interval before.
    inflow_kg
        Mass that passed the throttle, in all.
    log
        Spans and sweeps as they truly were.
    """

    time_s: FloatArray
    theta_deg: FloatArray
    pressure_kpa: FloatArray
    hand_time_s: FloatArray
    hand_deg: FloatArray
    event_s: FloatArray
    event_tdc_deg: FloatArray
    event_slot: NDArray[np.int64]
    event_advance_deg: FloatArray
    event_work_j: FloatArray
    event_mean_work_j: FloatArray
    event_misfired: NDArray[np.bool_]
    event_air_kg: FloatArray
    event_rpm: FloatArray
    event_kpa: FloatArray
    inflow_kg: float
    log: Log


class _Dice:
    """Random numbers drawn in blocks, handed out one by one."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng
        self._normal: list[float] = []
        self._uniform: list[float] = []

    def normal(self) -> float:
        if not self._normal:
            self._normal = self.rng.standard_normal(4096).tolist()
        return self._normal.pop()

    def uniform(self) -> float:
        if not self._uniform:
            self._uniform = self.rng.random(1024).tolist()
        return self._uniform.pop()


class _Combustion:
    """Draws the work of each event."""

    def __init__(self, engine: Engine, spec: EngineSpec, dice: _Dice) -> None:
        n = spec.cylinders
        self.engine, self.spec, self.dice = engine, spec, dice
        self.own = list(spec.imbalance) or [1.0] * n
        self.last = [0.0] * n
        self.fresh = math.sqrt(max(1.0 - spec.scatter_memory**2, 0.0))
        self.mixture = 1.0

    def work(
        self, slot: int, advance: float, rpm: float, pa: float, air: float
    ) -> tuple[float, float, bool]:
        """Work with and without chance (J), and whether the event misfired."""
        spec = self.spec
        mean = air * HEAT_J_KG * spec.efficiency * self.engine.hill(advance, rpm, pa * 1e-3)
        mean *= self.own[slot] * self.mixture
        z = self.dice.normal()
        z = self.last[slot] = spec.scatter_memory * self.last[slot] + self.fresh * z
        if spec.scatter_skew > 0.0:
            # Log-normal with its tail on the weak side, mean 0 and standard deviation 1.
            b = spec.scatter_skew
            z = -(math.exp(b * z) - math.exp(b * b / 2)) / math.sqrt(
                (math.exp(b * b) - 1.0) * math.exp(b * b)
            )
        chance = spec.misfire.probability(advance, slot + 1)
        misfired = chance > 0.0 and self.dice.uniform() < chance
        work = 0.0 if misfired else mean * max(1.0 + spec.scatter * z, 0.0)
        return work, mean, misfired


class _Slow:
    """What drifts: warm-up, friction, air and mixture."""

    def __init__(self, spec: EngineSpec, dice: _Dice) -> None:
        self.spec, self.dice = spec, dice
        self.run_s = 0.0
        self.wander = 0.0
        self.friction = 1.0
        self.air = 1.0
        self.mixture = 1.0

    def step(self, dt: float, firing: bool) -> None:
        """Go on by ``dt``; warm-up counts only while the engine fires."""
        spec = self.spec
        if firing:
            self.run_s += dt
        minutes = self.run_s / 60.0
        self.friction = 1.0 + spec.cold_friction * math.exp(-self.run_s / spec.warm_s)
        self.friction += spec.friction_drift_per_min * minutes
        self.air = 1.0 + spec.throttle_drift_per_min * minutes
        self.mixture = 1.0 + spec.hunt_depth * math.sin(2 * math.pi * self.run_s / spec.hunt_s)
        if spec.wander > 0.0:
            keep = math.exp(-dt / spec.wander_s)
            self.wander *= keep
            self.wander += spec.wander * math.sqrt(1 - keep * keep) * self.dice.normal()
            self.mixture += self.wander


def _faults(engine: Engine, spec: EngineSpec, dice: _Dice) -> Faults | None:
    if not spec.fault.any:
        return None
    return Faults(
        spec=spec.fault,
        step_deg=STEP_DEG,
        uniform=dice.uniform,
        normal=dice.normal,
        idle_rpm=spec.idle_rpm,
        idle_charge_kg=engine.charge_kg(spec.idle_kpa * 1e3),
    )


def build(spec: EngineSpec) -> Engine:
    """Make an engine whose crank-resolved idle stands where the spec wants it.

    A short quiet run shows what pulsation does to the mean charge and torque; the
    mean-value relations take it over, so that they tell the truth about the steady idle.
    """
    engine = Engine(spec)
    for _ in range(2):
        trace = _held_at(engine, spec.idle_deg)
        rpm, kpa, air_kg, work_j = settled(trace, spec.cylinders, QUIET_S - 2.0)
        pa = kpa * 1e3
        burned = work_j * spec.cylinders / (4 * math.pi)
        gas = engine.friction_nm(rpm) - burned
        engine.correct(air_kg / engine.charge_kg(pa), gas - engine.gas_nm(pa))
    engine.top_shift_deg, engine.top_shift_kpa = _top_shift(engine)
    return engine


def _top_shift(engine: Engine) -> tuple[float, float]:
    """What the mean-value relations get wrong at the top: degrees and kPa.

    The difference of the two models three degrees either side of the top, over the
    curvature there, moves the top by up to a tenth of a degree.
    """
    wide, off, bend = 3.0, [], 0.0
    for way in (-1.0, 1.0):
        advance = engine.top.advance_deg + way * wide
        trace = _held_at(engine, advance)
        kpa = settled(trace, engine.spec.cylinders, QUIET_S - 2.0)[1]
        mean_value = engine.steady(advance)
        if mean_value is None:
            return 0.0, 0.0
        off.append(kpa - mean_value.kpa)
        bend += 0.5 * (mean_value.kpa - engine.top.kpa) / wide**2
    return -(off[1] - off[0]) / (4 * wide * bend), 0.5 * (off[0] + off[1])


QUIET_S = 5.0


def _held_at(engine: Engine, advance_deg: float) -> Trace:
    """A short run without chance, with the spark just there: no weights add to it at any speed."""
    spec = replace(engine.spec.quiet(), centrifugal=(), canister=None)
    script = Script(start_deg=advance_deg, segments=(Hold(seconds=QUIET_S),))
    rng = np.random.default_rng(0)
    hand = Hand(script.start_deg, rng)
    return _Run(engine, spec, hand, perform(script, hand), rng, script.starts_running).go()


def settled(trace: Trace, cylinders: int, from_s: float) -> tuple[float, float, float, float]:
    """Mean speed, pressure (kPa), charge (kg) and work (J) over whole cycles from a time on."""
    done = trace.event_tdc_deg <= trace.theta_deg[-1]
    late = np.flatnonzero((trace.event_s >= from_s) & done)
    late = late[: (len(late) - 1) // cylinders * cylinders + 1]
    turned = trace.time_s[np.searchsorted(trace.theta_deg, trace.event_tdc_deg[late[[0, -1]]])]
    rpm = (trace.event_tdc_deg[late[-1]] - trace.event_tdc_deg[late[0]]) / 6.0 / np.ptp(turned)
    inside = (trace.time_s >= turned[0]) & (trace.time_s <= turned[1])
    kpa = np.trapezoid(trace.pressure_kpa[inside], trace.time_s[inside]) / np.ptp(turned)
    air, work = trace.event_air_kg[late[1:]].mean(), trace.event_work_j[late[1:]].mean()
    return float(rpm), float(kpa), float(air), float(work)


def run(engine: Engine, script: Script, rng: np.random.Generator, *, quiet: bool = False) -> Trace:
    """Run an engine through a script.

    Parameters
    ----------
    engine
        The engine.
    script
        What the hand does; the run ends with it.
    rng
        Source of all chance.
    quiet
        Leave out chance, faults and drift.
    """
    hand = Hand(script.start_deg, rng)
    spec = engine.spec.quiet() if quiet else engine.spec
    return _Run(engine, spec, hand, perform(script, hand), rng, script.starts_running).go()


class _Run:
    """State of one run; the inner loop keeps what it needs in local variables."""

    def __init__(
        self,
        engine: Engine,
        spec: EngineSpec,
        hand: Hand,
        performing: Generator[Command, Seen, None],
        rng: np.random.Generator,
        running: bool,
    ) -> None:
        self.engine, self.spec, self.hand, self.performing = engine, spec, hand, performing
        self.dice = _Dice(rng)
        self.combustion = _Combustion(engine, spec, self.dice)
        self.slow = _Slow(spec, self.dice)
        self.faults = _faults(engine, spec, self.dice)
        self.time: list[float] = []
        self.theta: list[float] = []
        self.pressure: list[float] = []
        self.hand_time: list[float] = []
        self.hand_deg: list[float] = []
        self.rows: list[tuple[float, ...]] = []
        self.weights_deg = 0.0  # what weights and canister add
        self.weights = Weights(
            spec.centrifugal_deg,
            lag_s=spec.weights_s,
            stick_deg=spec.weights_stick_deg,
            most_deg=max((deg for _, deg in spec.centrifugal), default=0.0),
            canister=spec.canister,
            ambient_kpa=engine.ambient_pa * 1e-3,
        )
        stray = Stray(spec.drive, spec.cylinders, self.dice.normal)
        self.stray = stray if spec.drive.any else None
        self.calm_rpm = 0.0
        self.needle_pa = engine.ambient_pa
        self.command = next(performing)
        self.running = running

    def control(self, t: float, dt: float, omega: float, pa: float) -> bool:
        """Let the hand and all slow things go on; False when the script has ended."""
        rpm = omega * 30.0 / math.pi
        self.calm_rpm += (rpm - self.calm_rpm) * min(dt / 0.3, 1.0)
        self.needle_pa += (pa - self.needle_pa) * min(dt / 0.4, 1.0)
        try:
            self.command = self.performing.send(
                Seen(t_s=t, rpm=rpm, calm_rpm=self.calm_rpm, needle_kpa=self.needle_pa * 1e-3)
            )
        except StopIteration:
            return False
        self.weights_deg = self.weights.step(dt, rpm, pa * 1e-3, self.command.throttle)
        self.slow.step(dt, omega > 50.0)
        self.combustion.mixture = self.slow.mixture
        self.hand_time.append(t)
        self.hand_deg.append(self.command.hand_deg)
        return True

    def area_m2(self) -> float:
        """Effective throttle area now."""
        wide = WIDE_M2_PER_L * self.engine.spec.displacement_l
        air = self.slow.air
        if self.command.starter:
            air += self.spec.fault.starter_air
        return float(self.engine.throttle_m2 * air + wide * self.command.throttle)

    def go(self) -> Trace:  # noqa: PLR0912, PLR0915 - one loop over crank steps; calls cost time
        """Run to the end of the script."""
        engine, spec = self.engine, self.spec
        steps, tables = engine.steps, engine.tables
        per_pa, fixed = tables.per_pa.tolist(), tables.fixed.tolist()
        closed = tables.closed.tolist()
        per_w2, draw, back = (
            tables.per_omega2.tolist(),
            tables.draw.tolist(),
            tables.back.tolist(),
        )
        own_draw, own_back = engine.own_draw.tolist(), float(engine.own_back.sum())
        shapes = engine.shapes.tolist()
        shape_len = len(shapes[0])
        lobes = list(spec.lobe_deg) or [0.0] * spec.cylinders
        step_rad = math.radians(STEP_DEG)
        gas_v = GAS_J_KG_K * INTAKE_K / (spec.manifold_l * 1e-3)
        rt = GAS_J_KG_K * INTAKE_K
        per_v = 1.0 / (spec.manifold_l * 1e-3)
        p0 = engine.ambient_pa
        liters = spec.displacement_l
        ring = [0.0] * RING
        time, theta, pressure = self.time, self.theta, self.pressure
        rows = self.rows
        control_every = CONTROL_S
        dice_normal = self.dice.normal
        faults = self.faults
        puff = faults.puff if faults else None

        t, i, omega, p = 0.0, 0, 0.0, p0
        inflow = 0.0
        settle = 0.0
        if self.running:
            # Begin before time zero and let the idle settle; the record starts at 0.
            start = engine.steady(self.hand.command.hand_deg + self._idle_weights())
            rpm0 = start.rpm if start else spec.idle_rpm
            omega, p = rpm0 * math.pi / 30.0, engine.pressure_at(rpm0)
            self.weights_deg = self.weights.settle(rpm0, p * 1e-3)
            self.calm_rpm = rpm0
            self.needle_pa = p
            settle = 4.0
            t = -settle
            self.slow.run_s = 0.0
        event = 2  # top dead centre of event e is at e * steps; the first two have no history
        base = 0  # pressure[base + i] belongs to step i
        t_control = t
        last_control = t
        j_in = spec.inertia_kg_m2
        area_flow = self.area_m2() * engine.flow_per_m2
        friction = engine.friction_polynomial()
        drag0, drag1, drag2 = friction
        starting = False
        advance = self.hand.command.hand_deg + self.weights_deg
        jitter = 0.0
        spark_at = event * steps * STEP_DEG - advance
        close_at = CLOSE_STEP % steps
        flow = throttle_flow
        time.append(t)
        theta.append(0.0)
        pressure.append(p)
        while True:
            if t >= t_control:
                dt = t - last_control
                last_control = t
                t_control = max(t_control + control_every, t)
                if t >= 0.0:
                    if not self.control(t, dt, omega, self._mean_pa()):
                        break
                else:
                    self.slow.step(0.0, True)
                command = self.command
                area_flow = self.area_m2() * engine.flow_per_m2
                in_gear = command.in_gear
                j_in = spec.inertia_kg_m2 + (VEHICLE_KG_M2 * liters if in_gear else 0.0)
                slot = event % spec.cylinders
                advance = command.hand_deg + self.weights_deg + lobes[slot] + jitter
                spark_at = event * steps * STEP_DEG - advance
                drag0, drag1, drag2 = (self.slow.friction * c for c in friction)
                if in_gear:
                    drag0 += ROAD_NM_PER_L[0] * liters
                    drag2 += ROAD_NM_PER_L[1] * liters
                starting = command.starter
                if starting:
                    drag0 -= STARTER_NM_PER_L * liters
                    drag1 += STARTER_NM_PER_L * liters / STARTER_FREE_RAD_S
                    omega = max(omega, REST_RAD_S)
            if omega == 0.0:
                dm = area_flow * flow(p / p0) * REST_S
                inflow += dm
                p = min(p + gas_v * dm, p0)
                t += REST_S
                time.append(t)
                theta.append(theta[-1])
                pressure.append(p)
                base += 1
                continue

            if i == close_at:
                # The charge shut in now is a gas spring until the exhaust opens.
                for m, per in enumerate(closed, start=i):
                    ring[m & (RING - 1)] += p * per
                close_at += steps
            j = i % steps
            k = i & (RING - 1)
            w2 = omega * omega
            torque = p * per_pa[j] + fixed[j] + (per_w2[j] - drag2) * w2 + ring[k]
            torque -= drag0 + drag1 * omega
            ring[k] = 0.0
            w2 += 2.0 * torque * step_rad / j_in
            low = REST_RAD_S * REST_RAD_S
            if w2 < low:
                if starting:
                    w2 = low  # the starter carries the engine over its compression
                else:
                    omega = 0.0
                    ring = [0.0] * RING
                    continue
            omega_new = math.sqrt(w2)
            dt = 2.0 * step_rad / (omega + omega_new)
            omega = omega_new
            ratio = p / p0
            dm = area_flow * (0.684731 if ratio < 0.528 else flow(ratio)) * dt
            inflow += dm
            p += gas_v * dm - (p * draw[j] - back[j]) * per_v
            if puff is not None:
                p += gas_v * puff[k]
                puff[k] = 0.0
            if p > p0:
                inflow -= (p - p0) / gas_v
                p = p0
            t += dt
            i += 1
            time.append(t)
            theta.append(i * STEP_DEG)
            pressure.append(p)

            while spark_at <= i * STEP_DEG:
                early = i * STEP_DEG - spark_at
                t_spark = t - min(early / STEP_DEG, 1.0) * dt
                slot = event % spec.cylinders
                first = base + event * steps - round(360.0 / STEP_DEG)
                if first >= base and first + INTAKE_STEPS < len(pressure):
                    window = pressure[first : first + INTAKE_STEPS]
                    air = max(sum(map(mul, window, own_draw)) - own_back, 0.0) / rt
                else:
                    air = engine.charge_kg(p)
                back_to = len(time) - 1 - steps
                if back_to >= 0 and i >= steps:
                    p_mean = sum(pressure[-steps:]) / steps
                    rpm = STEP_DEG * steps / (6.0 * (t - time[back_to]))
                else:
                    p_mean, rpm = p, omega * 30.0 / math.pi
                true_advance = event * steps * STEP_DEG - (i * STEP_DEG - min(early, STEP_DEG))
                if self.command.ignition:
                    work, mean, missed = self.combustion.work(slot, true_advance, rpm, p_mean, air)
                    if not self.command.fuel:
                        work, mean, missed = 0.0, 0.0, False
                    if faults is not None:
                        left = faults.event(i, event * steps, slot, t, air, rpm)
                        work, missed = work * left, missed or left == 0.0
                    rows.append(
                        (
                            t_spark,
                            event * steps * STEP_DEG,
                            slot + 1,
                            true_advance,
                            work,
                            mean,
                            missed,
                            air,
                            rpm,
                            p_mean * 1e-3,
                        )
                    )
                    line = round((true_advance - ADVANCE_GRID_DEG[0]) / 2.0)
                    shape = shapes[min(max(line, 0), len(shapes) - 1)]
                    begin = event * steps + SHAPE_OFFSET_STEPS
                    for m in range(max(i - begin, 0), shape_len):
                        ring[(begin + m) & (RING - 1)] += work * shape[m]
                event += 1
                slot = event % spec.cylinders
                jitter = spec.spark_jitter_deg * dice_normal() if spec.spark_jitter_deg else 0.0
                if self.stray is not None:
                    jitter += self.stray.deg(event)
                advance = self.command.hand_deg + self.weights_deg + lobes[slot] + jitter
                spark_at = event * steps * STEP_DEG - advance
        return self._trace(inflow)

    def _idle_weights(self) -> float:
        """What the weights add at the first idle."""
        return self.spec.centrifugal_deg(self.spec.idle_rpm)

    def _mean_pa(self) -> float:
        """Pressure over the last firing interval, as a needle shows it."""
        tail = self.pressure[-self.engine.steps :]
        return sum(tail) / len(tail)

    def _trace(self, inflow: float) -> Trace:
        rows = np.array(self.rows, dtype=np.float64).reshape(-1, 10)
        return Trace(
            time_s=np.array(self.time),
            theta_deg=np.array(self.theta),
            pressure_kpa=np.array(self.pressure) * 1e-3,
            hand_time_s=np.array(self.hand_time),
            hand_deg=np.array(self.hand_deg),
            event_s=rows[:, 0],
            event_tdc_deg=rows[:, 1],
            event_slot=rows[:, 2].astype(np.int64),
            event_advance_deg=rows[:, 3],
            event_work_j=rows[:, 4],
            event_mean_work_j=rows[:, 5],
            event_misfired=rows[:, 6] > 0.5,
            event_air_kg=rows[:, 7],
            event_rpm=rows[:, 8],
            event_kpa=rows[:, 9],
            inflow_kg=inflow,
            log=self.hand.log,
        )
