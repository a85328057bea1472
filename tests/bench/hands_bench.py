"""Simulated hands led to a setting: how many end right, how long it takes, who is led too far.

Each session is an engine, a rig and a person drawn from a seed: the person answers after 0.5 to
1.5 s, sticks and slips, goes too far, lets the body creep, misses one word in ten, and taps when
asked. Bytes of the wire go to the decoder and the signals as they do live; instructions come
back to the hand. Some slots end before the top, some engines misfire before it, on some the
maker's total forbids to go there.

*Right* is the smallest of: the angle on the retard side of the true top where the true steady
vacuum has fallen by half an inch of mercury, also where the top is out of reach (with misfires
before it, their onset moves the top of the vacuum, and that is the top which counts); the true
onset of misfire less its margin; the maker's total less what the weights add; the maker's figure
and its tolerance. Each limit is judged with twice what the angle is not known to (mark, top dead
centre). Nothing of the guide's own fit enters it: that a sweep which ended before the top sets a
little late on purpose counts as a miss once it is more than a degree.

The same engines are also swept by a fixed there-and-back over the same reach, again and again
until the interval is as narrow as was asked.

Run: ``python tests/bench/hands_bench.py --sessions 200 --jobs 2``.
"""

from __future__ import annotations

import argparse
import itertools
import json
import math
import sys
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np

from vaclog.analysis.advice.advise import advise
from vaclog.analysis.advice.angle_scale import angle_scale
from vaclog.analysis.advice.situation import Situation
from vaclog.analysis.findings import MisfireFinding, SweepFit
from vaclog.analysis.hill.fit import fit_hill
from vaclog.analysis.phases.find import find_phases
from vaclog.analysis.phases.usable import usable_cycles
from vaclog.cards import EngineCard, RigCard, engine_card, rig_card
from vaclog.guidance.enough import STOP_SHARE
from vaclog.guidance.guide import Guide
from vaclog.guidance.instructions import Because, Instruction, Step
from vaclog.guidance.known import Known
from vaclog.guidance.scene import Options
from vaclog.records import OperatorInput
from vaclog.result import Idle
from vaclog.signals.chain import SignalChain
from vaclog.simulator.crank import build
from vaclog.simulator.engine import Engine, EngineSpec, MisfireSpec
from vaclog.simulator.live import LiveRun, run_live
from vaclog.simulator.person import Habits, Order, Person
from vaclog.simulator.presets import random_scenario
from vaclog.simulator.recording import MakerFacts, simulate
from vaclog.simulator.recording import engine_card as engine_toml
from vaclog.simulator.recording import rig_card as rig_toml
from vaclog.simulator.rig import RigSpec
from vaclog.simulator.script import Hold, Script, Segment, Turn
from vaclog.simulator.truth import Truth
from vaclog.wire.detect import StreamDecoder

READ_S = 0.25
# Fewer looks than live: what is decided at the end of a hold is the same.
OPTIONS = Options(look_cycles=64)
LONGEST_S = 1200.0
FIXED_BEFORE_S = 20.0
DRIFT_SHARE = 0.3
CLASSES = ("top in reach", "slot ends before", "misfire before", "total before")
TURNS = (
    Step.BEGIN,
    Step.KEEP_GOING,
    Step.PASSED_TOP,
    Step.COME_BACK,
    Step.ONE_MORE,
    Step.TURN,
    Step.CLOSER,
    Step.HOME,
    Step.MOVED,
)
LEADING = TURNS[:5]


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """What is drawn for a session."""

    seed: int
    kind: str
    spec: EngineSpec
    rig: RigSpec
    start_deg: float
    habits: Habits
    card: EngineCard
    rig_card: RigCard


