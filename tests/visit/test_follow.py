"""Figures followed over hand-made visits."""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import pytest

from vaclog.result import (
    Advice,
    Idle,
    Misfire,
    Peak,
    PhaseSpan,
    Result,
    SourceInfo,
    SparkScatter,
)
from vaclog.visit.follow import Followed, follow, scatter_reading, years
from vaclog.visit.records import Capture, Visit


def result(real_deg: float | None, peak_deg: float | None = None) -> Result:
    """A result with a scatter known to 5 %."""
    scatter = None
    if real_deg is not None:
        scatter = SparkScatter(
            cycles=200, real_deg=real_deg, low_deg=0.9 * real_deg, high_deg=1.1 * real_deg
        )
    return Result(
        source=SourceInfo(
            capture="x", duration_s=30.0, gaps=0, lines_skipped=0, advance_source="mark"
        ),
        barometer_kpa=None,
        phases=(PhaseSpan(kind="hold", start_s=0.0, end_s=30.0),),
        sweeps=(),
        peak=Peak(found=peak_deg is not None, angle_deg=peak_deg, u_deg=0.5),
        idle=Idle(),
        misfire=Misfire(events=0, cycles=0),
        advice=Advice(),
        scatter=scatter,
    )


def visit(number: int, begun: str, *results: Result) -> Visit:
    captures = tuple(Capture(purpose="check", sha256="", path="", result=r) for r in results)
    return Visit(number=number, begun=begun, captures=captures)


def of(found: tuple[Followed, ...], figure: str) -> Followed | None:
    return next((each for each in found if each.figure == figure), None)


def test_play_that_has_grown_is_found_with_its_evidence() -> None:
    visits = [
        visit(1, "2023-05-01T10:00", result(0.20)),
        visit(2, "2024-05-01T10:00", result(0.21)),
        visit(3, "2025-05-01T10:00", result(0.20)),
        visit(4, "2026-05-01T10:00", result(0.60)),
    ]
    scatter = of(follow(visits), "scatter")
    assert scatter is not None
    assert scatter.numbers == (1, 2, 3, 4)
    assert scatter.last.changed
    assert scatter.last.difference == pytest.approx(0.32)
    assert scatter.step is not None
    assert scatter.step.before == 3
    assert scatter.changed


def test_the_same_again_is_no_change() -> None:
    visits = [visit(n, f"202{n}-05-01", result(0.2 + 0.005 * (n % 2))) for n in range(1, 6)]
    scatter = of(follow(visits), "scatter")
    assert scatter is not None
    assert not scatter.changed


def test_what_only_one_visit_has_is_not_followed() -> None:
    visits = [visit(1, "2024-05-01", result(0.2, 24.0)), visit(2, "2025-05-01", result(0.2))]
    assert of(follow(visits), "peak") is None
    assert of(follow(visits), "scatter") is not None
    assert follow([replace(visits[0], begun=""), visits[1]]) == ()


def test_the_newest_capture_that_has_the_figure_speaks() -> None:
    first = visit(1, "2024-05-01", result(0.9), result(0.2), result(None))
    found = of(follow([first, visit(2, "2025-05-01", result(0.2))]), "scatter")
    assert found is not None
    assert found.readings[0].value == pytest.approx(0.04)


def test_a_scatter_cut_off_at_zero_keeps_its_uncertainty() -> None:
    seen = replace(
        result(0.05), scatter=SparkScatter(cycles=9, real_deg=0.0, low_deg=0.0, high_deg=0.2)
    )
    known = scatter_reading(seen)
    assert known is not None
    assert known[0] == 0.0
    assert known[1] > 0.02


def test_dates() -> None:
    assert years("2024-01-01T08:00:00") == 2024.0
    assert years("2024-07-02") == pytest.approx(2024.5, abs=0.003)
    assert years("") is None
    assert years("soon") is None


def _bench() -> ModuleType:
    path = Path(__file__).parents[1] / "bench" / "wear_bench.py"
    spec = importlib.util.spec_from_file_location("wear_bench", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["wear_bench"] = module
    spec.loader.exec_module(module)
    return module


def test_wear_bench_in_short_from_bytes() -> None:
    """Four pairs: two unchanged and two with two degrees of free play more."""
    bench = _bench()
    unchanged = [bench.pair(seed, 0.0, 20.0) for seed in range(2)]
    worn = [bench.pair(seed, 2.0, 20.0) for seed in range(2)]
    assert bench.share(unchanged)[0] == 0.0
    assert bench.share(worn)[0] == 1.0
    # A rectangle of two degrees has a standard deviation of 0.577.
    for each in worn:
        assert each.grown_deg == pytest.approx(0.577, rel=0.25)
