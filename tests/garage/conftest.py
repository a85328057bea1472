"""Garages for the tests of this room; its case module is found from here."""

from __future__ import annotations

import sqlite3
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from vaclog.garage import Garage

sys.path.insert(0, str(Path(__file__).parent))


@pytest.fixture
def garage(tmp_path: Path) -> Iterator[Garage]:
    """An empty garage."""
    with Garage(tmp_path / "garage.db") as opened:
        yield opened


@pytest.fixture
def old_file(tmp_path: Path) -> Path:
    """A garage of schema 1, made by literal SQL."""
    path = tmp_path / "old.db"
    script = (Path(__file__).parent / "schema_1.sql").read_text(encoding="utf-8")
    connection = sqlite3.connect(path)
    connection.executescript(script)
    connection.close()
    return path
