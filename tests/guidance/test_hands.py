"""Rough hands over simulated engines, through the bytes of the wire: the bench in short.

The long version with its table is ``tests/bench/hands_bench.py``.
"""

from __future__ import annotations

import importlib.util
import math
import sys
from pathlib import Path
from types import ModuleType

import pytest

from vaclog.guidance.instructions import Because, Instruction, Step
from vaclog.guidance.scene import Options
from vaclog.records import Chunk, OperatorInput, Record
from vaclog.session import Instruct, Session, wants
from vaclog.simulator.crank import build

OPTIONS = Options(look_cycles=64)
BENCH = Path(__file__).parents[1] / "bench" / "hands_bench.py"


@pytest.fixture(scope="module")
def bench() -> ModuleType:
    """The bench as a module."""
    spec = importlib.util.spec_from_file_location("hands_bench", BENCH)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["hands_bench"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def led(bench):
    """A session whose top is in reach: the case, how it went, and all that entered."""
    case = bench.draw(5)
    records: list[Record] = []

    def keep(at_us: int, entered: bytes | OperatorInput) -> None:
        taken = isinstance(entered, OperatorInput)
        records.append(entered if taken else Chunk(at_us=at_us, data=entered))

    return case, bench.lead(case, build(case.spec), OPTIONS, keep), records


def test_a_rough_hand_arrives(bench, led) -> None:
    """Led to within a degree of what the rules give for the true hill, past no limit."""
    case, went, _ = led
    made = bench.judge(case, went)
    assert made.kind == "top in reach"
    assert made.locked and not made.past_limit
    assert abs(made.final_deg - made.right_deg) <= 1.0
    assert made.ended == Because.SURE.value and made.interval_deg <= 1.0
    assert abs(made.peak_deg - 0.5 * (made.low_deg + made.high_deg)) < 3.0 * made.interval_deg


def test_where_a_total_ends_the_sweep_nobody_is_led_past_it(bench) -> None:
    """The top is out of reach: a setting all the same, on the careful side."""
    made = bench.session(1, fixed=False)
    assert made.kind == "total before"
    assert made.locked and not made.past_limit
    assert made.final_deg <= made.right_deg + 1.0


def test_a_replayed_capture_gives_the_same_instructions(bench, led) -> None:
    """The records of a led session, read again in other pieces: the same words."""
    case, went, records = led
    session = Session(engine=case.card, rig=case.rig_card, lead=bench.Guide)
    said = replay(session, [wants(OPTIONS), *joined(records)])
    assert [each.step for each in said][:3] == [Step.SCRIBE, Step.WARM_UP, Step.BEGIN]
    assert plain(said) == plain(went.said)


def replay(session: Session, records: list[Record]) -> list[Instruction]:
    """What a session says to records."""
    events = [event for record in records for event in session.feed(record)]
    return [event.instruction for event in events if isinstance(event, Instruct)]


def joined(records: list[Record]) -> list[Record]:
    """Runs of up to five chunks as one; what a person said stays in its place."""
    out: list[Record] = []
    run = 0
    for record in records:
        last = out[-1] if out else None
        if isinstance(record, Chunk) and isinstance(last, Chunk) and run < 5:
            out[-1] = Chunk(at_us=record.at_us, data=last.data + record.data)
            run += 1
        else:
            out.append(record)
            run = 0
    return out


def plain(said: list[Instruction]) -> list[tuple[object, ...]]:
    """What matters of instructions, numbers to the thousandth."""
    return [
        (
            each.number,
            each.step,
            each.because,
            each.at_us,
            each.way,
            round(each.to_go_deg or 0.0, 3),
            round(each.interval_deg if each.interval_deg else math.inf, 3),
        )
        for each in said
    ]


def test_drawn_cases_make_sense(bench) -> None:
    """A total and a curve on every card, and a baseline below the top."""
    for seed in range(20):
        case = bench.draw(seed)
        assert case.card.max_total_deg is not None and case.card.centrifugal
        assert case.start_deg < case.spec.hill.peak_deg - 4.0
