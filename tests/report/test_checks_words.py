"""What the report says of rig and engine before the sweep."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.report.report_cases import FOUND
from vaclog.report.story import tell
from vaclog.report.words.checks import CHECKS, checks
from vaclog.result import Checks

NOT_FOUND = replace(FOUND, peak=replace(FOUND.peak, found=False, why_not="too short"))


def test_nothing_seen_is_no_section() -> None:
    """Neither without checks nor with none to speak of."""
    for seen in (None, Checks()):
        story = tell(replace(FOUND, checks=seen), "inHg")
        assert CHECKS not in [section.title for section in story.sections]


@pytest.mark.parametrize(
    ("seen", "words"),
    [
        (Checks(follows_vacuum="at idle", opening_drop_deg=4.2), "fell back by 4°"),
        (Checks(rail_per_thousand=12.0), "12 of a thousand"),
        (
            Checks(rpm_slope_per_min=40.0, u_rpm_slope_per_min=5.0, idle_s=60.0),
            "drifted by +40 ± 10 rpm",
        ),
        # 3.386389 kPa are an inch of mercury (NIST SP 811:2008, App. B.8).
        (Checks(cranking_rpm=210.0, cranking_vacuum_kpa=3 * 3.386389), "210 rpm and drew 3.0 inHg"),
        (
            Checks(sweep_u_deg=0.6, sweep_minutes=2.0, rpm_scatter_percent=1.4),
            "to about ±1.2°",
        ),
    ],
)
def test_each_is_told_with_its_number(seen: Checks, words: str) -> None:
    """One sentence each, in the section of its own."""
    story = tell(replace(NOT_FOUND, checks=seen), "inHg")
    section = next(each for each in story.sections if each.title == CHECKS)
    assert len(section.points) == 1 and words in section.points[0]


def test_what_matters_no_more_is_left_out() -> None:
    """A trend within its uncertainty; the precision of a sweep when the top was found."""
    seen = Checks(
        rpm_slope_per_min=4.0,
        u_rpm_slope_per_min=5.0,
        idle_s=60.0,
        sweep_u_deg=0.6,
        sweep_minutes=2.0,
        rpm_scatter_percent=1.4,
        follows_vacuum="not seen",
        rail_per_thousand=0.0,
    )
    assert checks(replace(FOUND, checks=seen), "inHg") == ()
