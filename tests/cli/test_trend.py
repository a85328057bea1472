"""``vaclog trend`` on a garage with visits whose drive has worn."""

from __future__ import annotations

import json
from pathlib import Path

from click.testing import CliRunner

from vaclog.cli.main import main
from vaclog.garage import Garage
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
from vaclog.visit.records import Capture, Visit


def result(real_deg: float) -> Result:
    return Result(
        source=SourceInfo(
            capture="x", duration_s=30.0, gaps=0, lines_skipped=0, advance_source="mark"
        ),
        barometer_kpa=None,
        phases=(PhaseSpan(kind="hold", start_s=0.0, end_s=30.0),),
        sweeps=(),
        peak=Peak(found=False, why_not="only a hold"),
        idle=Idle(pressure_kpa=40.0),
        misfire=Misfire(events=0, cycles=0),
        advice=Advice(),
        scatter=SparkScatter(
            cycles=200, real_deg=real_deg, low_deg=0.9 * real_deg, high_deg=1.1 * real_deg
        ),
    )


def garage_of(path: Path, *scatters: float) -> Path:
    with Garage(path) as garage:
        garage.add_engine('name = "Workshop engine"\ncylinders = 4\n')
        for year, real_deg in enumerate(scatters):
            capture = Capture(purpose="check", sha256=f"{year}", path="", result=result(real_deg))
            garage.save_visit(
                Visit(
                    engine="Workshop engine",
                    begun=f"{2022 + year}-05-01T10:00:00",
                    captures=(capture,),
                )
            )
    return path


def run(path: Path, *words: str) -> str:
    done = CliRunner().invoke(
        main, ["trend", "Workshop engine", "--garage", str(path), *words], catch_exceptions=False
    )
    assert done.exit_code == 0, done.output
    return done.output


def test_a_worn_drive_is_told_with_its_evidence(tmp_path: Path) -> None:
    told = run(garage_of(tmp_path / "g.db", 0.20, 0.21, 0.20, 0.62))
    flat = " ".join(told.split())
    assert "0.62°" in flat
    assert "A step up from visit 4 on" in flat
    assert "Worth looking at the drive" in flat
    assert "in fewer than 1 of 10,000 by chance" in flat
    assert max(map(len, told.splitlines())) <= 80


def test_an_unchanged_engine_gets_no_advice(tmp_path: Path) -> None:
    flat = " ".join(run(garage_of(tmp_path / "g.db", 0.20, 0.21, 0.20)).split())
    assert "Worth looking" not in flat
    assert flat.count("No change beyond chance") == 2  # scatter and idle


def test_pressures_come_in_the_unit_asked_for(tmp_path: Path) -> None:
    path = garage_of(tmp_path / "g.db", 0.20, 0.21)
    idle = next(line for line in run(path).splitlines() if line.startswith("Manifold pressure"))
    assert "inHg" in idle and "kPa" not in idle
    assert "kPa" in run(path, "--unit", "kPa") and "inHg" not in run(path, "--unit", "kPa")


def test_one_visit_is_no_trend(tmp_path: Path) -> None:
    assert "two visits" in run(garage_of(tmp_path / "g.db", 0.2))


def test_json_is_strict_and_has_the_numbers(tmp_path: Path) -> None:
    document = json.loads(run(garage_of(tmp_path / "g.db", 0.20, 0.21, 0.20, 0.62), "--json"))
    scatter = next(each for each in document if each["figure"] == "scatter")
    assert scatter["last"]["changed"] is True
    assert scatter["step"]["before"] == 3
    assert scatter["numbers"] == [1, 2, 3, 4]


def test_an_unknown_engine_is_said(tmp_path: Path) -> None:
    path = garage_of(tmp_path / "g.db", 0.2)
    done = CliRunner().invoke(main, ["trend", "Nobody", "--garage", str(path)])
    assert done.exit_code != 0
