"""The repository speaks of the project alone and keeps its agreed shape."""

from __future__ import annotations

import subprocess
from pathlib import Path

ROOT = Path(__file__).parents[2]
TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "LICENSE",
    "pyproject.toml",
    "vaclog",
    "firmware_notes",
    "tests",
    "sample_captures",
}


def tracked() -> list[Path]:
    """Files that belong to the repository."""
    out = subprocess.run(
        ["git", "ls-files", "-z"], cwd=ROOT, check=True, capture_output=True
    ).stdout.decode()
    return [Path(name) for name in out.split("\0") if name]


def test_the_top_level_is_as_agreed() -> None:
    """Nothing but the agreed names and hidden files at the top."""
    names = {path.parts[0] for path in tracked()}
    assert {name for name in names if not name.startswith(".")} == TOP_LEVEL


def test_readme_opens_with_the_job() -> None:
    """After the title comes one paragraph that says what the program is for."""
    blocks = (ROOT / "README.md").read_text(encoding="utf-8").split("\n\n")
    assert blocks[0].startswith("# ")
    assert "distributor" in blocks[1] and "vacuum" in blocks[1]
    assert not blocks[1].startswith(("#", "```", "-"))


def test_no_machine_paths() -> None:
    """No file names a place on somebody's machine."""
    for path in tracked():
        if path.suffix in {".py", ".md", ".toml", ".c", ".h", ".txt", ".html"}:
            text = (ROOT / path).read_text(encoding="utf-8")
            for place in ("/" + "work/", "/" + "root/", "/home" + "/"):
                assert place not in text, f"{path} names {place}"
