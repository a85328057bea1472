"""A second engine, from the literature, that the tool can be tried on from bytes.

Enters: throttle, sweep, scatter, a random generator. Leaves: a text-lines record, cards, and the
peak that follows from the published equations alone. It shares no code with the package: engine,
sensor, counter and line writer are its own.

The engine is the idle model of P. R. Crossley and J. A. Cook (A nonlinear engine model for
drivetrain system development, IEE International Conference "Control 91", 1991), with the
regressions as carried by the Modelica Standard Library (the paper itself not seen):

    torque    T = -181.3 + 379.36 m + 21.91 A - 0.85 A² + 0.26 σ - 0.0028 σ² + 0.027 N
                  - 0.000107 N² + 0.00048 N σ + 2.55 σ m - 0.05 σ² m         (N m)
    throttle  f(θ) g(P), f = 2.821 - 0.05231 θ + 0.10299 θ² - 0.00063 θ³     (g/s)
              g = 1 for P ≤ P0/2, else (2/P0) √(P P0 - P²)
    pumping   -0.366 + 0.08979 N P - 0.0337 N P² + 0.0001 N² P               (g/s)
    manifold  dP/dt = 0.41328 (in - out)                                     (bar/s)

m charge of a stroke in g, A = 14.6 air-fuel ratio, N in rad/s, σ advance in degrees, P in bar,
P0 = 1 bar; four cylinders, flywheel 0.14 kg m². At idle the regressions are extrapolated to low
load. Pulsation within a stroke, combustion scatter and the sensor are additions of this file: the
flow into a cylinder follows the piston, the torque of a stroke has a hump, both with a mean of one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

AIR_FUEL = 14.6
AMBIENT_BAR = 1.0
INERTIA_KG_M2 = 0.14
BAR_PER_G = 0.41328
FRICTION_NM = 25.0  # what scatter is relative to: net torque at idle is next to nothing
STEP_S = 0.5e-3
RIPPLE = 2.2  # height of the torque hump within a stroke, relative to indicated torque


def torque_nm(charge_g: float, advance_deg: float, speed: float) -> float:
    """Net torque regression; speed in rad/s."""
    m, s, n, a = charge_g, advance_deg, speed, AIR_FUEL
    return (
        -181.3 + 379.36 * m + 21.91 * a - 0.85 * a * a + 0.26 * s - 0.0028 * s * s
        + 0.027 * n - 0.000107 * n * n + 0.00048 * n * s + 2.55 * s * m - 0.05 * s * s * m
    )  # fmt: skip


def throttle_g_s(throttle_deg: float, bar: float) -> float:
    """Air past the throttle."""
    th = throttle_deg
    f = 2.821 - 0.05231 * th + 0.10299 * th**2 - 0.00063 * th**3
    if bar <= 0.5 * AMBIENT_BAR:
        return f
    return f * 2.0 / AMBIENT_BAR * math.sqrt(max(bar * AMBIENT_BAR - bar * bar, 0.0))


def pumping_g_s(speed: float, bar: float) -> float:
    """Air into the cylinders, mean over a stroke."""
    return -0.366 + 0.08979 * speed * bar - 0.0337 * speed * bar**2 + 0.0001 * speed**2 * bar


def charge_g(speed: float, bar: float) -> float:
    """Charge of one stroke of half a turn."""
    return pumping_g_s(speed, bar) * math.pi / speed


def best_spark_deg(speed: float, charge: float) -> float:
    """Where the torque regression is highest: its derivative by σ set to zero."""
    return (0.26 + 0.00048 * speed + 2.55 * charge) / (2.0 * (0.0028 + 0.05 * charge))


def _root(function, low: float, high: float) -> float:
    """Bisect: plain, and no library shared with anything."""
    below = function(low)
    for _ in range(45):
        mid = 0.5 * (low + high)
        if (function(mid) > 0) == (below > 0):
            low = mid
        else:
            high = mid
    return 0.5 * (low + high)


def steady_bar(throttle_deg: float, speed: float) -> float:
    """Pressure at which in = out."""
    return _root(lambda p: throttle_g_s(throttle_deg, p) - pumping_g_s(speed, p), 0.05, 0.995)


def steady_speed(throttle_deg: float, load_nm: float, advance_deg: float) -> float:
    """Speed at which torque = load."""

    def surplus(n: float) -> float:
        p = steady_bar(throttle_deg, n)
        return torque_nm(charge_g(n, p), advance_deg, n) - load_nm

    return _root(surplus, 45.0, 250.0)


def vacuum_peak(throttle_deg: float, load_nm: float) -> tuple[float, float, float]:
    """Advance of lowest steady pressure, that pressure (bar) and speed (rad/s)."""
    low, high = 10.0, 60.0
    ratio = (math.sqrt(5.0) - 1.0) / 2.0

    def pressure(s: float) -> float:
        return steady_bar(throttle_deg, steady_speed(throttle_deg, load_nm, s))

    for _ in range(30):  # golden section
        a, b = high - ratio * (high - low), low + ratio * (high - low)
        if pressure(a) < pressure(b):
            high = b
        else:
            low = a
    best = 0.5 * (low + high)
    speed = steady_speed(throttle_deg, load_nm, best)
    return best, steady_bar(throttle_deg, speed), speed


@dataclass(frozen=True)
class Record:
    """Bytes, cards and truth."""

    text: bytes
    engine_card: str
    rig_card: str
    peak_deg: float
    peak_kpa: float
    curvature_kpa_deg2: float
    sweeps: tuple[tuple[float, float, str], ...]
    seconds: float
    spark_s: np.ndarray
    spark_deg: np.ndarray


@dataclass(frozen=True)
class Plan:
    """What the hand does: there and back between two settings, with holds.

    ``idle_rpm`` is the speed at ``low_deg``; the load is chosen so. ``return_too`` False: one way.
    ``still_s``: the record begins with the engine at rest for so long.
    """

    throttle_deg: float = 1.0
    idle_rpm: float = 850.0
    low_deg: float = 22.0
    high_deg: float = 48.0
    rate_deg_s: float = 1.0
    hold_s: float = 8.0
    return_too: bool = True
    still_s: float = 0.0

    def way(self) -> tuple[list[float], list[float], list[tuple[float, float, str]]]:
        """Corner times, settings there, and sweeps; time zero is the first firing moment."""
        turn = (self.high_deg - self.low_deg) / self.rate_deg_s
        t, times, degs = 0.0, [0.0], [self.low_deg]
        sweeps = []
        legs = [(self.hold_s, self.low_deg), (turn, self.high_deg), (self.hold_s, self.high_deg)]
        if self.return_too:
            legs[2] = (self.hold_s / 3.0, self.high_deg)
            legs += [(turn, self.low_deg), (self.hold_s, self.low_deg)]
        for seconds, to in legs:
            if to != degs[-1]:
                name = "advancing" if to > degs[-1] else "retarding"
                sweeps.append((self.still_s + t, self.still_s + t + seconds, name))
            t += seconds
            times.append(t)
            degs.append(to)
        return times, degs, sweeps


def free_run(plan: Plan, load_nm: float, scatter: float, rng: np.random.Generator) -> dict:
    """Integrate the engine through the plan; arrays per step and per spark.

    Half-turn k follows the top dead centre k. The charge drawn in half-turn k - 2 is fired by the
    spark before top dead centre k and pushes through half-turn k.
    """
    times, degs, _ = plan.way()
    end = times[-1]
    speed = steady_speed(plan.throttle_deg, load_nm, plan.low_deg)
    bar = steady_bar(plan.throttle_deg, speed)
    settle = 3.0
    t, theta = -settle, 0.0  # theta in rad, top dead centres at whole multiples of pi
    charges = [charge_g(speed, bar)] * 3
    drawn = 0.0
    half = 0
    push = load_nm
    next_push = load_nm
    fired = True  # the spark of the next half-turn is still to come when False
    out_t, out_theta, out_bar = [], [], []
    sparks = []
    while t < end:
        piston = 0.5 * math.pi * abs(math.sin(theta))  # mean one over a stroke
        flow = pumping_g_s(speed, bar) * piston
        bar += BAR_PER_G * (throttle_g_s(plan.throttle_deg, bar) - flow) * STEP_S
        drawn += flow * STEP_S
        hump = RIPPLE * (push + FRICTION_NM) * math.sin(2.0 * theta)
        before = theta
        accel = (push + hump - load_nm) / INERTIA_KG_M2
        theta += (speed + 0.5 * accel * STEP_S) * STEP_S
        speed += accel * STEP_S
        t += STEP_S
        advance = float(np.interp(t, times, degs)) if t > times[1] else plan.low_deg
        spark_theta = (half + 1) * math.pi - math.radians(advance)
        if not fired and theta >= spark_theta:
            share = min(max((theta - spark_theta) / (theta - before), 0.0), 1.0)
            sparks.append((t - share * STEP_S, half + 1, advance))
            mean = torque_nm(charges[-1], advance, speed)
            next_push = mean + scatter * (mean + FRICTION_NM) * rng.standard_normal()
            fired = True
        if theta >= (half + 1) * math.pi:
            half += 1
            charges = [*charges[1:], drawn]
            drawn = 0.0
            push = next_push
            fired = False
        out_t.append(t)
        out_theta.append(theta)
        out_bar.append(bar)
    return {
        "t": np.array(out_t),
        "theta": np.array(out_theta),
        "bar": np.array(out_bar),
        "sparks": sparks,
    }


def record(
    plan: Plan,
    *,
    scatter: float,
    rng: np.random.Generator,
    mark_deg: float = 20.0,
    sample_us: int = 2000,
    noise_kpa: float = 0.15,
    first_tick: int = 2**32 - 5_000_000,
) -> Record:
    """Run the plan and write the lines that a sketch would print."""
    n0 = plan.idle_rpm * math.pi / 30.0
    load = torque_nm(charge_g(n0, steady_bar(plan.throttle_deg, n0)), plan.low_deg, n0)
    ran = free_run(plan, load, scatter, rng)
    peak, bar, _ = vacuum_peak(plan.throttle_deg, load)
    off = steady_bar(plan.throttle_deg, steady_speed(plan.throttle_deg, load, peak - 5.0))
    end = float(ran["t"][-1])
    lines: list[tuple[float, str]] = []

    def tick(t: float) -> int:
        return (first_tick + math.floor((t + plan.still_s) / 4e-6)) % 2**32

    grid = np.arange(-plan.still_s, end, sample_us * 1e-6)
    kpa = 100.0 * np.where(grid < 0.0, AMBIENT_BAR, np.interp(grid, ran["t"], ran["bar"]))
    kpa += noise_kpa * rng.standard_normal(len(grid))
    for t, p in zip(grid.tolist(), kpa.tolist(), strict=True):
        volts = 5.1 * (0.004 * p - 0.04)  # the usual 250 kPa sensor, supply 5.1 V, same for ADC
        lines.append((t, f"P {tick(t)} {min(max(int(volts / 5.1 * 1024), 0), 1023)}"))
    for t, top, _ in ran["sparks"]:
        if t >= 0.0 and top % 4 == 0:
            lines.append((t, f"S {tick(t)}"))
    turns = np.arange(1, int(ran["theta"][-1] / (2 * math.pi)) + 1) * 2 * math.pi
    for t in np.interp(turns - math.radians(mark_deg), ran["theta"], ran["t"]).tolist():
        if t >= 0.0:
            lines.append((t, f"R {tick(t)}"))
    lines.sort(key=lambda line: line[0])
    text = "# vaclog-lines 1 tick_ns=4000 adc_bits=10 device=sketch\r\n"
    text += "".join(line + "\r\n" for _, line in lines)
    mine = [(t + plan.still_s, a) for t, top, a in ran["sparks"] if t >= 0.0 and top % 4 == 0]
    return Record(
        text=text.encode("ascii"),
        engine_card=(
            "cylinders = 4\nfiring_order = [1, 3, 4, 2]\nidle_rpm = 850\nstatic_deg = 22.0\n"
            "centrifugal = [[1200, 0], [3000, 12]]\nmax_total_deg = 40.0\n"
        ),
        rig_card=f"[mark]\nangle_deg = {mark_deg}\n",
        peak_deg=peak,
        peak_kpa=100.0 * bar,
        curvature_kpa_deg2=100.0 * (off - bar) / 25.0,
        sweeps=tuple(plan.way()[2]),
        seconds=end + plan.still_s,
        spark_s=np.array([t for t, _ in mine]),
        spark_deg=np.array([a for _, a in mine]),
    )