@dataclass(slots=True, kw_only=True)
class Outcome:
    """What came of a session; angles in crank degrees on the rig's scale."""

    seed: int
    kind: str
    locked: bool = False
    ended: str = ""
    right_deg: float = math.nan
    right_limit: str = ""
    set_deg: float = math.nan
    set_limit: str = ""
    final_deg: float = math.nan
    peak_deg: float = math.nan
    low_deg: float = math.nan
    high_deg: float = math.nan
    interval_deg: float = math.nan
    fit_low_deg: float = math.nan
    fit_high_deg: float = math.nan
    found: bool = False
    sweep_s: float = math.nan
    whole_s: float = math.nan
    passes: int = 0
    orders: int = 0
    past_limit: bool = False
    past_onset_deg: float = math.nan
    fixed_s: float = math.nan
    fixed_passes: int = 0
    fixed_reached: bool = False
    fixed_low_deg: float = math.nan
    fixed_high_deg: float = math.nan


def draw(seed: int) -> Case:
    """An engine, a rig, a maker's book and a person."""
    rng = np.random.default_rng([seed, 77])
    scenario = random_scenario(rng, reach="past", faults=False)
    spec, rig = scenario.engine, replace(scenario.rig, pickup="no1")
    peak = spec.hill.peak_deg
    start = round(float(np.clip(peak - rng.uniform(12.0, 22.0), 3.0, 16.0)), 1)
    spec = replace(spec, idle_deg=start, misfire=MisfireSpec())
    # The drawn drifts are those of sweeps of a minute; a session lasts for several, and begins
    # with a warm engine: over its whole length it drifts by as much.
    spec = replace(
        spec,
        friction_drift_per_min=DRIFT_SHARE * spec.friction_drift_per_min,
        throttle_drift_per_min=DRIFT_SHARE * spec.throttle_drift_per_min,
    )
    habits = Habits(slow_turns=float(rng.uniform(0.5, 1.0)) if rng.random() < 0.25 else 0.0)
    total = round(peak + float(rng.uniform(9.0, 14.0)), 1)
    kind = CLASSES[int(rng.choice(4, p=[0.55, 0.15, 0.15, 0.15]))]
    short = float(rng.uniform(2.0, 8.0))
    if kind == "slot ends before":
        habits = replace(habits, high_deg=max(peak - short, start + 4.0))
    elif kind == "misfire before":
        onset = max(peak - short, start + 4.0)
        spec = replace(spec, misfire=MisfireSpec(onset_deg=onset, per_deg=0.02))
    elif kind == "total before":
        total = round(max(peak - short, start + 13.0), 1)
    script = Script(start_deg=start)
    toml = engine_toml(spec, script, MakerFacts(static_deg=start, max_total_deg=total))
    if rng.random() < 0.5:
        # A book without the static figure: hill, total and misfire decide.
        lines = [line for line in toml.splitlines() if not line.startswith("static_deg")]
        toml = "\n".join(lines) + "\n"
    if kind == "total before" or rng.random() < 0.5:
        # Weights that add little: the cap at speed then hardly binds at idle.
        few = ((1000.0, 0.0), (1600.0, 4.0), (3200.0, 8.0))
        spec = replace(spec, centrifugal=few)
        lines = [line for line in toml.splitlines() if not line.startswith("centrifugal")]
        lines.append(f"centrifugal = {[list(point) for point in few]}")
        toml = "\n".join(lines) + "\n"
    return Case(
        seed=seed,
        kind=kind,
        spec=spec,
        rig=rig,
        start_deg=start,
        habits=habits,
        card=engine_card(toml),
        rig_card=rig_card(rig_toml(spec, script, rig)),
    )


def order_of(instruction: Instruction) -> Order | None:
    """What a person does on hearing it."""
    if instruction.step in TURNS and instruction.to_go_deg is not None:
        return Order(
            act="turn",
            turn_deg=instruction.way * instruction.to_go_deg,
            tap=instruction.waits_for or "",
        )
    acts: dict[Step, Order] = {
        Step.STOP: Order(act="freeze"),
        Step.HOLD: Order(act="freeze"),
        Step.LISTEN: Order(act="freeze"),
        Step.SLOWER: Order(act="slower"),
        Step.SCRIBE: Order(act="scribe", tap="scribed"),
        Step.LOCK: Order(act="lock", tap="locked"),
        Step.READ_STROBE: Order(act="strobe", tap="strobe"),
        Step.LOCKED: Order(act="leave"),
        Step.UNTOLD: Order(act="leave"),
        Step.AT_HOME: Order(act="leave"),
    }
    return acts.get(instruction.step)


