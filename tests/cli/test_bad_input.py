"""What bad input gets: what is wrong, where, the likely cause and the next step."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.conftest import Bench, run

CARD, CAPTURE, USAGE = 3, 4, 2


def write(path: Path, content: str | bytes) -> Path:
    """Write a file and return it."""
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


@pytest.mark.parametrize(
    ("content", "code", "words"),
    [
        pytest.param("", CAPTURE, ["capture", "empty"], id="empty"),
        pytest.param(b"\x7fELF" + bytes(range(200)), CAPTURE, ["capture", "7f 45"], id="unknown"),
        pytest.param(
            "# vaclog-lines 2 tick_ns=500 adc_bits=10\nP 1 2\n",
            CAPTURE,
            ["version 2", "Update"],
            id="future",
        ),
        pytest.param("t,map\n0,40\n1,41\n", CAPTURE, ["CSV", "column"], id="csv without mapping"),
    ],
)
def test_files_that_are_no_capture(
    tmp_path: Path, content: str | bytes, code: int, words: list[str]
) -> None:
    """The file is named, and so is what it looks like."""
    path = write(tmp_path / "capture.bin", content)
    done = run("replay", path)
    assert done.exit_code == code
    assert done.stdout == ""
    assert str(path) in done.stderr
    for word in words:
        assert word in done.stderr


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    """No traceback for a slip of the keyboard."""
    done = run("replay", tmp_path / "nowhere.vaclog")
    assert done.exit_code == CAPTURE
    assert "nowhere.vaclog" in done.stderr and "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("option", "card", "words"),
    [
        ("--engine", "cilinders = 4\n", ["cilinders", "cylinders"]),
        ("--engine", "cylinders = 0\n", ["cylinders", "0"]),
        ("--engine", "firing_order = [1, 3, 3, 2]\n", ["firing_order"]),
        ("--engine", "static_deg = nan\n", ["static_deg"]),
        ("--engine", "name = \n", ["line 1"]),
        ("--rig", "[body]\nsign = 2\n", ["sign"]),
        ("--rig", '[spark]\npickup = "hall"\n', ["pickup", "no1"]),
    ],
)
def test_a_card_with_a_slip(
    bench: Bench, tmp_path: Path, option: str, card: str, words: list[str]
) -> None:
    """The key is named, with what would have been right."""
    path = write(tmp_path / "card.toml", card)
    done = run("replay", bench.lines, option, path)
    assert done.exit_code == CARD
    assert str(path) in done.stderr
    for word in words:
        assert word in done.stderr


def test_csv_without_the_mapped_column(tmp_path: Path) -> None:
    """The missing column and those that are there."""
    path = write(tmp_path / "log.csv", "t,map\n0.0,40.1\n0.1,40.2\n")
    mapping = write(
        tmp_path / "columns.toml",
        '[columns]\ntime = { column = "t", unit = "s" }\n'
        'pressure = { column = "manifold", unit = "kPa" }\n',
    )
    done = run("replay", path, "--mapping", mapping)
    assert done.exit_code == CAPTURE
    for word in (str(path), "manifold", "map"):
        assert word in done.stderr


def test_a_capture_cut_in_mid_frame_still_answers(bench: Bench, tmp_path: Path) -> None:
    """Nothing that was read is lost, and the cut is counted."""
    whole = bench.recording.binary
    path = write(tmp_path / "cut", whole[: int(len(whole) * 0.8) + 7])
    done = run("replay", path, "--engine", bench.engine, "--rig", bench.rig, "--json")
    assert done.exit_code == 0
    result = json.loads(done.stdout)
    assert result["source"]["gaps"] == 1
    assert result["peak"]["found"]


def lines_of(bench: Bench) -> list[str]:
    """The text capture, line by line."""
    return bench.recording.text.decode().splitlines()


def edited(change: Callable[[str], list[str]]) -> Callable[[Bench], str]:
    """Make a capture in which each line became none, one or several others."""

    def make(bench: Bench) -> str:
        first, *rest = lines_of(bench)
        return "\n".join([first, *(new for line in rest for new in change(line))]) + "\n"

    return make


def at_rail(line: str) -> list[str]:
    """An open or shorted sensor."""
    return [re.sub(r"^(P \d+) \d+", r"\1 1023", line)]


def twice_a_turn(line: str) -> list[str]:
    """A disc with two marks: a second pulse a fixed time (half a turn at idle) later."""
    if not line.startswith("R "):
        return [line]
    tick = int(line.split()[1])
    return [line, f"R {(tick + 70_600) % 2**32}"]


@pytest.mark.parametrize(
    ("capture", "words"),
    [
        pytest.param(edited(at_rail), r"rail|open|short", id="pressure at a rail"),
        pytest.param(
            edited(lambda line: [] if line.startswith("S ") else [line]),
            r"[Nn]o spark",
            id="no sparks",
        ),
        pytest.param(
            edited(lambda line: [] if line.startswith("R ") else [line]),
            r"mark",
            id="no mark",
        ),
        pytest.param(edited(twice_a_turn), r"mark", id="mark twice a turn"),
    ],
)
def test_a_rig_that_is_not_right_is_warned_of(
    bench: Bench, tmp_path: Path, capture: Callable[[Bench], str], words: str
) -> None:
    """An answer comes all the same (exit 0), it claims no peak, and says what to look at."""
    path = write(tmp_path / "odd.txt", capture(bench))
    done = run("replay", path, "--engine", bench.engine, "--rig", bench.rig, "--json")
    assert done.exit_code == 0, done.stderr
    result = json.loads(done.stdout)
    assert not result["peak"]["found"]
    assert result["peak"]["why_not"]
    assert any(re.search(words, warning) for warning in result["advice"]["warnings"])


def test_lines_that_cannot_be_read_are_counted(bench: Bench, tmp_path: Path) -> None:
    """A torn line, an extra field, a count out of range, a tick that jumps: four skipped."""
    lines = lines_of(bench)
    lines[500] = lines[500][:3] + "x"
    lines[900] = "P 5 5 5"
    lines[1300] = re.sub(r"^\S+ (\d+).*", r"P \1 1024", lines[1300])
    lines[1700] = re.sub(r"^(P) (\d+) (\d+)", r"\1 4000000000 \3", lines[1700])
    path = write(tmp_path / "torn.txt", "\n".join(lines) + "\n")
    done = run("replay", path, "--engine", bench.engine, "--rig", bench.rig, "--json")
    result = json.loads(done.stdout)
    assert result["source"]["lines_skipped"] == 4
    assert result["peak"]["found"]


def test_a_place_that_cannot_be_written_is_named(bench: Bench, tmp_path: Path) -> None:
    """The answer is printed first; then the file that failed is named, with exit code 6."""
    page = tmp_path / "missing" / "page.html"
    done = run("replay", bench.lines, "--html", page)
    assert done.exit_code == 6
    assert str(page) in done.stderr
    assert "Set" in done.stdout or "top" in done.stdout
