"""The table to publish: the frozen hill fit on untouched seeds and on classes it never saw.

    python tests/bench/hill_truth_bench.py --out runs.jsonl --seed 5000 --runs 40 --fresh 40

makes the runs one by one, a round over all classes after another, and appends a line for each
to ``runs.jsonl``; begun again it goes on where it stopped. ``--table`` only prints what is there.
Columns are those of hill_bench.py; "flat" is what a flat prior of lopsidedness would have
answered: bias and root mean square error.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np  # noqa: E402
from hill_bench import HEAD, Outcome, judge_case, line, summarize  # noqa: E402
from hill_classes import CLASSES, HARD, ONE_WAY, TWO_WAY, UNREACHED, make_case  # noqa: E402
from hill_fresh import (  # noqa: E402
    FRESH_NAMES,
    FRESH_ONE_WAY,
    FRESH_TWO_WAY,
    FRESH_UNREACHED,
    make_fresh,
)

POOLS = {
    "two ways, classes known": (*TWO_WAY,),
    "two ways, classes unseen": FRESH_TWO_WAY,
    "one way": (*ONE_WAY, *FRESH_ONE_WAY),
    "narrow, or top at edge": (*HARD,),
    "top not reached": (*UNREACHED, *FRESH_UNREACHED),
    "all": (*CLASSES, *FRESH_NAMES),
}


def read(path: Path) -> list[tuple[int, Outcome]]:
    """Runs done so far, with their number; a line cut off by a stop is left out."""
    done = []
    for text in path.read_text().splitlines() if path.exists() else []:
        try:
            row = json.loads(text)
        except json.JSONDecodeError:
            continue
        done.append((row.pop("index"), Outcome(**row)))
    return done


def wanted(runs: int, fresh: int) -> Iterator[tuple[str, int]]:
    """All runs, one of each class at a time, so that a stop leaves the classes even."""
    for index in range(max(runs, fresh)):
        for name in CLASSES if index < runs else ():
            yield name, index
        for name in FRESH_NAMES if index < fresh else ():
            yield name, index


def flat(outcomes: Sequence[Outcome]) -> str:
    """Bias and error of the answer under a flat prior of lopsidedness."""
    error = np.array([o.flat_error for o in outcomes if o.found and np.isfinite(o.flat_error)])
    if not len(error):
        return " " * 13
    return f"{error.mean():+6.2f} {np.sqrt((error**2).mean()):6.2f}"


def show(outcomes: Sequence[Outcome], seed: int) -> None:
    """Print the table."""
    print(HEAD + "   flat: bias, RMSE")
    for name in (*CLASSES, *FRESH_NAMES):
        some = [o for o in outcomes if o.name == name]
        if some:
            print(line(summarize(name, some)), flat(some))
    print("-" * len(HEAD))
    for name, classes in POOLS.items():
        some = [o for o in outcomes if o.name in classes]
        if some:
            print(line(summarize(name, some, two_way=(*TWO_WAY, *FRESH_TWO_WAY))), flat(some))
    print(f"{len(outcomes)} runs from bytes, seed {seed}")


MARKDOWN = """\
| simulated runs, from bytes | runs | found | wrongly found | missed | bias | RMSE | bound | \
50 % | 80 % | 95 % interval held the truth | width / RMSE | flat prior: bias, RMSE | s per fit |
|---|---|---|---|---|---|---|---|---|---|---|---|---|---|"""


def markdown(outcomes: Sequence[Outcome]) -> None:
    """Print the pools as a table for the documentation."""
    print(MARKDOWN)
    for name, classes in POOLS.items():
        some = [o for o in outcomes if o.name in classes]
        if not some:
            continue
        s = summarize(name, some, two_way=(*TWO_WAY, *FRESH_TWO_WAY))
        row = [f"{name} ({len({o.name for o in some})})", s.runs, s.found, s.false, s.missed]
        if s.found:
            held, low, high = s.interval(95)
            row += [f"{s.bias:+.2f}°", f"{s.rmse:.2f}°", f"{s.bound:.2f}°"]
            row += [f"{s.interval(percent)[0]:.0f} %" for percent in (50, 80)]
            row += [f"{held:.1f} % ({low:.1f}–{high:.1f})", f"{s.width / s.rmse:.2f}"]
            row += ["°, ".join(flat(some).split()) + "°"]
        else:
            row += ["–"] * 8
        print("| " + " | ".join(map(str, [*row, f"{s.seconds:.3f}"])) + " |")


def main() -> None:
    """Run what is missing and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--seed", type=int, default=5000)
    parser.add_argument("--runs", type=int, default=40, help="of each class known to tuning")
    parser.add_argument("--fresh", type=int, default=40, help="of each class that is not")
    parser.add_argument("--table", action="store_true", help="run nothing")
    parser.add_argument("--markdown", action="store_true", help="the pools alone, for the page")
    parser.add_argument("--seconds", type=float, default=1e9, help="stop after so long")
    args = parser.parse_args()
    done = {(o.name, index): o for index, o in read(args.out)}
    end = time.monotonic() + args.seconds
    with args.out.open("a") as file:
        for name, index in () if args.table else wanted(args.runs, args.fresh):
            if (name, index) in done or time.monotonic() > end:
                continue
            make = make_case if name in CLASSES else make_fresh
            outcome = judge_case(make(name, index, args.seed))
            done[(name, index)] = outcome
            file.write(json.dumps({"index": index, **asdict(outcome)}) + "\n")
            file.flush()
    if args.markdown:
        markdown(list(done.values()))
    else:
        show(list(done.values()), args.seed)


if __name__ == "__main__":
    main()
