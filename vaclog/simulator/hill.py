"""The hill: relative efficiency of combustion over advance.

Enters: a :class:`HillSpec`. Leaves: a :class:`Hill`, a fast function of advance, speed and
pressure, at most 1 at its top.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal, TypeAlias

import numpy as np
from scipy.interpolate import CubicSpline, make_interp_spline

from vaclog.simulator.closed_cycle import (
    ADVANCE_GRID_DEG,
    PRESSURE_GRID_KPA,
    RPM_GRID,
    BurnSpec,
    FloatArray,
    efficiency_table,
)

HillKind: TypeAlias = Literal["parabola", "halves", "cubic", "tabulated"]

FINE_DEG = 0.1
RPM_NODES = np.array([400.0, 600.0, 750.0, 900.0, 1100.0, 1500.0, 2500.0, 4000.0])
PRESSURE_NODES_KPA = np.array([20.0, 26.0, 32.0, 38.0, 46.0, 60.0, 80.0, 100.0])


@dataclass(frozen=True, slots=True, kw_only=True)
class HillSpec:
    """Shape and place of the hill.

    Attributes
    ----------
    kind
        "parabola", "halves" (two half-parabolas), "cubic" (smoothly lopsided), or
        "tabulated" (from the closed-cycle model; its curvature and lopsidedness are the
        model's own).
    peak_deg
        Best advance of the operating point that a steady idle reaches at the top.
    k_per_deg2
        Efficiency is 1 - k x**2 on the retard side; 2e-4 ... 5e-4 (Heywood ch. 9 and 15,
        from memory; 4.8e-4: Hendricks and Sorenson, SAE 900616).
    lopsided
        r: the advanced side is (1 + r) times as steep ("halves"), or the two sides stand in
        that ratio ten degrees from the top ("cubic").
    moving
        True: the best advance moves with speed and pressure, around the top.
    per_kpa_deg, per_rpm_deg
        Movement of the analytic hills: the best advance falls with pressure and grows with
        speed. A tabulated hill moves as its burn angle does.
    burn
        Constants behind a tabulated hill; its burn angle is chosen so that the best advance
        comes near ``peak_deg``, the rest is a shift of the whole table.
    """

    kind: HillKind = "halves"
    peak_deg: float = 24.0
    k_per_deg2: float = 3.0e-4
    lopsided: float = 0.2
    moving: bool = False
    per_kpa_deg: float = -0.3
    per_rpm_deg: float = 0.012
    burn: BurnSpec = field(default_factory=BurnSpec)


class Hill:
    """Relative efficiency as a function of advance, speed and manifold pressure.

    Parameters
    ----------
    spec
        Shape and place.
    top_rpm, top_kpa
        The operating point of a steady idle at the top, where the peak is as specified.
    """

    def __init__(self, spec: HillSpec, top_rpm: float, top_kpa: float) -> None:
        self.spec = spec
        self.top_rpm = top_rpm
        self.top_kpa = top_kpa
        self.burn = replace(spec.burn, burn_deg=burn_guess_deg(spec.peak_deg))
        self._rows: list[list[list[float]]] = []
        if spec.kind == "tabulated":
            self._tabulate()

    def best_deg(self, rpm: float, kpa: float) -> float:
        """Best advance at an operating point."""
        if self.spec.kind == "tabulated":
            best = 25.0
            for width, step in ((35.0, 1.0), (1.2, 0.02)):
                grid = np.arange(best - width, best + width, step).tolist()
                best = max(grid, key=lambda a: self(a, rpm, kpa))
            return best
        if not self.spec.moving:
            return self.spec.peak_deg
        shift = self.spec.per_kpa_deg * (kpa - self.top_kpa)
        shift += self.spec.per_rpm_deg * (rpm - self.top_rpm)
        return self.spec.peak_deg + min(max(shift, -20.0), 20.0)

    def __call__(self, advance_deg: float, rpm: float, kpa: float) -> float:
        """Relative efficiency, 0 … 1."""
        spec = self.spec
        if spec.kind == "tabulated":
            return self._look_up(advance_deg, rpm, kpa)
        x = advance_deg - self.best_deg(rpm, kpa)
        if spec.kind == "halves" and x > 0:
            loss = spec.k_per_deg2 * (1.0 + spec.lopsided) * x * x
        elif spec.kind == "cubic":
            # The sides stand as 1 + r at ten degrees; far out the factor is held positive.
            c = spec.lopsided / (10.0 * (2.0 + spec.lopsided))
            loss = spec.k_per_deg2 * x * x * max(1.0 + c * x, 0.3)
        else:
            loss = spec.k_per_deg2 * x * x
        return max(1.0 - loss, 0.0)

    def _look_up(self, advance_deg: float, rpm: float, kpa: float) -> float:
        a = (advance_deg - _FINE_START) / FINE_DEG
        a = min(max(a, 0.0), _FINE_LAST)
        i = int(a)
        fa = a - i
        if not self.spec.moving:
            row = self._rows[0][0]
            return row[i] + fa * (row[i + 1] - row[i])
        m, fm = _place(rpm, _RPM_LIST)
        n, fn = _place(kpa, _KPA_LIST)
        low, high = self._rows[m], self._rows[m + 1]
        value = 0.0
        for row, weight in (
            (low[n], (1 - fm) * (1 - fn)),
            (low[n + 1], (1 - fm) * fn),
            (high[n], fm * (1 - fn)),
            (high[n + 1], fm * fn),
        ):
            value += weight * (row[i] + fa * (row[i + 1] - row[i]))
        return value

    def _tabulate(self) -> None:
        burn, model_best = _burn_for_peak(self.spec, self.top_rpm, self.top_kpa)
        self.burn = burn
        table = efficiency_table(burn)
        shift = model_best - self.spec.peak_deg
        at_top = _at_point(table, self.top_rpm, self.top_kpa)
        spline = CubicSpline(ADVANCE_GRID_DEG, at_top)
        peak = float(spline(model_best))
        want = np.clip(_FINE + shift, ADVANCE_GRID_DEG[0], ADVANCE_GRID_DEG[-1])
        if not self.spec.moving:
            self._rows = [[np.maximum(spline(want) / peak, 0.0).tolist()]]
            return
        nodes = _at_points(table, RPM_NODES, PRESSURE_NODES_KPA)
        fine = CubicSpline(ADVANCE_GRID_DEG, nodes, axis=2)(want)
        self._rows = np.maximum(fine / peak, 0.0).tolist()
        # Bilinear blending between nodes displaces the top a little: take that back.
        off = self.best_deg(self.top_rpm, self.top_kpa) - self.spec.peak_deg
        steps = round(off / FINE_DEG)
        self._rows = [[_shift(row, steps) for row in line] for line in self._rows]


_FINE_START = -28.0
_FINE = np.arange(_FINE_START, 75.0 + FINE_DEG / 2, FINE_DEG)
_FINE_LAST = len(_FINE) - 1.001
_RPM_LIST: list[float] = RPM_NODES.tolist()
_KPA_LIST: list[float] = PRESSURE_NODES_KPA.tolist()


def _shift(row: list[float], steps: int) -> list[float]:
    """Move a row by whole steps to lower advance, repeating the ends."""
    if steps >= 0:
        return row[steps:] + [row[-1]] * steps
    return [row[0]] * -steps + row[:steps]


def _place(value: float, nodes: list[float]) -> tuple[int, float]:
    """Index of the node below and the fraction to the next, held inside the nodes."""
    if value <= nodes[0]:
        return 0, 0.0
    for i in range(len(nodes) - 1):
        if value < nodes[i + 1]:
            return i, (value - nodes[i]) / (nodes[i + 1] - nodes[i])
    return len(nodes) - 2, 1.0


def _at_points(table: FloatArray, rpm: FloatArray, kpa: FloatArray) -> FloatArray:
    """Efficiency over the advance grid at operating points [rpm, kpa], smooth in both."""
    rpm = np.clip(rpm, RPM_GRID[0], RPM_GRID[-1])
    kpa = np.clip(kpa, PRESSURE_GRID_KPA[0], PRESSURE_GRID_KPA[-1])
    over_rpm = make_interp_spline(np.log(RPM_GRID), table, k=2, axis=0)(np.log(rpm))
    over_kpa = make_interp_spline(np.log(PRESSURE_GRID_KPA), over_rpm, k=2, axis=1)
    return np.asarray(over_kpa(np.log(kpa)))


def _at_point(table: FloatArray, rpm: float, kpa: float) -> FloatArray:
    """Efficiency over the advance grid at one operating point."""
    return np.asarray(_at_points(table, np.array([rpm]), np.array([kpa]))[0, 0])


def _model_best(burn: BurnSpec, rpm: float, kpa: float) -> float:
    curve = CubicSpline(ADVANCE_GRID_DEG, _at_point(efficiency_table(burn), rpm, kpa))
    roots = curve.derivative().roots(extrapolate=False)
    return float(roots[np.argmax(curve(roots))])


def burn_guess_deg(peak_deg: float) -> float:
    """Burn angle at the reference point whose best advance is roughly the one given."""
    return float(round(min(max(60.0 + (peak_deg - 27.0) / 0.6, 25.0), 130.0)))


def _burn_for_peak(spec: HillSpec, rpm: float, kpa: float) -> tuple[BurnSpec, float]:
    """Choose the burn angle whose best advance is near the wanted one (one secant step)."""
    burn = replace(spec.burn, burn_deg=burn_guess_deg(spec.peak_deg))
    best = _model_best(burn, rpm, kpa)
    # About 0.6 degrees of best advance per degree of burn angle.
    angle = burn.burn_deg + (spec.peak_deg - best) / 0.6
    burn = replace(burn, burn_deg=round(min(max(angle, 25.0), 130.0)))
    best = _model_best(burn, rpm, kpa)
    return burn, best
