"""An engine whose hill follows from gas properties alone, for the simulator to turn.

Enters: speed, pressure at inlet closing, advance. Leaves: traces of the closed cycle, the
efficiency over advance, speed and pressure, and :class:`GasHill`, which takes the place of the
simulator's own hill. Nothing of the package enters the gas: energies and equilibria are those of
the public thermochemistry library cantera (GRI-Mech 3.0, propane for petrol).

One zone: fresh propane and air with residual gas burn to products in equilibrium at the zone's own
temperature and pressure, so heat of reaction, dissociation and heat capacities are the library's.

- burned fraction: Wiebe function, a = 5, m = 2 (J. B. Heywood, Internal Combustion Engine
  Fundamentals, ch. 9, from memory);
- burn angle: grows as (speed * viscosity)**(1/3) * (laminar flame speed)**(-2/3) (S. D. Hires,
  R. J. Tabaczynski, J. M. Novak, SAE 780232, 1978, from memory), flame speed of propane by
  (T/298)**2.18 * (p/101)**-0.16 * (1 - 2.06 * residual**0.77) (Metghalchi and Keck, Rhodes and
  Keck, as in Heywood ch. 9, from memory), taken at 25 degrees before the top;
- walls: Woschni's law (Heywood ch. 12, from memory);
- residual gas: what the clearance volume keeps at exhaust pressure, and a backflow through the
  overlap that grows with vacuum (sizes ours).
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import lru_cache

import cantera as ct
import numpy as np
from scipy.interpolate import CubicSpline

import vaclog.simulator.engine as simulator_engine
from vaclog.simulator.closed_cycle import BurnSpec
from vaclog.simulator.hill import HillSpec

BORE_M = STROKE_M = 0.080
ROD_RATIO = 3.4  # connecting rod over crank radius
CLOSE_DEG, OPEN_DEG, STEP_DEG = -128.0, 128.0, 1.0
WALL_K, MIXED_K, EXHAUST_K, EXHAUST_KPA = 430.0, 385.0, 1000.0, 103.0
TEMPERATURES_K = np.arange(300.0, 3401.0, 25.0)
LOG_PA = np.linspace(np.log(5e3), np.log(1.5e7), 17)


@dataclass(frozen=True)
class Gas:
    """Energies (J/kg) and gas constants (J/kg/K): fresh over T, products over T and log p."""

    fresh_u: np.ndarray
    fresh_r: float
    burned_u: np.ndarray
    burned_r: np.ndarray
    heat_j_kg: float  # lower heating value per kg of fresh mixture


@lru_cache(maxsize=1)
def gas() -> Gas:
    """Tables from the library; about a second."""
    mix = ct.Solution("gri30.yaml")
    mix.set_equivalence_ratio(1.0, "C3H8", "O2:1.0, N2:3.76")
    fresh = mix.Y
    fresh_u, n_t, n_p = [], len(TEMPERATURES_K), len(LOG_PA)
    for kelvin in TEMPERATURES_K:
        mix.TPY = kelvin, ct.one_atm, fresh
        fresh_u.append(mix.int_energy_mass)
    fresh_r = ct.gas_constant / mix.mean_molecular_weight
    burned_u, burned_r = np.empty((n_t, n_p)), np.empty((n_t, n_p))
    for j, log_pa in enumerate(LOG_PA):
        # From hot to cold: each equilibrium starts from its neighbour.
        mix.TPY = TEMPERATURES_K[-1], float(np.exp(log_pa)), fresh
        for i in range(n_t - 1, -1, -1):
            mix.TP = TEMPERATURES_K[i], float(np.exp(log_pa))
            mix.equilibrate("TP")
            burned_u[i, j] = mix.int_energy_mass
            burned_r[i, j] = ct.gas_constant / mix.mean_molecular_weight
    mix.TPY = 298.15, ct.one_atm, fresh
    before = mix.enthalpy_mass
    mix.TPX = 298.15, ct.one_atm, "CO2:3, H2O:4, N2:18.8"
    heat = float(before - mix.enthalpy_mass)
    return Gas(np.array(fresh_u), fresh_r, burned_u, burned_r, heat)


@dataclass(frozen=True)
class GasEngine:
    """What burns and cools; ``burn_deg`` (0 to 99.3 %) at 850 rpm and 40 kPa."""

    compression: float = 9.0
    burn_deg: float = 62.0
    delay_share: float = 0.15
    walls: float = 1.0  # 1: Woschni's constants
    overlap: float = 0.06


@dataclass(frozen=True)
class Traces:
    """One row per degree; columns are conditions."""

    theta_deg: np.ndarray
    kpa: np.ndarray
    burned: np.ndarray
    kelvin: np.ndarray
    efficiency: np.ndarray


def volume(theta_deg: np.ndarray, compression: float) -> np.ndarray:
    """Cylinder volume, m3."""
    swept = np.pi / 4 * BORE_M**2 * STROKE_M
    t = np.radians(theta_deg)
    lift = 0.5 * (1 + ROD_RATIO - np.cos(t) - np.sqrt(ROD_RATIO**2 - np.sin(t) ** 2))
    return swept * (1 / (compression - 1) + lift)


def residual(engine: GasEngine, kpa: np.ndarray) -> np.ndarray:
    """Share of residual gas in the charge."""
    clearance = volume(np.zeros(1), engine.compression)[0]
    closing = volume(np.array([CLOSE_DEG]), engine.compression)[0]
    kept = clearance / closing * EXHAUST_KPA / kpa * MIXED_K / EXHAUST_K
    return kept + engine.overlap * np.clip(1 - kpa / EXHAUST_KPA, 0.0, 1.0)


def burn_angle_deg(engine: GasEngine, rpm: np.ndarray, kpa: np.ndarray) -> np.ndarray:
    """Burn angle at a speed and pressure at inlet closing."""
    squeeze = (
        volume(np.array([CLOSE_DEG]), engine.compression)
        / volume(np.array([-25.0]), engine.compression)
    )[0]

    def scale(rpm: np.ndarray, kpa: np.ndarray) -> np.ndarray:
        kelvin, pressed = MIXED_K * squeeze**0.33, kpa * squeeze**1.33
        flame = (kelvin / 298.0) ** 2.18 * (pressed / 101.3) ** -0.16
        flame = flame * (1 - 2.06 * residual(engine, kpa) ** 0.77)
        return (rpm * kelvin**1.7 / pressed) ** (1 / 3) * flame ** (-2 / 3)

    return engine.burn_deg * scale(rpm, kpa) / scale(np.array(850.0), np.array(40.0))


def _bilinear(table: np.ndarray, kelvin: np.ndarray, pa: np.ndarray) -> np.ndarray:
    a = np.clip((kelvin - TEMPERATURES_K[0]) / 25.0, 0, len(TEMPERATURES_K) - 1.001)
    b = (np.log(pa) - LOG_PA[0]) / (LOG_PA[1] - LOG_PA[0])
    b = np.clip(b, 0, len(LOG_PA) - 1.001)
    i, j = a.astype(int), b.astype(int)
    fa, fb = a - i, b - j
    low = table[i, j] * (1 - fb) + table[i, j + 1] * fb
    high = table[i + 1, j] * (1 - fb) + table[i + 1, j + 1] * fb
    return low * (1 - fa) + high * fa


def _state(
    props: Gas, energy: np.ndarray, specific: np.ndarray, x: np.ndarray, kelvin: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Temperature and pressure (Pa) with this energy (J/kg) and volume (m3/kg); x burned."""

    def at(t: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        r = (1 - x) * props.fresh_r + x * _bilinear(props.burned_r, t, 290.0 * t / specific)
        pa = r * t / specific
        u = (1 - x) * np.interp(t, TEMPERATURES_K, props.fresh_u)
        return u + x * _bilinear(props.burned_u, t, pa), pa

    for _ in range(3):
        u, _ = at(kelvin)
        slope = (at(kelvin + 5.0)[0] - u) / 5.0
        kelvin = np.clip(kelvin + (energy - u) / slope, 301.0, 3399.0)
    return kelvin, at(kelvin)[1]


def run(engine: GasEngine, advance_deg: np.ndarray, rpm: np.ndarray, kpa: np.ndarray) -> Traces:
    """Closed cycles of n conditions at once; advance NaN: no fire."""
    props = gas()
    theta = np.arange(CLOSE_DEG, OPEN_DEG + STEP_DEG / 2, STEP_DEG)
    space = volume(theta, engine.compression)
    fires = np.isfinite(advance_deg)
    angle = burn_angle_deg(engine, rpm, kpa)
    y = (theta[:, None] - (engine.delay_share * angle - advance_deg)) / angle
    wiebe = np.where(fires, 1 - np.exp(-5.0 * np.clip(y, 0.0, None) ** 3), 0.0)
    kept = residual(engine, kpa)
    x = kept + (1 - kept) * wiebe
    r0 = (1 - kept) * props.fresh_r + kept * _bilinear(
        props.burned_r, np.full_like(kpa, MIXED_K), kpa * 1e3
    )
    mass = kpa * 1e3 * space[0] / (r0 * MIXED_K)
    # Woschni: W/m2/K from p in kPa, bore in m, gas velocity in m/s.
    piston = 2 * STROKE_M * rpm / 60.0
    stir = 3.24e-3 * (space.max() - space.min()) * MIXED_K / (kpa * space[0])
    area = 2 * np.pi / 4 * BORE_M**2 + 4 * (space - space.min()) / BORE_M
    kelvin = np.full(len(kpa), MIXED_K)
    u0 = (1 - kept) * np.interp(MIXED_K, TEMPERATURES_K, props.fresh_u)
    energy = u0 + kept * _bilinear(props.burned_u, kelvin, kpa * 1e3)
    pa = kpa * 1e3
    seconds = STEP_DEG / (6.0 * rpm)
    out_kpa, out_k = [pa * 1e-3], [kelvin]
    for i in range(len(theta) - 1):
        cold = kpa * (space[0] / space[i]) ** 1.33
        wind = 2.28 * piston + stir * np.clip(pa * 1e-3 - cold, 0.0, None)
        film = 3.26 * BORE_M**-0.2 * (pa * 1e-3) ** 0.8 * kelvin**-0.55 * wind**0.8
        lost = engine.walls * film * area[i] * (kelvin - WALL_K) * seconds / mass
        mean_pa = pa
        for _ in range(2):  # the mean of the step's two pressures
            after = energy - mean_pa * (space[i + 1] - space[i]) / mass - lost
            t, p = _state(props, after, space[i + 1] / mass, x[i + 1], kelvin)
            mean_pa = 0.5 * (pa + p)
        energy, kelvin, pa = after, t, p
        out_kpa.append(pa * 1e-3)
        out_k.append(kelvin)
    pressure = np.array(out_kpa)
    work = 1e3 * np.trapezoid(pressure, space, axis=0)
    heat = mass * (1 - kept) * props.heat_j_kg
    return Traces(theta, pressure, wiebe, np.array(out_k), work / heat)


ADVANCE_DEG = np.arange(-20.0, 72.1, 2.0)
RPM = np.array([400.0, 600.0, 750.0, 900.0, 1100.0, 1500.0, 2500.0])
KPA = np.array([20.0, 26.0, 32.0, 38.0, 46.0, 60.0, 80.0, 100.0])


@lru_cache(maxsize=16)
def efficiency(engine: GasEngine) -> np.ndarray:
    """Work gained by fire over heat, float64 [rpm, kpa, advance] on the grids above."""
    rpm, kpa, advance = np.meshgrid(RPM, KPA, ADVANCE_DEG, indexing="ij")
    fired = run(engine, advance.ravel(), rpm.ravel(), kpa.ravel()).efficiency
    rpm, kpa = rpm[:, :, 0], kpa[:, :, 0]
    cold = run(engine, np.full(rpm.size, np.nan), rpm.ravel(), kpa.ravel()).efficiency
    return fired.reshape(advance.shape) - cold.reshape(rpm.shape)[:, :, None]


FINE_DEG = 0.1
_FINE = np.arange(ADVANCE_DEG[0], ADVANCE_DEG[-1] + FINE_DEG / 2, FINE_DEG)


@lru_cache(maxsize=16)
def _rows(engine: GasEngine) -> list[list[list[float]]]:
    table = CubicSpline(ADVANCE_DEG, efficiency(engine), axis=2)(_FINE)
    return np.maximum(table / table.max(), 0.0).tolist()


@dataclass
class GasHill:
    """In the place of :class:`vaclog.simulator.hill.Hill`: the table, as it is, nothing shifted.

    One is the best efficiency of the whole table, so the engine also breathes and burns worse
    where the gas says so.
    """

    spec: HillSpec
    engine: GasEngine
    burn: BurnSpec = field(default_factory=BurnSpec)

    def __post_init__(self) -> None:
        """Only the place of work within the turn is still the simulator's."""
        self.burn = replace(self.burn, burn_deg=self.engine.burn_deg)
        self.rows = _rows(self.engine)

    def best_deg(self, rpm: float, kpa: float) -> float:
        """Best advance at an operating point."""
        values = [self(float(a), rpm, kpa) for a in _FINE]
        return float(_FINE[int(np.argmax(values))])

    def __call__(self, advance_deg: float, rpm: float, kpa: float) -> float:
        """Relative efficiency, straight between operating points."""
        a = min(max((advance_deg - _FINE[0]) / FINE_DEG, 0.0), len(_FINE) - 1.001)
        i = int(a)
        value = 0.0
        for m, wm in _between(rpm, RPM):
            for n, wn in _between(kpa, KPA):
                row = self.rows[m][n]
                value += wm * wn * (row[i] + (a - i) * (row[i + 1] - row[i]))
        return value


def _between(value: float, nodes: np.ndarray) -> tuple[tuple[int, float], tuple[int, float]]:
    i = int(np.clip(np.searchsorted(nodes, value, side="right") - 1, 0, len(nodes) - 2))
    share = float(np.clip((value - nodes[i]) / (nodes[i + 1] - nodes[i]), 0.0, 1.0))
    return (i, 1.0 - share), (i + 1, share)


@contextmanager
def burning(engine: GasEngine) -> Iterator[None]:
    """Engines that the simulator builds meanwhile have this hill."""
    usual = simulator_engine.Hill

    def hill(spec: HillSpec, top_rpm: float, top_kpa: float) -> GasHill:
        del top_rpm, top_kpa  # the gas puts its top where it wants
        return GasHill(spec, engine)

    simulator_engine.Hill = hill  # type: ignore[assignment, misc]
    try:
        yield
    finally:
        simulator_engine.Hill = usual  # type: ignore[misc]