@dataclass(slots=True, kw_only=True)
class Led:
    """A session as it went."""

    run: LiveRun
    guide: Guide
    said: list[Instruction]
    at_enough: Known | None


def lead(
    case: Case,
    engine: Engine,
    options: Options | None = None,
    record: Callable[[int, bytes | OperatorInput], None] | None = None,
) -> Led:
    """Run a session in closed loop; ``record`` gets everything that enters."""
    chain = SignalChain(case.card, case.rig_card)
    decoder = StreamDecoder()
    guide = Guide(case.card, case.rig_card, options)
    person = Person(case.habits, np.random.default_rng([case.seed, 78]))
    said: list[Instruction] = []
    enough: list[Known] = []

    def tell(instructions: list[Instruction]) -> None:
        for instruction in instructions:
            said.append(instruction)
            if instruction.step is Step.ENOUGH and guide.scene.known is not None:
                enough.append(guide.scene.known)
            order = order_of(instruction)
            if order is not None:
                person.hear(order)

    def deliver(at_us: int, data: bytes) -> None:
        if record is not None:
            record(at_us, data)
        if chain.feed(decoder.feed(data), at_us):
            tell(guide.on_cycles(chain.cycles(), chain.background(), at_us=at_us))
        for tapped in person.taps:
            operator = OperatorInput(
                at_us=at_us,
                kind="tap" if tapped.value_deg is None else "strobe",
                value_deg=tapped.value_deg,
                text=tapped.text,
            )
            if record is not None:
                record(at_us, operator)
            tell(guide.on_input(operator))
        person.taps.clear()

    run = run_live(
        engine,
        case.rig,
        person,
        deliver,
        start_deg=case.start_deg,
        seed=case.seed,
        read_s=READ_S,
        longest_s=LONGEST_S,
    )
    return Led(
        run=run,
        guide=guide,
        said=said,
        at_enough=enough[-1] if enough else None,
    )


def right_set(case: Case, truth: Truth, rpm: float, source: str) -> tuple[float, str]:
    """What the rules give for the true hill: set point and the limit that decides."""
    off = truth.rig_offset_deg
    deg, kpa = truth.curve_deg + off, truth.curve_kpa
    sound = np.isfinite(kpa)
    top = (truth.peak_misfiring_deg if case.spec.misfire.onset_deg else truth.peak_deg) + off
    fit = SweepFit(
        found=True,
        why_not=None,
        side=0,
        angle_deg=top,
        u_deg=0.0,
        low_deg=top,
        high_deg=top,
        flat_prior_deg=top,
        swept_low_deg=float(deg[sound][0]),
        swept_high_deg=float(deg[sound][-1]),
        evidence=math.inf,
        cycles=0,
        curve_deg=deg[sound],
        curve_kpa=kpa[sound],
        low_kpa=kpa[sound],
        high_kpa=kpa[sound],
        noise_kpa=0.0,
        residual_white_p=1.0,
        limits=(),
    )
    onset = case.spec.misfire.onset_deg
    misfire = MisfireFinding(
        cycles=np.zeros(0, dtype=np.int64),
        judged=0,
        per_thousand=0.0,
        low_per_thousand=0.0,
        high_per_thousand=0.0,
        false_alarms_per_thousand=0.0,
        onset_deg=math.nan if onset is None else onset + off,
        u_onset_deg=0.0,
        slot=0,
        singles=True,
    )
    scale = angle_scale(
        engine=case.card,
        rig=case.rig_card,
        source=source,
        rpm=rpm,
        at_deg=top,  # type: ignore[arg-type]
    )
    advice = advise(
        Situation(
            fit=fit,
            misfire=misfire,
            engine=case.card,
            rig=case.rig_card,
            scale=scale,
            idle=Idle(rpm=rpm, pressure_kpa=case.spec.idle_kpa, angle_deg=case.start_deg),
        )
    )
    return (math.nan if advice.set_deg is None else advice.set_deg), advice.limit or ""


