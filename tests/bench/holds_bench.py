"""Bench of stepped holds: engines without any angle sensor, a hand that stops, a strobe that errs.

    python tests/bench/holds_bench.py --runs 12 --seed 500

Each run is simulated to bytes with neither mark nor body sensor: 6 to 10 positions, 8 to 15 s at
each, one way or there and back, read with an error that is known to the program by its size only.
The table tells, per class: how often a top was found, bias and root mean square of the error,
how often the 95 % interval held the truth, its mean half width; how often a top was found though
the hand never came near it; and how often a slip of 10°, two readings in the wrong order or a
missing one was said, against how often something of the kind was said of right lists. *Stood* is
the share of held time in which the program had the hand at the right reading.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from dataclasses import dataclass, replace
from multiprocessing import Pool
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np  # noqa: E402

from vaclog.cards import engine_card, rig_card  # noqa: E402
from vaclog.records import Chunk, OperatorInput  # noqa: E402
from vaclog.result import Result  # noqa: E402
from vaclog.session import Session  # noqa: E402
from vaclog.simulator.presets import knobs  # noqa: E402
from vaclog.simulator.recording import Recording, simulate  # noqa: E402
from vaclog.simulator.script import Hold, Script, Turn  # noqa: E402


@dataclass(frozen=True, slots=True, kw_only=True)
class Class:
    """One kind of run.

    ``low`` and ``high`` are ranges of the ends of the travel, from the peak; ``wrong`` is what is
    wrong with the list.
    """

    name: str
    cylinders: int = 4
    scatter: float = 0.06
    u_deg: float = 1.0
    low: tuple[float, float] = (-16.0, -10.0)
    high: tuple[float, float] = (8.0, 12.0)
    back: bool = True
    lopsided: float = 0.2
    drift: float = 0.0
    wrong: str = ""
    reached: bool = True
    timed: bool = False


CLASSES = (
    Class(name="4 cylinders"),
    Class(name="6 cylinders, 0.5°", cylinders=6, u_deg=0.5),
    Class(name="8 cylinders, 1.5°", cylinders=8, u_deg=1.5),
    Class(name="4 cylinders, 12 %", scatter=0.12),
    Class(name="one way", back=False, cylinders=6),
    Class(name="lopsided 50 %", lopsided=0.5),
    Class(name="narrow, 1.5°", u_deg=1.5, low=(-8.0, -7.0), high=(6.0, 7.0), cylinders=6),
    Class(name="drift", drift=0.02),
    Class(name="tapped, 4 cylinders", timed=True),
    Class(name="tapped, 12 %", timed=True, scatter=0.12),
    Class(name="top not reached", low=(-20.0, -16.0), high=(-6.0, -3.0), reached=False),
    Class(name="same, one way", low=(-20.0, -16.0), high=(-5.0, -2.0), reached=False, back=False),
    Class(name="slip of 10°", wrong="slip"),
    Class(name="slip of 10°, tapped", wrong="slip", timed=True),
    Class(name="two swapped", wrong="swap"),
    Class(name="one missing", wrong="missing"),
)
WORDS = ("does not fit what", "the other way round", "seems to be missing", "out of the order")


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What came of one run; degrees."""

    name: str
    found: bool
    error: float
    half: float
    held: bool
    said: bool
    stood: float
    seconds: float


def make(kind: Class, seed: int) -> tuple[Recording, list[float], list[float]]:
    """Simulate a run: the recording, where the hand stood, what was read."""
    rng = np.random.default_rng([seed, 5])
    peak = float(rng.uniform(20.0, 28.0))
    low, high = peak + rng.uniform(*kind.low), peak + rng.uniform(*kind.high)
    count = int(rng.integers(6, 11))
    if kind.back:
        up = count // 2 + 1
        places = [*np.linspace(low, high, up), *np.linspace(high, low, count - up + 2)[1:-1]]
    else:
        places = list(np.linspace(low, high, count))
    # Nobody steps evenly.
    stood = [float(p + rng.normal(0.0, 0.6)) for p in places]
    segments: list[Hold | Turn] = []
    for number, place in enumerate(stood):
        if number:
            segments.append(Turn(to_deg=place, rate_deg_s=float(rng.uniform(2.0, 5.0))))
        segments.append(Hold(seconds=float(rng.uniform(8.0, 15.0))))
    base = knobs(
        cylinders=kind.cylinders,
        scatter=kind.scatter,
        peak_deg=peak,
        lopsided=kind.lopsided,
        friction_drift_per_min=kind.drift,
    )
    script = Script(start_deg=stood[0], segments=tuple(segments))
    recording = simulate(base.engine, script, replace(base.rig, mark=False, body=None), seed)
    # Read to half degrees.
    read = [round(2.0 * float(p + kind.u_deg * rng.standard_normal())) / 2.0 for p in stood]
    return recording, stood, spoil(read, kind.wrong, rng)


