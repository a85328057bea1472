"""Each room imports only the rooms above it, and the pure rooms touch no world outside."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[2] / "vaclog"

# From the top of the house down. A room may import itself and any room above it that its
# line allows; a module at the package's top is a room of its own.
CONTRACTS = {"errors", "units", "cards", "result", "records"}
ALLOWED: dict[str, set[str]] = {
    "errors": set(),
    "units": {"errors"},
    "cards": {"errors", "units"},
    "result": {"errors", "units"},
    "records": set(),
    "wire": CONTRACTS,
    "simulator": CONTRACTS | {"wire"},
    "signals": CONTRACTS | {"wire"},
    "analysis": CONTRACTS | {"wire", "signals"},
    "guidance": CONTRACTS | {"wire", "signals", "analysis"},
    "session": CONTRACTS | {"wire", "signals", "analysis", "guidance"},
    "visit": CONTRACTS,
    "report": CONTRACTS | {"visit"},
    "garage": CONTRACTS | {"visit"},
    "capture": CONTRACTS | {"wire", "signals", "analysis", "session"},
    "sources": CONTRACTS | {"wire", "simulator", "signals", "capture"},
}
BOTTOM = {"daemon", "web", "cli", "__main__", "__init__"}  # may import everything
PURE = set(ALLOWED) - {"capture", "sources", "report", "garage"}
WORLD = {"serial", "sqlite3", "sqlite_utils", "click", "time", "threading", "logging", "socket"}
BULK_RANDOM = {"random"}  # generators are passed in


def room_of(path: Path) -> str:
    """Name of the room that a module belongs to."""
    first = path.relative_to(PACKAGE).parts[0]
    return first.removesuffix(".py")


def imports_of(path: Path) -> set[str]:
    """Absolute dotted names that a module imports, anywhere in it."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative imports hide the room"
            names.add(node.module or "")
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def modules() -> list[Path]:
    """All modules of the package."""
    found = sorted(PACKAGE.rglob("*.py"))
    assert len(found) > 20
    return found


def test_every_room_is_known() -> None:
    """A new room must be given its place in the house."""
    assert {room_of(path) for path in modules()} <= set(ALLOWED) | BOTTOM


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_go_up_only(path: Path) -> None:
    """No module imports a room below its own, nor the world if its room is pure."""
    room = room_of(path)
    if room in BOTTOM:
        return
    for name in imports_of(path):
        parts = name.split(".")
        if parts[0] == "vaclog" and len(parts) > 1 and parts[1] not in {"__version__", room}:
            assert parts[1] in ALLOWED[room], f"{path}: {room} must not import {name}"
        if room in PURE:
            assert parts[0] not in WORLD | BULK_RANDOM, f"{path}: {room} is pure; not {name}"


def test_the_simulator_shares_no_code_with_the_analysis() -> None:
    """What makes the data and what judges them must not share a mistake."""
    for path in modules():
        if room_of(path) in {"analysis", "signals"}:
            assert not any(name.startswith("vaclog.simulator") for name in imports_of(path))