def session(seed: int, *, fixed: bool = True) -> Outcome:
    """Lead one session and judge it."""
    case = draw(seed)
    led = lead(case, build(case.spec), OPTIONS)
    outcome = judge(case, led)
    if fixed:
        _fixed(case, led.run.truth, outcome)
    return outcome


def judge(case: Case, led: Led) -> Outcome:
    """What came of a led session, by the simulator's truth."""
    truth, guide = led.run.truth, led.guide
    # With misfires that grow with advance the vacuum itself has its top where they begin.
    misfires = case.spec.misfire.onset_deg is not None
    peak_deg = truth.peak_misfiring_deg if misfires else truth.peak_deg
    outcome = Outcome(seed=case.seed, kind=case.kind, peak_deg=peak_deg + truth.rig_offset_deg)
    late = truth.spark_s > truth.spark_s[-1] - 6.0
    late &= truth.spark_slot == 1
    outcome.final_deg = float(truth.spark_advance_deg[late].mean()) + truth.rig_offset_deg
    rpm = float(guide.scene.cycles.rpm[-40:].mean())
    source = guide.scene.known.study.source if guide.scene.known else "none"
    outcome.right_deg, outcome.right_limit = right_set(case, truth, rpm, source)
    steps = [each.step for each in led.said]
    outcome.locked = Step.LOCKED in steps or Step.UNTOLD in steps or Step.AT_HOME in steps
    outcome.whole_s = guide.scene.now_us / 1e6
    outcome.orders = sum(each.step in TURNS for each in led.said)
    _sweep_numbers(case, led, truth, outcome)
    return outcome


def _sweep_numbers(case: Case, led: Led, truth: Truth, outcome: Outcome) -> None:
    begin = next((each for each in led.said if each.step is Step.BEGIN), None)
    ends = [each for each in led.said if each.step is Step.ENOUGH]
    known = led.guide.scene.known
    if begin is not None and ends and led.at_enough is not None:
        outcome.ended = ends[-1].because.value
        outcome.sweep_s = (ends[-1].at_us - begin.at_us) / 1e6
        then = led.at_enough
        outcome.low_deg, outcome.high_deg = then.top_low_deg, then.top_high_deg
        outcome.interval_deg = 0.5 * (then.top_high_deg - then.top_low_deg)
        if ends[-1].because is Because.SURE:
            goal = OPTIONS.goal_deg  # what was promised, which is not narrower than that
            outcome.low_deg = min(outcome.low_deg, then.fit.angle_deg - goal)
            outcome.high_deg = max(outcome.high_deg, then.fit.angle_deg + goal)
        outcome.fit_low_deg, outcome.fit_high_deg = then.fit.low_deg, then.fit.high_deg
        outcome.found = then.fit.found
        outcome.passes = led.guide.scene.passes + 1
    if known is not None and known.study.advice.set_deg is not None:
        outcome.set_deg, outcome.set_limit = (
            known.study.advice.set_deg,
            known.study.advice.limit or "",
        )
    leads = [
        each
        for each in led.said
        if each.step in LEADING and each.way > 0 and each.target_deg is not None
    ]
    far = max((each.target_deg for each in leads if each.target_deg), default=math.nan)
    total = case.card.max_total_deg or math.inf
    outcome.past_limit = far > min(total, Options().ceiling_deg) + 1e-6
    stop = next((each for each in led.said if each.because is Because.LIMIT_MISFIRE), None)
    if stop is not None and stop.target_deg is not None:
        # Once the engine stumbled, nobody is led back there.
        later = [each for each in leads if each.at_us > stop.at_us]
        outcome.past_limit |= any((e.target_deg or 0.0) > stop.target_deg - 1.0 for e in later)
    if case.spec.misfire.onset_deg is not None:
        outcome.past_onset_deg = far - case.spec.misfire.onset_deg - truth.rig_offset_deg


