"""A capture may begin and end anywhere: there is always an answer."""

from __future__ import annotations

import math

import numpy as np
import pytest

from vaclog.cards import engine_card, rig_card
from vaclog.records import Chunk
from vaclog.result import Result, faults
from vaclog.session import Session
from vaclog.simulator import Recording
from vaclog.simulator.presets import preset


@pytest.fixture(scope="module")
def visit() -> Recording:
    """Engine off, start, warm-up, rev-up, sweep, load, off."""
    return preset("visit").simulate(11)


def answer(recording: Recording, text: bytes, *, cards: bool = True) -> Result:
    """Analyse text lines."""
    session = Session(
        capture="cut",
        engine=engine_card(recording.engine_card_toml) if cards else None,
        rig=rig_card(recording.rig_card_toml) if cards else None,
    )
    session.feed(Chunk(at_us=None, data=text))
    return session.finish()


def check(result: Result) -> None:
    """The phases partition the capture, and the result keeps its own rules."""
    assert faults(result) == []
    end = 0.0
    for phase in result.phases:
        assert phase.start_s == end < phase.end_s
        end = phase.end_s
    assert math.isclose(end, result.source.duration_s, abs_tol=1e-3)


@pytest.mark.parametrize("count", [0, 1, 2, 3, 20, 200, 1000, 5000])
def test_the_first_lines_alone(visit: Recording, count: int) -> None:
    """Cut after a few lines: nothing is found, and nothing breaks."""
    lines = visit.text.splitlines(keepends=True)
    result = answer(visit, b"".join(lines[: 1 + count]))
    check(result)
    assert not result.peak.found


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("cards", [True, False])
def test_a_piece_from_anywhere(visit: Recording, seed: int, cards: bool) -> None:
    """Any piece, with and without cards."""
    rng = np.random.default_rng([5, seed])
    first, *lines = visit.text.splitlines(keepends=True)
    begin = int(rng.integers(0, len(lines)))
    length = int(np.exp(rng.uniform(np.log(10), np.log(len(lines)))))
    check(answer(visit, b"".join([first, *lines[begin : begin + length]]), cards=cards))