def spoil(read: list[float], wrong: str, rng: np.random.Generator) -> list[float]:
    """Make the list wrong; where neighbours are alike nothing would be wrong."""
    read = list(read)
    inner = int(rng.integers(1, len(read) - 1))
    if wrong == "slip":
        read[inner] += 10.0 if rng.random() < 0.5 else -10.0
    elif wrong == "swap":
        steps = [abs(a - b) for a, b in zip(read[1:], read[:-1], strict=True)]
        k = int(np.argmax(steps))
        read[k], read[k + 1] = read[k + 1], read[k]
    elif wrong == "missing":
        del read[inner]
    return read


def answer(
    recording: Recording, read: list[float], u_deg: float, times_s: list[float] | None = None
) -> Result:
    """What the program says of the bytes and the list."""
    session = Session(
        engine=engine_card(recording.engine_card_toml), rig=rig_card(recording.rig_card_toml)
    )
    session.feed(Chunk(at_us=None, data=recording.text))
    words = [f"{deg:g}" for deg in read]
    if times_s is not None:
        words = [f"{word}@{at:.2f}" for word, at in zip(words, times_s, strict=True)]
    session.feed(OperatorInput(at_us=0, kind="strobe", text=f"list u={u_deg:g} " + " ".join(words)))
    return session.finish()


def true_holds(recording: Recording) -> list[tuple[float, float]]:
    """Begin and end of each hold, in seconds."""
    return [(p.start_s, p.end_s) for p in recording.truth.phases if p.kind == "hold"]


def stood_right(recording: Recording, result: Result) -> float:
    """Share of held time that the phases also have in a hold, in the same place of the order."""
    true = true_holds(recording)
    seen = [(p.start_s, p.end_s) for p in result.phases if p.kind == "hold"]
    if len(seen) != len(true):
        return float("nan")
    common = sum(
        max(min(a[1], b[1]) - max(a[0], b[0]), 0.0) for a, b in zip(true, seen, strict=True)
    )
    return common / sum(b - a for a, b in true)


def judge(job: tuple[str, int]) -> Outcome:
    """Simulate and answer one run."""
    kind = next(each for each in CLASSES if each.name == job[0])
    recording, _, read = make(kind, job[1])
    times = None
    if kind.timed:
        times = [end - 1.5 for _, end in true_holds(recording)]
    begin = time.perf_counter()
    result = answer(recording, read, kind.u_deg, times)
    seconds = time.perf_counter() - begin
    peak = result.peak
    truth = recording.truth.peak_deg
    numbers = (peak.angle_deg, peak.low_deg, peak.high_deg)
    angle, low, high = (float("nan") if each is None else each for each in numbers)
    return Outcome(
        name=kind.name,
        found=peak.found,
        error=angle - truth,
        half=0.5 * (high - low),
        held=bool(low <= truth <= high),
        said=any(word in each for each in result.advice.warnings for word in WORDS),
        stood=stood_right(recording, result),
        seconds=seconds,
    )


def row(name: str, runs: list[Outcome]) -> str:
    """One line of the table."""
    found = [each for each in runs if each.found]
    errors = np.array([each.error for each in found]) if found else np.array([np.nan])
    stood = [each.stood for each in runs if np.isfinite(each.stood)]
    return (
        f"{name:<22}{len(runs):>5}{len(found):>7}{errors.mean():>+8.2f}"
        f"{np.sqrt((errors**2).mean()):>7.2f}{sum(e.held for e in found):>6}"
        f"{np.mean([e.half for e in found]) if found else np.nan:>7.2f}"
        f"{sum(e.said for e in runs):>6}{np.mean(stood) if stood else np.nan:>7.2f}"
        f"{np.mean([e.seconds for e in runs]):>6.1f}"
    )


HEADER = (
    f"{'class':<22}{'runs':>5}{'found':>7}{'bias':>8}{'RMSE':>7}{'held':>6}{'half':>7}"
    f"{'said':>6}{'stood':>7}{'s':>6}"
)


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--runs", type=int, default=12)
    parser.add_argument("--seed", type=int, default=500)
    parser.add_argument("--only", default="")
    parser.add_argument("--processes", type=int, default=2)
    given = parser.parse_args()
    names = [each.name for each in CLASSES if given.only in each.name]
    jobs = [(name, given.seed + k) for name in names for k in range(given.runs)]
    with Pool(given.processes) as pool:
        done = pool.map(judge, jobs, chunksize=1)
    print(HEADER)
    for name in names:
        print(row(name, [each for each in done if each.name == name]))
    plain = {each.name for each in CLASSES if each.reached and not each.wrong}
    pooled = [each for each in done if each.name in plain]
    if pooled:
        print(row("right lists, reached", pooled))


if __name__ == "__main__":
    main()