def _fixed(case: Case, truth: Truth, outcome: Outcome) -> None:
    """The same engine swept there and back over the same reach until the goal is met."""
    options = Options()
    high = min((case.card.max_total_deg or 99.0) - 4.0, options.ceiling_deg, case.habits.high_deg)
    if case.spec.misfire.onset_deg is not None:
        high = min(high, case.spec.misfire.onset_deg + 1.5)  # where a person hears it
    high = max(high, case.start_deg + 4.0)

    hold = Hold(seconds=options.wait_s)
    there_and_back: tuple[Segment, ...] = (
        _nudges(high, options),
        hold,
        _nudges(case.start_deg, options),
        hold,
    )
    for times in (1, 2, 3):
        segments = (Hold(seconds=FIXED_BEFORE_S), *there_and_back * times)
        script = Script(start_deg=case.start_deg, segments=segments)
        fit, end_s = _fit_script(case, script)
        outcome.fixed_passes = 2 * times
        outcome.fixed_s = end_s - FIXED_BEFORE_S
        outcome.fixed_low_deg, outcome.fixed_high_deg = fit.low_deg, fit.high_deg
        half = 0.5 * (fit.high_deg - fit.low_deg)
        if fit.found and half <= STOP_SHARE * options.goal_deg:
            outcome.fixed_low_deg = min(fit.low_deg, fit.angle_deg - options.goal_deg)
            outcome.fixed_high_deg = max(fit.high_deg, fit.angle_deg + options.goal_deg)
            outcome.fixed_reached = True
            return


def _nudges(to_deg: float, options: Options) -> Turn:
    """A whole pass by nudge and wait, as fast as the led hand's."""
    return Turn(
        to_deg=to_deg,
        rate_deg_s=3.0,
        step_deg=options.nudge_deg,
        wait_s=options.wait_s + 1.5,
        jerky=0.2,
    )


def _fit_script(case: Case, script: Script) -> tuple[SweepFit, float]:
    """The fit of a recorded script, and when it ended."""
    made = simulate(case.spec, script, case.rig, case.seed)
    chain = SignalChain(case.card, case.rig_card)
    chain.feed(StreamDecoder().feed(made.binary))
    chain.finish()
    cycles, background = chain.cycles(), chain.background()
    end_us = int(cycles.end_us[-1])
    phases, sweeps = find_phases(cycles, background, case.card, end_us)
    fit = fit_hill(cycles, usable_cycles(cycles, phases, sweeps, case.card))
    return fit, end_us / 1e6


def table(outcomes: list[Outcome]) -> str:
    """One table of what came out."""
    lines = [
        f"{len(outcomes)} sessions",
        f"{'class':18} {'n':>4} {'locked':>7} {'within 1°':>10} {'median off':>11} "
        f"{'above by >1°':>13} {'sweep s':>8} {'passes':>7} {'whole s':>8} {'past limit':>11}",
    ]
    for kind in (*CLASSES, "all"):
        some = [o for o in outcomes if kind in (o.kind, "all")]
        if not some:
            continue
        off = np.array([o.final_deg - o.right_deg for o in some])
        lines.append(
            f"{kind:18} {len(some):4d} {sum(o.locked for o in some) / len(some):7.0%} "
            f"{np.mean(np.abs(off) <= 1.0):10.0%} {np.nanmedian(np.abs(off)):10.2f}° "
            f"{np.mean(off > 1.0):13.0%} {_median(o.sweep_s for o in some):8.0f} "
            f"{np.mean([o.passes for o in some]):7.1f} {_median(o.whole_s for o in some):8.0f} "
            f"{sum(o.past_limit for o in some):11d}"
        )
    sure = [o for o in outcomes if o.ended == Because.SURE.value]
    inside = [o for o in outcomes if o.found and o.kind == CLASSES[0]]
    held = sum(o.low_deg <= o.peak_deg <= o.high_deg for o in sure)
    lines += [
        "",
        f'ended by its own "enough": {len(sure)}; what it promised (±1°) holds the true top in '
        f"{held} ({held / max(len(sure), 1):.1%}), mean half width "
        f"{np.mean([o.interval_deg for o in sure]) if sure else math.nan:.2f}°, bias "
        f"{np.mean([0.5 * (o.low_deg + o.high_deg) - o.peak_deg for o in sure]):+.2f}°; "
        f"the fit's own interval holds it in {_held(sure)}",
        f"found, the top in reach: {len(inside)}; held in "
        f"{sum(o.low_deg <= o.peak_deg <= o.high_deg for o in inside)}, "
        f"the fit's own in {_held(inside)}",
        "ended otherwise: "
        + (", ".join(f"{name} {count}" for name, count in _counts(outcomes)) or "none"),
    ]
    pairs = [o for o in outcomes if o.fixed_passes]
    if pairs:
        reached = [o for o in pairs if o.fixed_reached]
        lines.append(
            "the same for the fixed there-and-back where it reached the goal: "
            f"{sum(o.fixed_low_deg <= o.peak_deg <= o.fixed_high_deg for o in reached)} of "
            f"{len(reached)}"
        )
        goal = [o for o in pairs if o.ended == Because.SURE.value]
        both = [o for o in goal if o.fixed_reached]
        lines += [
            f"the goal reached: led {len(goal)}/{len(pairs)}, fixed there-and-back (up to 3 times) "
            f"{sum(o.fixed_reached for o in pairs)}/{len(pairs)}",
            f"where both reach it ({len(both)}): led {np.mean([o.sweep_s for o in both]):.0f} s, "
            f"{np.mean([o.passes for o in both]):.1f} passes; fixed "
            f"{np.mean([o.fixed_s for o in both]):.0f} s, "
            f"{np.mean([o.fixed_passes for o in both]):.1f} passes",
        ]
    onset = [o.past_onset_deg for o in outcomes if math.isfinite(o.past_onset_deg)]
    if onset:
        lines.append(
            f"misfire before the top: furthest order beyond the true onset, median "
            f"{np.median(onset):.1f}°, most {max(onset):.1f}°"
        )
    return "\n".join(lines)


