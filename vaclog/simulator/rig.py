"""What is clipped on the engine: sensors, pickups and the device's clock, with their faults.

Enters: a :class:`~vaclog.simulator.crank.Trace` and a :class:`RigSpec`. Leaves:
:class:`PinSignals`, the edges and voltages at the device's pins on true time, and
:class:`DeviceLog`, what a device would put on the wire, in its own ticks.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from vaclog.simulator.crank import Trace
from vaclog.wire.messages import PulseKind

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Pickup: TypeAlias = Literal["no1", "wasted", "coil"]

SUPPLY_MV = 5000.0
GRID_US = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class BodyRig:
    """An angle sensor on the distributor body; angles of the body unless said otherwise.

    Attributes
    ----------
    deg_per_count, sign, anchor_counts
        Scale; the counts at the setting that the body has at first.
    declared_deg_per_count
        What the card says; None: the truth.
    strobe_error_deg
        Crank degrees by which the anchoring strobe reading is high.
    backlash_deg
        Play between body and sensor.
    slip_at_s, slip_deg
        At that time the sensor slips by so much (None: never).
    noise_counts
        Standard deviation of a reading.
    period_ms
        Time between readings.
    """

    deg_per_count: float = 0.1
    sign: int = 1
    anchor_counts: float = 400.0
    declared_deg_per_count: float | None = None
    strobe_error_deg: float = 0.0
    backlash_deg: float = 0.0
    slip_at_s: float | None = None
    slip_deg: float = 0.0
    noise_counts: float = 0.4
    period_ms: float = 50.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RigSpec:
    """Sensors, pickups and clock.

    Attributes
    ----------
    sample_period_us
        Time between pressure samples on the device's clock.
    gain_per_kpa, offset
        Sensor output over supply is gain * P + offset.
    sensor_lag_s, noise_kpa, adc_bits
        First-order lag of hose and sensor, white noise, resolution.
    rail
        None, or a broken sensor: "high" or "low".
    pickup
        "no1": one pulse per 720°; "wasted": per 360°; "coil": every cylinder, on the
        spark channel.
    clamp_slot
        Firing place of the lead that is clamped; 1 is right.
    coil_lead
        A second pickup on the coil lead gives every spark on its own channel.
    delay_us, declared_delay_us, jitter_us
        Delay of the spark pickup, what the card says of it, and its scatter.
    ring_share
        Share of sparks that ring: 1–3 pulses more within 1.5 ms.
    multi_spark
        Further sparks 1 ms apart after each.
    drop_share, spurious_per_s
        Share of spark pulses lost; rate of pulses from nowhere.
    mark, mark_deg, declared_mark_deg, declared_u_mark_deg, mark_jitter_us, mark_drop_share
        Whether there is a crank mark; where it passes, before top dead centre; what the
        card says (None: the truth), and how sure of it (None: nothing); scatter and losses.
    mark_ghost_deg
        A second tooth so many degrees before the first (None: none).
    body
        Angle sensor on the body.
    tick_ns, first_tick, clock_ppm
        The device's counter: length, value at the start, error of its clock.
    reset_at_s, reset_gap_s
        The device restarts at that time and is silent for so long.
    """

    sample_period_us: int = 1000
    gain_per_kpa: float = 0.004
    offset: float = -0.04
    sensor_lag_s: float = 0.004
    noise_kpa: float = 0.15
    adc_bits: int = 10
    rail: Literal["high", "low"] | None = None
    pickup: Pickup = "no1"
    clamp_slot: int = 1
    coil_lead: bool = False
    delay_us: float = 0.0
    declared_delay_us: float = 0.0
    jitter_us: float = 5.0
    ring_share: float = 0.0
    multi_spark: int = 0
    drop_share: float = 0.0
    spurious_per_s: float = 0.0
    mark: bool = True
    mark_deg: float = 20.0
    declared_mark_deg: float | None = None
    declared_u_mark_deg: float | None = None
    mark_jitter_us: float = 4.0
    mark_drop_share: float = 0.0
    mark_ghost_deg: float | None = None
    body: BodyRig | None = None
    tick_ns: int = 500
    first_tick: int = 12345
    clock_ppm: float = 0.0
    reset_at_s: float | None = None
    reset_gap_s: float = 1.7


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PinSignals:
    """What happens at the device's pins, on true time from the start of the record.

    Attributes
    ----------
    duration_ns
        Length of the record.
    spark_ns, coil_ns, mark_ns, marker_ns
        int64, rising edges at the spark pickup, the coil pickup, the mark sensor and the
        marker button.
    grid_us
        Spacing of the voltages.
    pressure_mv, body_mv
        float64 [g], sensor outputs with a supply of 5000 mV; ``body_mv`` is 0 without an
        angle sensor.
    """

    duration_ns: int
    spark_ns: IntArray
    coil_ns: IntArray
    mark_ns: IntArray
    marker_ns: IntArray
    grid_us: int
    pressure_mv: FloatArray
    body_mv: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Boot:
    """What the device recorded between two restarts.

    Attributes
    ----------
    start_s, end_s
        True time of the boot's first and last moment.
    sample_tick, sample_counts
        int64 [n], pressure samples, ticks not yet wrapped.
    pulse_tick, pulse_kind, pulse_value
        int64 [m], in order of tick; kinds of :class:`PulseKind`, 5 for the marker.
    true_start_s, seconds_per_tick
        True time of a tick is ``true_start_s + (tick - first_tick) * seconds_per_tick``.
    first_tick
        Counter at ``true_start_s``.
    """

    start_s: float
    end_s: float
    sample_tick: IntArray
    sample_counts: IntArray
    pulse_tick: IntArray
    pulse_kind: IntArray
    pulse_value: IntArray
    true_start_s: float
    seconds_per_tick: float
    first_tick: int


def pin_signals(
    trace: Trace,
    rig: RigSpec,
    cylinders: int,
    rng: np.random.Generator,
    markers_s: tuple[float, ...] = (),
) -> PinSignals:
    """Edges and voltages at the pins."""
    end_s = float(trace.time_s[-1])
    grid_s = np.arange(0.0, end_s, GRID_US * 1e-6)
    return PinSignals(
        duration_ns=int(end_s * 1e9),
        spark_ns=_sparks_ns(trace, rig, cylinders, rng),
        coil_ns=_coil_ns(trace, rig, rng),
        mark_ns=_marks_ns(trace, rig, rng),
        marker_ns=np.array([round(t * 1e9) for t in markers_s], dtype=np.int64),
        grid_us=GRID_US,
        pressure_mv=_pressure_mv(trace, rig, grid_s, rng),
        body_mv=_body_mv(trace, rig, grid_s, rng),
    )


def _pressure_mv(
    trace: Trace, rig: RigSpec, grid_s: FloatArray, rng: np.random.Generator
) -> FloatArray:
    if rig.rail is not None:
        return np.full(len(grid_s), SUPPLY_MV if rig.rail == "high" else 0.0)
    kpa = np.interp(grid_s, trace.time_s, trace.pressure_kpa)
    if rig.sensor_lag_s > 0.0:
        keep = np.exp(-GRID_US * 1e-6 / rig.sensor_lag_s)
        state = np.array([keep * kpa[0]])
        kpa, _ = lfilter([1.0 - keep], [1.0, -keep], kpa, zi=state)
    kpa = kpa + rig.noise_kpa * rng.standard_normal(len(kpa))
    return np.asarray(np.clip((rig.gain_per_kpa * kpa + rig.offset) * SUPPLY_MV, 0.0, SUPPLY_MV))


def _keep_inside(times_s: FloatArray, end_s: float) -> IntArray:
    times_s = np.sort(times_s[(times_s >= 0.0) & (times_s < end_s)])
    return np.round(times_s * 1e9).astype(np.int64)


def _pulses(times_s: FloatArray, rig: RigSpec, end_s: float, rng: np.random.Generator) -> IntArray:
    """Delay, scatter, ringing, multiple sparks, losses and pulses from nowhere."""
    n = len(times_s)
    seen = times_s + rig.delay_us * 1e-6 + rig.jitter_us * 1e-6 * rng.standard_normal(n)
    parts = [seen]
    parts += [seen + (i + 1) * 1.0e-3 for i in range(rig.multi_spark)]
    rings = rng.random(n) < rig.ring_share
    for share in (1.0, 0.6, 0.4):
        some = rings & (rng.random(n) < share)
        parts.append(seen[some] + rng.uniform(0.08e-3, 1.5e-3, int(some.sum())))
    every = np.concatenate(parts)
    every = every[rng.random(len(every)) >= rig.drop_share]
    ghosts = rng.uniform(0.0, end_s, rng.poisson(rig.spurious_per_s * end_s))
    return _keep_inside(np.concatenate([every, ghosts]), end_s)


def _sparks_ns(trace: Trace, rig: RigSpec, cylinders: int, rng: np.random.Generator) -> IntArray:
    slot = trace.event_slot
    if rig.pickup == "coil":
        mine = np.ones(len(slot), dtype=bool)
    else:
        mine = slot == rig.clamp_slot
        if rig.pickup == "wasted" and cylinders % 2 == 0:
            mine |= slot == (rig.clamp_slot - 1 + cylinders // 2) % cylinders + 1
    return _pulses(trace.event_s[mine], rig, float(trace.time_s[-1]), rng)


def _coil_ns(trace: Trace, rig: RigSpec, rng: np.random.Generator) -> IntArray:
    if not rig.coil_lead:
        return np.empty(0, dtype=np.int64)
    return _pulses(trace.event_s, rig, float(trace.time_s[-1]), rng)


def _marks_ns(trace: Trace, rig: RigSpec, rng: np.random.Generator) -> IntArray:
    if not rig.mark:
        return np.empty(0, dtype=np.int64)
    turns = np.arange(0, int(trace.theta_deg[-1] / 360.0) + 2) * 360.0
    angles = [turns - rig.mark_deg]
    if rig.mark_ghost_deg is not None:
        angles.append(turns - rig.mark_deg - rig.mark_ghost_deg)
    theta = np.sort(np.concatenate(angles))
    theta = theta[(theta > trace.theta_deg[0]) & (theta < trace.theta_deg[-1])]
    times = np.interp(theta, trace.theta_deg, trace.time_s)
    times += rig.mark_jitter_us * 1e-6 * rng.standard_normal(len(times))
    times = times[rng.random(len(times)) >= rig.mark_drop_share]
    return _keep_inside(times, float(trace.time_s[-1]))


def body_counts(trace: Trace, rig: BodyRig) -> FloatArray:
    """Noiseless counts of the angle sensor at ``trace.hand_time_s``, unrounded."""
    half = 0.5 * rig.backlash_deg
    body = 0.5 * trace.hand_deg
    first = body[0] if len(body) else 0.0
    at, follow = first, np.empty(len(body))
    for i, x in enumerate(body.tolist()):
        at = min(max(at, x - half), x + half)  # the sensor's side of the play
        follow[i] = at
    if rig.slip_at_s is not None:
        follow = follow + np.where(trace.hand_time_s >= rig.slip_at_s, rig.slip_deg, 0.0)
    return np.asarray(rig.anchor_counts + rig.sign * (follow - first) / rig.deg_per_count)


def _body_mv(
    trace: Trace, rig: RigSpec, grid_s: FloatArray, rng: np.random.Generator
) -> FloatArray:
    if rig.body is None or not len(trace.hand_time_s):
        return np.zeros(len(grid_s))
    counts = np.interp(grid_s, trace.hand_time_s, body_counts(trace, rig.body))
    counts = counts + 0.5 + rig.body.noise_counts * rng.standard_normal(len(counts))
    return np.asarray(np.clip(counts / 1024.0 * SUPPLY_MV, 0.0, SUPPLY_MV))


def record(pins: PinSignals, rig: RigSpec) -> list[Boot]:
    """What the device records of its pins, one item per boot.

    The body sensor is read by the same 10-bit converter, at whole grid points.
    """
    end_s = pins.duration_ns * 1e-9
    if rig.reset_at_s is None or rig.reset_at_s >= end_s:
        return [_one_boot(pins, rig, 0.0, end_s, rig.first_tick)]
    again = rig.reset_at_s + rig.reset_gap_s
    boots = [_one_boot(pins, rig, 0.0, rig.reset_at_s, rig.first_tick)]
    if again < end_s:
        boots.append(_one_boot(pins, rig, again, end_s, 0))
    return boots


def _one_boot(pins: PinSignals, rig: RigSpec, start_s: float, end_s: float, first: int) -> Boot:
    tick_s = rig.tick_ns * 1e-9 / (1.0 + rig.clock_ppm * 1e-6)
    period = round(rig.sample_period_us * 1000 / rig.tick_ns)
    n = max(int((end_s - start_s) / (period * tick_s)), 0)
    sample_tick = first + np.arange(n, dtype=np.int64) * period
    sample_s = start_s + np.arange(n) * (period * tick_s)
    at = np.minimum((sample_s / (pins.grid_us * 1e-6)).astype(np.int64), len(pins.pressure_mv) - 1)
    top = (1 << rig.adc_bits) - 1
    counts = np.clip(np.floor(pins.pressure_mv[at] / SUPPLY_MV * (top + 1)), 0, top)
    ticks, kinds, values = [], [], []

    def add(ns: IntArray, kind: int) -> None:
        ns = ns[(ns >= start_s * 1e9) & (ns < end_s * 1e9)]
        ticks.append(first + np.floor((ns * 1e-9 - start_s) / tick_s).astype(np.int64))
        kinds.append(np.full(len(ns), kind, dtype=np.int64))
        values.append(np.zeros(len(ns), dtype=np.int64))

    add(pins.spark_ns, PulseKind.SPARK)
    add(pins.coil_ns, PulseKind.COIL)
    add(pins.mark_ns, PulseKind.MARK)
    add(pins.marker_ns, MARKER)
    if rig.body is not None:
        every = rig.body.period_ms * 1e6
        body_ns = np.arange(np.ceil(start_s * 1e9 / every) * every, end_s * 1e9, every)
        add(body_ns.astype(np.int64), PulseKind.BODY)
        spot = np.minimum((body_ns / (pins.grid_us * 1000)).astype(np.int64), len(pins.body_mv) - 1)
        reading = np.floor(pins.body_mv[spot] / SUPPLY_MV * 1024)
        values[-1] = np.clip(reading, 0, 1023).astype(np.int64)[: len(values[-1])]
    tick = np.concatenate(ticks)
    order = np.argsort(tick, kind="stable")
    return Boot(
        start_s=start_s,
        end_s=end_s,
        sample_tick=sample_tick,
        sample_counts=counts.astype(np.int64),
        pulse_tick=tick[order],
        pulse_kind=np.concatenate(kinds)[order],
        pulse_value=np.concatenate(values)[order],
        true_start_s=start_s,
        seconds_per_tick=tick_s,
        first_tick=first,
    )


MARKER = 5
"""Kind of the marker button among the events of the binary protocol."""
