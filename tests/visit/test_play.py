"""Two visits a year apart, played by commands alone on simulated captures."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from tests.visit.play_captures import START_DEG, Bench, bench
from vaclog.cli import main

FIRST, LATER = datetime(2026, 4, 2, 10), datetime(2027, 4, 10, 9)


@dataclass(kw_only=True)
class Person:
    """Types commands; keeps what was answered."""

    garage: Path
    now: datetime = FIRST
    said: list[str] = field(default_factory=list)

    def types(self, *words: object, fails: bool = False) -> str:
        """Run ``vaclog visit ...`` and return what it printed."""
        self.now += timedelta(minutes=1)
        command = ["visit", *map(str, words), "--garage", str(self.garage)]
        command += ["--at", self.now.isoformat()]
        done = CliRunner().invoke(main, command)
        assert (done.exit_code != 0) == fails, f"{words}: {done.output}"
        assert "Traceback" not in done.output
        self.said.append(done.output)
        return " ".join(done.output.split())

    def asks(self, *words: object) -> dict[str, Any]:
        """The same with ``--json``."""
        self.types(*words, "--json")
        return dict(json.loads(self.said[-1]))

    def answers_all(self, **numbers: str) -> None:
        """Answer yes until nothing is asked any more."""
        while (key := self.asks("next")["next"]["ask"]) is not None:
            value = ["--value", numbers[key]] if key in numbers else []
            self.types("answer", key, "yes", *value)


@dataclass(frozen=True, kw_only=True)
class Played:
    """What the two visits left."""

    person: Person
    first: dict[str, Any]
    second: dict[str, Any]
    report: str
    compared: str
    page: str


def first_visit(person: Person, shop: Bench) -> None:
    """Pre-flight, curve, sweep, set, lock, pinking, retard, lock, clean, hot restart."""
    engine, rig = shop.cards()
    person.types("begin", engine, "--rig", rig)
    person.answers_all(plugs="0.025in", points="58%")
    assert person.asks("capture", shop.check("check", 1, START_DEG))["step"] == "baseline"
    person.answers_all(baseline="10.5deg")
    assert "weights" in person.types("capture", shop.curve("curve", 2, START_DEG))
    swept = person.asks("capture", shop.sweep("sweep", 3, START_DEG, START_DEG))
    aim_deg = swept["next"]["aim_deg"]
    assert swept["step"] == "set" and 8.0 < aim_deg < 16.0
    person.types("set")
    person.answers_all(idle_set="850rpm")
    assert "near enough" in person.types("capture", shop.sweep("again", 4, START_DEG, aim_deg))
    moved = person.asks("capture", shop.lock("lock1", 5, aim_deg, 1.8))
    assert moved["step"] == "set" and "moved it by +1.8" in moved["said"][0]
    person.types("set")
    assert "it held" in person.types("capture", shop.lock("lock2", 6, aim_deg, 0.0))
    person.answers_all()
    on_the_road(person, shop, aim_deg)
    person.answers_all()
    assert person.asks("next")["step"] == "record"


def on_the_road(person: Person, shop: Bench, aim_deg: float) -> None:
    """Pinking twice, marked with the button and by ear, then none."""
    person.types("capture", shop.road("road1", 7, aim_deg, pinks=True), "--for", "road")
    pinked = person.asks("trial", "--pinking", "--by", "button")
    assert pinked["step"] == "set"
    assert pinked["next"]["aim_deg"] == pytest.approx(aim_deg - 2.0, abs=0.3)
    refused = person.types("set", "--reached", aim_deg + 1.0, fails=True)
    assert "too far" in refused
    person.types("set")
    person.types("capture", shop.lock("lock3", 8, aim_deg - 2.0, 0.0))
    unsure = person.asks("trial", "--unsure", "--note", "a rattle, perhaps the tray")
    assert unsure["next"]["aim_deg"] == pytest.approx(aim_deg - 3.0, abs=0.4)
    person.types("set")
    person.types("locked", "--moved", 0)
    person.types("capture", shop.road("road3", 9, aim_deg - 3.0, pinks=False), "--for", "road")
    assert person.asks("trial", "--clean")["step"] == "hot"


def second_visit(person: Person, shop: Bench, set_deg: float) -> None:
    """A year later: the check, the sweep, set back to what it was."""
    engine, rig = shop.cards()
    person.now = LATER
    person.types("begin", engine, "--rig", rig)
    person.answers_all()
    person.types("capture", shop.check("check", 11, set_deg))
    while person.asks("next")["step"] == "fit":  # whatever the wear upset
        for point in person.asks("next")["next"]["put_right"]:
            person.types("answer", point["key"], "skip")
    person.types("answer", "baseline", "yes", "--value", f"{set_deg:.1f}")
    person.types("answer", "scribed", "yes")
    person.types("skip", "curve")
    person.types("capture", shop.sweep("sweep", 12, set_deg, set_deg))


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Played:
    """Both visits, typed."""
    folder = tmp_path_factory.mktemp("play")
    (folder / "new").mkdir()
    (folder / "worn").mkdir()
    person = Person(garage=folder / "garage.db")
    first_visit(person, bench(folder / "new"))
    page = folder / "report.html"
    report = person.types("report", "--html", page)
    person.types("end")
    first = person.asks("status", "--visit", 1)
    set_deg = first["settings"][-1]["aimed_deg"]
    second_visit(person, bench(folder / "worn", worn=True), set_deg)
    second = person.asks("status", "--visit", 2)
    return Played(
        person=person,
        first=first,
        second=second,
        report=report,
        compared=person.types("report"),
        page=page.read_text(encoding="utf-8"),
    )


def test_the_first_visit_is_complete(played: Played) -> None:
    """Every step done, the trail kept, nothing open."""
    first = played.first
    assert first["done"][-1] == "record" and len(first["done"]) == 12
    assert [trial["pinking"] for trial in first["trials"]] == ["heard", "unsure", "none heard"]
    assert [trial["retard_deg"] for trial in first["trials"]] == [2.0, 1.0, 0.0]
    # The passenger pressed the button in the pull; speed and pressure are those of then.
    assert 1500 < first["trials"][0]["rpm"] < 3900
    assert first["trials"][0]["pressure_kpa"] > 85.0
    measured = {point["key"]: point["verdict"] for point in first["points"] if point["measured"]}
    assert set(measured.values()) == {"in order"}, measured


def test_the_top_is_where_the_simulated_engine_has_it(played: Played) -> None:
    """The sweep's interval holds the simulator's own top of the hill."""
    sweep = next(each for each in played.first["captures"] if each["purpose"] == "sweep")
    peak = sweep["result"]["peak"]
    assert peak["found"] and peak["low_deg"] <= 23.88 <= peak["high_deg"]


def test_each_setting_after_pinking_is_more_retarded(played: Played) -> None:
    """Never an advance again once it pinked."""
    aimed = [setting["aimed_deg"] for setting in played.first["settings"]]
    assert aimed[0] == aimed[1] > aimed[2] > aimed[3]
    assert all(setting["locked"] for setting in played.first["settings"])


def test_the_report_tells_the_whole_visit(played: Played) -> None:
    """Plain words first: the setting, the trials, what to watch; one page without the network."""
    for word in ("pinking", "Trial 3", "no proof", "Workshop engine"):
        assert word in played.report, word
    assert "<svg" in played.page and 'src="http' not in played.page


def test_the_second_visit_compares_itself_with_the_first(played: Played) -> None:
    """A year later the report speaks of the visit before, and of the drive."""
    assert played.second["number"] == 2
    assert "2 April 2026" in played.compared
    assert "drive" in played.compared, played.compared


def test_what_has_worn_is_found(played: Played) -> None:
    """The scatter of the spark has grown by more than chance; the top has not moved."""
    from vaclog.visit.compare import compare
    from vaclog.visit.records import visit_from_json

    older, newer = (visit_from_json(json.dumps(each)) for each in (played.first, played.second))
    comparison = compare(older, newer)
    scatter = comparison.of("scatter")
    assert scatter is not None and scatter.changed and scatter.difference > 0
    peak = comparison.of("peak")
    assert peak is not None and not peak.changed


# --- a killed process -----------------------------------------------------------------------------


def command(garage: Path, *words: object) -> list[str]:
    """The command as another process."""
    return [sys.executable, "-m", "vaclog", "visit", *map(str, words), "--garage", str(garage)]


def environment() -> dict[str, str]:
    """The same as here, with this package found and output at once."""
    root = str(Path(__file__).parents[2])
    return {**os.environ, "PYTHONPATH": root, "PYTHONUNBUFFERED": "1"}


def read_to(stream: Any, words: str) -> str:
    """Read until some words have come."""
    seen = ""
    while words not in seen:
        letter = stream.read(1)
        assert letter, f"{words!r} never came: {seen}"
        seen += letter
    return seen


def test_a_killed_guide_loses_nothing(tmp_path: Path) -> None:
    """Killed without warning between two questions, another process goes on with the next."""
    person = Person(garage=tmp_path / "garage.db")
    engine, rig = bench(tmp_path).cards()
    person.types("begin", engine, "--rig", rig)
    with subprocess.Popen(
        command(person.garage, "go"),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=environment(),
    ) as guide:
        assert guide.stdin is not None and guide.stdout is not None
        for question in ("An ordinary engine?", "Handbrake on", "neutral"):
            read_to(guide.stdout, question)
            guide.stdin.write("yes\n")
            guide.stdin.flush()
        read_to(guide.stdout, "Outdoors")
        guide.send_signal(signal.SIGKILL)
    assert guide.returncode == -signal.SIGKILL
    status = person.asks("status")
    assert [point["key"] for point in status["points"]] == ["plain", "brake", "gear"]
    assert person.asks("next")["next"]["ask"] == "air"


def test_a_killed_analysis_leaves_the_visit_where_it_was(tmp_path: Path) -> None:
    """The capture is taken whole or not at all, and can be given again."""
    shop = bench(tmp_path)
    person = Person(garage=tmp_path / "garage.db")
    engine, rig = shop.cards()
    person.types("begin", engine, "--rig", rig)
    person.answers_all()
    check = shop.check("check", 1, START_DEG)
    with subprocess.Popen(
        command(person.garage, "capture", check),
        stderr=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        text=True,
        env=environment(),
    ) as analysis:
        analysis.send_signal(signal.SIGKILL)
    status = person.asks("status")
    assert status["step"] == "fit" and not status["captures"]
    assert person.asks("capture", check)["step"] == "baseline"