def _held(outcomes: list[Outcome]) -> int:
    """How often the fit's own interval holds the top."""
    return sum(o.fit_low_deg <= o.peak_deg <= o.fit_high_deg for o in outcomes)


def _median(values: object) -> float:
    return float(np.nanmedian(list(values)))  # type: ignore[call-overload]


def _counts(outcomes: list[Outcome]) -> list[tuple[str, int]]:
    names = [o.ended or "never" for o in outcomes if o.ended != Because.SURE.value]
    return sorted({(name, names.count(name)) for name in names}, key=lambda each: -each[1])


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--sessions", type=int, default=200)
    parser.add_argument(
        "--first",
        "--seed",
        type=int,
        default=0,
        help="first seed; the guidance was tuned on 5000 and following, not on the default ones",
    )
    parser.add_argument("--only", choices=CLASSES, help="sessions of one class alone")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument(
        "--fixed-every", type=int, default=3, help="compare each so-manieth session; 0: none"
    )
    parser.add_argument("--keep", type=Path, help="outcomes as JSON lines; those in it are not run")
    given = parser.parse_args()
    seeds = _seeds(given.first, given.sessions, given.only)
    every = given.fixed_every
    outcomes = _kept(given.keep, seeds)
    there = {each.seed for each in outcomes}
    jobs = [(seed, every > 0 and seed % every == 0) for seed in seeds if seed not in there]
    with ProcessPoolExecutor(given.jobs) as pool:
        for done in pool.map(_one, jobs):
            outcomes.append(done)
            print(f"\r{len(outcomes)} of {given.sessions}", end="", file=sys.stderr, flush=True)
            if given.keep:
                with given.keep.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(asdict(done)) + "\n")
    print(file=sys.stderr)
    print(table(outcomes))


def _seeds(first: int, sessions: int, only: str | None) -> list[int]:
    """The first so many seeds, of all classes or of one."""
    seeds = (seed for seed in itertools.count(first) if only is None or draw(seed).kind == only)
    return list(itertools.islice(seeds, sessions))


def _kept(path: Path | None, seeds: list[int]) -> list[Outcome]:
    """Outcomes of an earlier run that was ended."""
    if path is None or not path.exists():
        return []
    lines = path.read_text(encoding="utf-8").splitlines()
    return [each for each in (Outcome(**json.loads(line)) for line in lines) if each.seed in seeds]


def _one(job: tuple[int, bool]) -> Outcome:
    seed, fixed = job
    return session(seed, fixed=fixed)


if __name__ == "__main__":
    main()
