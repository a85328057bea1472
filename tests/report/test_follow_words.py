"""Figures over the visits, as they are told."""

from __future__ import annotations

from dataclasses import replace

from told_visits import FIRST, SWEEP

from vaclog.report import follow_words
from vaclog.result import SparkScatter
from vaclog.visit.follow import follow
from vaclog.visit.records import Visit


def visits(*scatters_deg: float) -> list[Visit]:
    """A visit a year, each with a scatter known to 5 %."""
    made = []
    for number, real in enumerate(scatters_deg, start=1):
        seen = SparkScatter(cycles=900, real_deg=real, low_deg=0.9 * real, high_deg=1.1 * real)
        capture = replace(SWEEP, result=replace(SWEEP.result, scatter=seen))
        made.append(
            replace(FIRST, number=number, begun=f"{2020 + number}-05-01", captures=(capture,))
        )
    return made


def told(*scatters_deg: float) -> str:
    """All sentences as one text."""
    return " ".join(follow_words.followed(follow(visits(*scatters_deg)), "inHg"))


def test_a_step_is_told_with_its_place_and_both_levels() -> None:
    """Play that came with the fourth visit; as standard deviations, not as variances."""
    text = told(0.20, 0.20, 0.20, 0.60, 0.60)
    assert (
        "Scatter of the spark: 0.20°, 0.20°, 0.20°, 0.60° and 0.60° (visits 1, 2, 3, 4 and 5)"
        in text
    )
    assert "From visit 4 on it is another: 0.60° against 0.20° before (p below 0.001)." in text
    assert text.endswith(follow_words.LOOK)


def test_two_visits_have_a_difference_only() -> None:
    """No step, no slope."""
    assert "The last rose by more than chance" in told(0.20, 0.60)
    assert "The last fell by more than chance" in told(0.60, 0.20)


def test_what_did_not_change_is_said_too() -> None:
    """And nothing is recommended."""
    text = told(0.20, 0.21, 0.20)
    assert "Scatter of the spark: 0.20°, 0.21° and 0.20° (visits 1, 2 and 3). No change" in text
    assert "Top of the hill: 27.3°, 27.3° and 27.3°" in text
    assert "Idle pressure, absolute: 11.90 inHg" in text
    assert follow_words.LOOK not in text


def test_one_visit_is_no_trend() -> None:
    """Said, not shown as an empty list."""
    assert told(0.2) == follow_words.NO_TREND
