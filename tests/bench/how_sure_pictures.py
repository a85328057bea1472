"""Draw the pictures of vaclog/docs/how_sure.md from the bench's own output.

    python tests/bench/how_sure_pictures.py runs.jsonl vaclog/docs

``runs.jsonl`` is what hill_truth_bench.py appends to. Three pictures are drawn from runs made
here: the plain parabola beside the fit, the needle beside the hill, drift on a sweep of one way.
The same runs give the same files.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[2]))

import matplotlib as mpl  # noqa: E402
import matplotlib.pyplot as plt  # noqa: E402
import numpy as np  # noqa: E402
from hill_bench import Outcome  # noqa: E402
from hill_classes import CLASSES, Case, case_of, engine, make_case, way  # noqa: E402
from hill_fresh import FRESH_NAMES  # noqa: E402
from hill_truth_bench import read  # noqa: E402
from matplotlib.axes import Axes  # noqa: E402
from matplotlib.figure import Figure  # noqa: E402
from scipy.stats import binomtest  # noqa: E402

from vaclog.analysis.hill.fit import fit_hill  # noqa: E402
from vaclog.analysis.hill.parabola import fit_vertex  # noqa: E402
from vaclog.report.look import LIGHT  # noqa: E402
from vaclog.simulator.recording import simulate  # noqa: E402
from vaclog.simulator.rig import RigSpec  # noqa: E402

SEED = 6001
STYLE = {
    "svg.fonttype": "none",
    "svg.hashsalt": "how sure",
    "font.family": "sans-serif",
    "font.size": 11,
    "text.color": LIGHT.ink,
    "axes.labelcolor": LIGHT.ink,
    "axes.edgecolor": LIGHT.quiet,
    "axes.facecolor": LIGHT.paper,
    "figure.facecolor": LIGHT.paper,
    "xtick.color": LIGHT.quiet,
    "ytick.color": LIGHT.quiet,
    "axes.spines.top": False,
    "axes.spines.right": False,
}
HELD, LOST = LIGHT.ball, LIGHT.fence


def save(figure: Figure, folder: Path, name: str) -> None:
    """Write one picture, without a date."""
    figure.savefig(folder / f"{name}.svg", metadata={"Date": None}, bbox_inches="tight")
    plt.close(figure)


def _bars(axes: Axes, low: Sequence[float], high: Sequence[float], title: str) -> None:
    """One bar per run, sorted by its middle; those that miss the truth stand out."""
    order = np.argsort(np.add(low, high))
    held = 0
    for place, k in enumerate(order):
        inside = low[k] <= 0.0 <= high[k]
        held += inside
        axes.plot(
            [low[k], high[k]],
            [place, place],
            color=HELD if inside else LOST,
            linewidth=3.0 if inside else 1.8,
            linestyle="-" if inside else (0, (2, 1)),
            solid_capstyle="butt",
        )
    axes.axvline(0.0, color=LIGHT.ink, linewidth=1.0)
    axes.set_title(f"{title}:\n{held} of {len(low)} hold the truth", loc="left", fontsize=11)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.set_xlabel("degrees from the true top")


def parabola_and_fit(folder: Path, runs: int = 30) -> None:
    """The interval of a parabola through the readings beside that of the fit."""
    plain, fitted = [], []
    for index in range(runs):
        case = make_case("4 cylinders, 6 %", index, SEED)
        fit = fit_hill(case.cycles, case.use)
        seen = case.use & np.isfinite(case.cycles.pressure_kpa)
        vertex = fit_vertex(case.cycles.advance_deg[seen], case.cycles.pressure_kpa[seen])
        plain.append((vertex.low - case.peak_deg, vertex.high - case.peak_deg))
        fitted.append((fit.low_deg - case.peak_deg, fit.high_deg - case.peak_deg))
    figure, axes = plt.subplots(1, 2, figsize=(8.0, 4.2), sharex=True)
    _bars(axes[0], *zip(*plain, strict=True), "A parabola's “95 %”")
    _bars(axes[1], *zip(*fitted, strict=True), "vaclog's 95 %")
    axes[0].set_xlim(-4.0, 4.0)
    save(figure, folder, "parabola_and_fit")


def needle_and_hill(folder: Path) -> None:
    """What the needle shows and what the hill is, on the same scale."""
    rng = np.random.default_rng(SEED)
    spec = engine(rng, 1)
    made = simulate(spec, way(rng, spec), RigSpec(), 1)
    case, trace, truth = case_of("needle", made), made.trace, made.truth
    figure, axes = plt.subplots(1, 2, figsize=(8.0, 3.6), sharey=True, width_ratios=[2, 3])
    part = (trace.time_s > 5.0) & (trace.time_s < 5.6)
    axes[0].plot(trace.time_s[part] - 5.0, trace.pressure_kpa[part], color=LIGHT.quiet, linewidth=1)
    axes[0].set_title("Half a second of the needle:\nevery intake stroke", loc="left", fontsize=11)
    axes[0].set_xlabel("seconds")
    axes[0].set_ylabel("manifold pressure, kPa")
    shown = case.use & np.isfinite(case.cycles.advance_deg)
    axes[1].plot(
        case.cycles.advance_deg[shown],
        case.cycles.pressure_kpa[shown],
        ".",
        color=LIGHT.foot,
        markersize=2.5,
        alpha=0.5,
        label="means of whole cycles",
    )
    near = abs(truth.curve_deg - truth.peak_deg) < 13.0
    axes[1].plot(
        truth.curve_deg[near],
        truth.curve_kpa[near],
        color=HELD,
        linewidth=2.5,
        label="the hill itself",
    )
    axes[1].set_title(
        "The whole sweep: averaged over cycles,\nstill wandering, and the hill",
        loc="left",
        fontsize=11,
    )
    axes[1].set_xlabel("advance, degrees")
    axes[1].invert_yaxis()
    axes[1].legend(frameon=False, loc="lower right", fontsize=9)
    save(figure, folder, "needle_and_hill")


def drift_one_way(folder: Path, runs: int = 14) -> None:
    """Error over a drift of the engine, for one way and for there and back."""
    figure, axes = plt.subplots(1, 2, figsize=(8.0, 3.6), sharey=True)
    rates = np.linspace(-4.0, 4.0, runs)
    for panel, (habit, title) in zip(
        axes, (("one-way", "One way"), ("there-and-back", "There and back")), strict=True
    ):
        for k, percent in enumerate(rates):
            case = _drifting(habit, float(percent), k)
            fit = fit_hill(case.cycles, case.use)
            low, mid, high = (v - case.peak_deg for v in (fit.low_deg, fit.angle_deg, fit.high_deg))
            color = HELD if low <= 0.0 <= high else LOST
            panel.plot([percent, percent], [low, high], color=color, linewidth=3.0, alpha=0.6)
            panel.plot([percent], [mid], "o", color=color, markersize=4)
        panel.axhline(0.0, color=LIGHT.ink, linewidth=1.0)
        panel.set_title(title, loc="left", fontsize=11)
        panel.set_xlabel("drift of friction, per cent a minute")
    axes[0].set_ylabel("degrees from the true top")
    save(figure, folder, "drift_one_way")


def _drifting(habit: str, percent: float, k: int) -> Case:
    rng = np.random.default_rng([SEED, 7, k])
    spec = replace(engine(rng, k), friction_drift_per_min=0.01 * percent)
    script = way(rng, spec, habit, rate=0.7)
    return case_of(habit, simulate(spec, script, RigSpec(), k))


def coverage(folder: Path, outcomes: Sequence[Outcome]) -> None:
    """For each class, how often the interval held the truth, with what chance alone allows."""
    names = [
        n for n in (*CLASSES, *FRESH_NAMES) if sum(o.found for o in outcomes if o.name == n) > 9
    ]
    figure, axes = plt.subplots(figsize=(8.0, 0.21 * len(names) + 1.0))
    for place, name in enumerate(reversed(names)):
        found = [o for o in outcomes if o.name == name and o.found]
        hit = sum(o.low_error <= 0.0 <= o.high_error for o in found)
        limits = binomtest(hit, len(found)).proportion_ci(0.99)
        outside = not limits.low <= 0.95 <= limits.high
        axes.plot(
            [100 * limits.low, 100 * limits.high],
            [place, place],
            color=LOST if outside else LIGHT.band,
            linewidth=4.0,
            solid_capstyle="butt",
        )
        axes.plot([100.0 * hit / len(found)], [place], "o", color=LIGHT.ink, markersize=4)
    axes.axvline(95.0, color=HELD, linewidth=1.2)
    axes.set_yticks(range(len(names)), list(reversed(names)), fontsize=8.5)
    axes.set_ylim(-0.7, len(names) - 0.3)
    axes.set_xlim(60.0, 100.5)
    axes.set_xlabel("per cent of runs whose 95 % interval held the true top (bar: 99 % by chance)")
    save(figure, folder, "coverage")


def widths(folder: Path, outcomes: Sequence[Outcome]) -> None:
    """Half width of the interval over the error that was made: wide where it must be."""
    found = [o for o in outcomes if o.found]
    half = np.array([0.5 * (o.high_error - o.low_error) for o in found])
    error = np.abs([o.error for o in found])
    held = np.array([o.low_error <= 0.0 <= o.high_error for o in found])
    figure, axes = plt.subplots(figsize=(6.0, 4.2))
    # As many dots as eyes can tell apart.
    keep = np.zeros(len(found), bool)
    keep[np.random.default_rng(0).permutation(len(found))[:500]] = True
    for which, color, mark in ((held, HELD, "o"), (~held, LOST, "x")):
        some = which & keep
        axes.plot(half[some], error[some], mark, color=color, markersize=3, alpha=0.6)
    most = float(np.quantile(half, 0.995))
    axes.plot([0.0, most], [0.0, most], color=LIGHT.ink, linewidth=1.0)
    axes.text(0.99 * most, 0.80 * most, "error = half width", ha="right", fontsize=9)
    edges = np.quantile(half, np.linspace(0.0, 1.0, 7))
    middle, typical = [], []
    for low, high in pairwise(edges):
        part = (half >= low) & (half <= high)
        middle.append(half[part].mean())
        typical.append(np.sqrt((error[part] ** 2).mean()))
    axes.plot(middle, typical, color=LIGHT.foot, linewidth=2.5, label="root mean square error")
    axes.set_xlim(0.4, most)
    axes.set_ylim(0.0, most)
    axes.set_xlabel("what vaclog says: ± degrees (95 %)")
    axes.set_ylabel("what it was off: degrees")
    axes.legend(frameon=False, loc="upper left", fontsize=9)
    save(figure, folder, "widths")


def main() -> None:
    """Draw all."""
    outcomes = [o for _, o in read(Path(sys.argv[1]))]
    folder = Path(sys.argv[2])
    mpl.rcParams.update(STYLE)
    coverage(folder, outcomes)
    widths(folder, outcomes)
    needle_and_hill(folder)
    parabola_and_fit(folder)
    drift_one_way(folder)


if __name__ == "__main__":
    main()
