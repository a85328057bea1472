"""Below, at or past the top by vacuum alone, on an engine that shares no code with the package."""

from __future__ import annotations

import numpy as np
import pytest

from tests.analysis.hill_engine import Setup, run
from vaclog.analysis.vacuum_alone import vacuum_alone

UP = ((0.0, 8.0), (10.0, 8.0), (42.0, 40.0), (52.0, 40.0))
BELOW = ((0.0, 4.0), (10.0, 4.0), (42.0, 20.0), (52.0, 20.0))
AWAY = ((0.0, 22.0), (10.0, 22.0), (42.0, 4.0), (52.0, 4.0))
STILL = ((0.0, 12.0), (60.0, 12.0))


@pytest.mark.parametrize(
    ("hand", "said"),
    [
        (UP, "the top was passed"),
        (BELOW, "rose to the end"),
        (AWAY, "only fell"),
        (STILL, "no more than it wanders"),
    ],
)
def test_what_the_needle_did(hand: tuple[tuple[float, float], ...], said: str) -> None:
    tables, _ = run(Setup(hand=hand, runs=12, seed=5, peak=(23.0, 25.0)))
    told = [vacuum_alone(table, np.ones(len(table), dtype=bool)) for table in tables]
    right = sum(each is not None and said in each for each in told)
    assert right >= 11, told


def test_too_short_to_say() -> None:
    tables, _ = run(Setup(hand=((0.0, 8.0), (12.0, 30.0)), runs=1))
    assert vacuum_alone(tables[0], np.ones(len(tables[0]), dtype=bool)) is None
    assert vacuum_alone(tables[0], np.zeros(len(tables[0]), dtype=bool)) is None
