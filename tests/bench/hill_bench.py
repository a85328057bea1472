"""Bench of the hill fit: many engines, hands and rigs, from bytes to the interval, one table.

    python tests/bench/hill_bench.py --runs 12 --seed 100

makes 12 runs of each class (see hill_classes.py) in two processes and prints, per class and
pooled: how often the top was found, bias, root mean square error (RMSE), the bound that the
run's own noise sets, coverage of the 50, 80 and 95 % intervals, and the width of the last.
Every second run of a class that does not fix the shape has a hill from the closed-cycle model.
Bias to width count the runs that were found; "given" counts every run with an interval. A run
is *false* when found though the top lies outside the swept range, *missed* when not found
though the top lies more than 4 degrees inside a range swept both ways.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from multiprocessing import Pool
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np  # noqa: E402
from hill_classes import CLASSES, HARD, ONE_WAY, TWO_WAY, UNREACHED, Case, make_case  # noqa: E402
from scipy.stats import binomtest, norm  # noqa: E402

from vaclog.analysis.hill.fit import fit_hill  # noqa: E402

MISSED_MARGIN_DEG = 4.0
QUICK = ("4 cylinders, 6 %", "closed cycle", "nudge and wait", "8 cylinders, 14 %")


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What came of one run; angles in degrees, errors are answer less truth."""

    name: str
    error: float
    u: float
    low_error: float
    high_error: float
    found: bool
    side: int
    margin: float
    bound: float
    evidence: float
    white_p: float
    flat_error: float
    seconds: float


def judge(job: tuple[str, int, int]) -> Outcome:
    """Make a case and fit it."""
    return judge_case(make_case(*job))


def judge_case(case: Case) -> Outcome:
    """Fit a case."""
    begin = time.process_time()
    fit = fit_hill(case.cycles, case.use)
    seconds = time.process_time() - begin
    return Outcome(
        name=case.name,
        error=fit.angle_deg - case.peak_deg,
        u=fit.u_deg,
        low_error=fit.low_deg - case.peak_deg,
        high_error=fit.high_deg - case.peak_deg,
        found=fit.found,
        side=fit.side,
        margin=case.margin_deg,
        bound=case.bound_deg,
        evidence=fit.evidence,
        white_p=fit.residual_white_p,
        flat_error=fit.flat_prior_deg - case.peak_deg,
        seconds=seconds,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """One line of the table."""

    name: str
    runs: int
    found: int
    false: int
    missed: int
    bias: float
    rmse: float
    bound: float
    held: dict[int, tuple[int, int]]
    given: tuple[int, int]
    width: float
    seconds: float

    def interval(self, percent: int) -> tuple[float, float, float]:
        """Coverage in per cent with its 95 % binomial limits."""
        hit, of = self.held[percent]
        if of == 0:
            return (float("nan"),) * 3
        limits = binomtest(hit, of).proportion_ci(0.95)
        return 100.0 * hit / of, 100.0 * limits.low, 100.0 * limits.high


def summarize(
    name: str, outcomes: Sequence[Outcome], two_way: Sequence[str] = (*TWO_WAY,)
) -> Summary:
    """Sum the runs of a class, or of several; ``two_way`` classes may count as missed."""
    found = [o for o in outcomes if o.found]
    given = [o for o in outcomes if np.isfinite(o.error)]
    error = np.array([o.error for o in found])
    held = {95: (sum(_holds(o) for o in found), len(found))}
    for percent in (50, 80):
        reach = float(norm.ppf(0.5 + percent / 200))
        held[percent] = (sum(abs(o.error) <= reach * o.u for o in found), len(found))
    bounds = [o.bound for o in found if np.isfinite(o.bound)]
    return Summary(
        name=name,
        runs=len(outcomes),
        found=len(found),
        false=sum(o.margin < 0 for o in found),
        missed=sum(
            not o.found and o.margin > MISSED_MARGIN_DEG and o.name in two_way for o in outcomes
        ),
        bias=float(error.mean()) if found else float("nan"),
        rmse=float(np.sqrt((error**2).mean())) if found else float("nan"),
        bound=float(np.sqrt(np.mean(np.square(bounds)))) if bounds else float("nan"),
        held=held,
        given=(sum(_holds(o) for o in given), len(given)),
        width=float(np.mean([o.high_error - o.low_error for o in found]))
        if found
        else float("nan"),
        seconds=float(np.mean([o.seconds for o in outcomes])),
    )


def _holds(outcome: Outcome) -> bool:
    return outcome.low_error <= 0.0 <= outcome.high_error


HEAD = (
    f"{'class':26s} {'runs':>4s} {'found':>5s} {'false':>5s} {'missed':>6s} "
    f"{'bias':>6s} {'RMSE':>5s} {'bound':>5s} {'ratio':>5s} "
    f"{'50 %':>4s} {'80 %':>4s} {'95 % (limits)':>18s} "
    f"{'given':>9s} {'width':>5s} {'w/RMSE':>6s} {'s':>5s}"
)


def line(s: Summary) -> str:
    """One line of the table."""
    c95, low, high = s.interval(95)
    return (
        f"{s.name:26s} {s.runs:4d} {s.found:5d} {s.false:5d} {s.missed:6d} {s.bias:+6.2f} "
        f"{s.rmse:5.2f} {s.bound:5.2f} {s.rmse / s.bound:5.2f} {s.interval(50)[0]:4.0f} "
        f"{s.interval(80)[0]:4.0f} {c95:5.1f} ({low:4.1f}-{high:5.1f}) "
        f"{s.given[0]:4d}/{s.given[1]:<4d} {s.width:5.2f} {s.width / s.rmse:6.2f} {s.seconds:5.3f}"
    )


def run(names: Iterable[str], runs: int, seed: int, processes: int = 2) -> list[Outcome]:
    """Make and judge ``runs`` runs of each class, in order."""
    jobs = [(name, index, seed) for name in names for index in range(runs)]
    if processes < 2:
        return [judge(job) for job in jobs]
    outcomes = []
    with Pool(processes) as pool:
        for done, outcome in enumerate(pool.imap(judge, jobs, chunksize=2), start=1):
            outcomes.append(outcome)
            if done % 50 == 0:
                print(f"{done} of {len(jobs)} runs", file=sys.stderr, flush=True)
    return outcomes


def pooled(outcomes: Sequence[Outcome]) -> list[Summary]:
    """The lines below the classes."""
    pools = {
        "all two-way": {*TWO_WAY},
        "all one-way": {*ONE_WAY},
        "narrow or at the edge": {*HARD},
        "top not reached": {*UNREACHED},
        "all": {*CLASSES},
    }
    sets = [(name, [o for o in outcomes if o.name in pool]) for name, pool in pools.items()]
    return [summarize(name, some) for name, some in sets if some]


def main() -> None:
    """Run the bench and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=12, help="runs of each class")
    parser.add_argument("--seed", type=int, default=100)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--quick", action="store_true", help="four classes only")
    parser.add_argument("--only", help="classes whose name contains this")
    args = parser.parse_args()
    names = [n for n in CLASSES if not args.only or args.only in n]
    if args.quick:
        names = list(QUICK)
    begin = time.monotonic()
    outcomes = run(names, args.runs, args.seed, args.processes)
    print(HEAD)
    for name in names:
        print(line(summarize(name, [o for o in outcomes if o.name == name])))
    print("-" * len(HEAD))
    for summary in pooled(outcomes):
        print(line(summary))
    print(f"{len(outcomes)} runs from bytes in {time.monotonic() - begin:.0f} s, seed {args.seed}")


if __name__ == "__main__":
    main()
