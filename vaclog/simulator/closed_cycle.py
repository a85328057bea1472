"""The closed part of one cylinder's cycle: where hills that are not parabolas come from.

Enters: compression ratio, burn and wall constants. Leaves: indicated work over advance,
speed and charge pressure, and the shape of the combustion torque within a turn.

One zone of ideal gas, heat released by a Wiebe function and lost to the walls by a
Woschni-like law (J. B. Heywood, Internal Combustion Engine Fundamentals, ch. 9 and 12, from
memory; constants of our own choosing where none is published). Angles are crank degrees
after firing top dead centre, except advance, which is before it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

WIEBE_A = 5.0  # 99.3 % burned at the end
WIEBE_M = 2.0
ROD_RATIO = 3.5  # connecting rod over crank radius, a usual value
GAS_J_KG_K = 287.0
INTAKE_K = 320.0  # fresh charge after the warm manifold
MIXED_K = 400.0  # charge at inlet closing, mixed with hot residual gas
WALL_K = 420.0
HEAT_J_KG = 44.0e6 / 14.7 / (1 + 1 / 14.7)  # petrol, stoichiometric, per kg of mixture
IVC_DEG = -130.0  # inlet closes 50 degrees after bottom dead centre
EVO_DEG = 130.0
STEP_DEG = 1.0


def wiebe(y: FloatArray) -> FloatArray:
    """Burned fraction over the fraction ``y`` of the burn angle; 0 before it.

    Wiebe function, a = 5, m = 2 (Heywood, ch. 9).
    """
    return np.asarray(1.0 - np.exp(-WIEBE_A * np.clip(y, 0.0, None) ** (WIEBE_M + 1)))


def volume_ratio(theta_deg: FloatArray, compression: float) -> FloatArray:
    """Cylinder volume over displaced volume, at angles after top dead centre."""
    theta = np.radians(theta_deg)
    lift = 1.0 + ROD_RATIO - np.cos(theta) - np.sqrt(ROD_RATIO**2 - np.sin(theta) ** 2)
    return np.asarray(1.0 / (compression - 1.0) + 0.5 * lift)


@dataclass(frozen=True, slots=True, kw_only=True)
class BurnSpec:
    """How the charge burns and cools.

    Attributes
    ----------
    compression
        Compression ratio.
    burn_deg
        Burn angle (0 to 99.3 %) at the reference, 850 rpm and 40 kPa.
    delay_share
        Ignition delay as a fraction of the burn angle.
    speed_power, pressure_power
        Burn angle goes as (rpm/850)**speed_power * (p/40)**-pressure_power: turbulence
        does not quite keep up with speed, and thin, diluted charge burns slowly (signs:
        Heywood, ch. 9; sizes ours).
    wall_factor
        Scale on the wall heat loss, 1 = Woschni's constants.
    """

    compression: float = 9.0
    burn_deg: float = 70.0
    delay_share: float = 0.15
    speed_power: float = 0.35
    pressure_power: float = 0.3
    wall_factor: float = 0.6

    def burn_angle_deg(self, rpm: FloatArray, charge_kpa: FloatArray) -> FloatArray:
        """Burn angle at a speed and charge pressure."""
        return np.asarray(
            self.burn_deg
            * (rpm / 850.0) ** self.speed_power
            * (charge_kpa / 40.0) ** -self.pressure_power
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClosedCycle:
    """Traces of the closed cycle for a batch of conditions.

    Attributes
    ----------
    theta_deg
        float64 [t], after top dead centre.
    pressure_kpa
        float64 [t, n], cylinder pressure.
    burned
        float64 [t, n], burned fraction.
    volume
        float64 [t], volume over displaced volume.
    efficiency
        float64 [n], net work of the closed cycle above compression and expansion without
        fire, per heat released.
    """

    theta_deg: FloatArray
    pressure_kpa: FloatArray
    burned: FloatArray
    volume: FloatArray
    efficiency: FloatArray


def _gamma(temperature_k: FloatArray) -> FloatArray:
    """Ratio of heats of the charge, falling with temperature (linear law; value ours)."""
    return np.asarray(np.clip(1.39 - 6.5e-5 * (temperature_k - 300.0), 1.22, 1.40))


def solve(
    spec: BurnSpec, advance_deg: FloatArray, rpm: FloatArray, charge_kpa: FloatArray, fire: float
) -> ClosedCycle:
    """Integrate the closed cycle for n conditions at once (Heun's method, 1 degree steps).

    Parameters
    ----------
    spec
        Burn and wall constants.
    advance_deg, rpm, charge_kpa
        float64 [n], the conditions; pressure at inlet closing.
    fire
        1 with combustion, 0 without.
    """
    theta = np.arange(IVC_DEG, EVO_DEG + STEP_DEG / 2, STEP_DEG)
    volume = volume_ratio(theta, spec.compression)
    burn = spec.burn_angle_deg(rpm, charge_kpa)
    start = -advance_deg + spec.delay_share * burn
    burned = wiebe((theta[:, None] - start) / burn)
    # Per displaced volume: energies in kJ per m3, so pressure in kPa times volume ratio.
    mass = charge_kpa * volume[0] / (GAS_J_KG_K * MIXED_K)  # kg/m3 * 1e-3
    fuel_mass = charge_kpa / (GAS_J_KG_K * INTAKE_K) * 0.9  # residual gas takes the rest
    heat = fire * fuel_mass * HEAT_J_KG
    # Woschni (Heywood, ch. 12): h = 3.26 B^-0.2 p^0.8 T^-0.55 w^0.8 W/m2K (p kPa, B m), with
    # w = 2.28 * mean piston speed + 3.24e-3 * (Vd/Vr) * (Tr/pr) * (p - p without fire), m/s;
    # bore and stroke 80 mm.
    piston_m_s = 2 * 0.08 * rpm / 60.0
    wall = spec.wall_factor * 3.26 * 0.08**-0.2
    stir = 3.24e-3 / volume[0] * MIXED_K / charge_kpa
    cold = charge_kpa * (volume[0] / volume[:, None]) ** 1.33
    seconds = STEP_DEG / (6.0 * rpm)
    area = (2 * np.pi / 4 * 0.08**2 + np.pi * 0.08**2 * (volume - volume.min())) / (
        np.pi / 4 * 0.08**3
    )  # m2 per m3 of displaced volume

    def slope(p: FloatArray, i: int, dv: float, dx: FloatArray) -> FloatArray:
        v = volume[i]
        t = p * v / (mass * GAS_J_KG_K)
        g = _gamma(t)
        w = 2.28 * piston_m_s + stir * np.maximum(p - cold[i], 0.0)
        loss = wall * (p * w) ** 0.8 * t**-0.55 * area[i] * (t - WALL_K) * seconds * 1e-3
        return np.asarray(((g - 1.0) * (heat * dx - loss) - g * p * dv) / v)

    pressure = np.empty((len(theta), len(advance_deg)))
    pressure[0] = charge_kpa
    for i in range(len(theta) - 1):
        dv, dx = volume[i + 1] - volume[i], burned[i + 1] - burned[i]
        k1 = slope(pressure[i], i, dv, dx)
        k2 = slope(pressure[i] + k1, i + 1, dv, dx)
        pressure[i + 1] = pressure[i] + 0.5 * (k1 + k2)
    work = np.trapezoid(pressure, volume, axis=0)
    return ClosedCycle(
        theta_deg=theta,
        pressure_kpa=pressure,
        burned=burned,
        volume=volume,
        efficiency=work / (fuel_mass * HEAT_J_KG),
    )


ADVANCE_GRID_DEG = np.arange(-30.0, 82.0, 2.0)
RPM_GRID = np.array([400.0, 700.0, 1000.0, 1800.0, 4000.0])
PRESSURE_GRID_KPA = np.array([20.0, 32.0, 46.0, 70.0, 100.0])


@lru_cache(maxsize=64)
def efficiency_table(spec: BurnSpec) -> FloatArray:
    """Net efficiency of combustion, float64 [rpm, pressure, advance] on the grids above."""
    rpm, charge, advance = np.meshgrid(RPM_GRID, PRESSURE_GRID_KPA, ADVANCE_GRID_DEG, indexing="ij")
    fired = solve(spec, advance.ravel(), rpm.ravel(), charge.ravel(), 1.0)
    cold = solve(spec, np.zeros(25), rpm[:, :, 0].ravel(), charge[:, :, 0].ravel(), 0.0)
    net = fired.efficiency.reshape(advance.shape) - cold.efficiency.reshape(5, 5, 1)
    return np.asarray(net)


@lru_cache(maxsize=64)
def torque_shapes(spec: BurnSpec, step_deg: float) -> FloatArray:
    """Where in the turn the work of combustion appears.

    Returns
    -------
    float64 [advance, s]
        For each advance of the grid, the mean torque over steps of ``step_deg`` from
        ``SHAPE_START_DEG`` on, per joule of net work: the rows times the step in radians
        sum to one.
    """
    n = len(ADVANCE_GRID_DEG)
    rpm, charge = np.full(n, 850.0), np.full(n, 40.0)
    fired = solve(spec, ADVANCE_GRID_DEG, rpm, charge, 1.0)
    cold = solve(spec, ADVANCE_GRID_DEG, rpm, charge, 0.0)
    extra = fired.pressure_kpa - cold.pressure_kpa
    work = np.zeros_like(extra)
    work[1:] = np.cumsum(0.5 * (extra[1:] + extra[:-1]) * np.diff(fired.volume)[:, None], axis=0)
    edges = np.arange(SHAPE_START_DEG, SHAPE_END_DEG + step_deg / 2, step_deg)
    shapes = np.empty((n, len(edges) - 1))
    for row in range(n):
        done = np.interp(edges, fired.theta_deg, work[:, row] / work[-1, row])
        shapes[row] = np.diff(done) / np.radians(step_deg)
    return shapes


SHAPE_START_DEG = -84.0
SHAPE_END_DEG = 132.0  # a whole number of steps, just past the exhaust opening
