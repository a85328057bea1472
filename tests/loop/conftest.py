"""Lets the tests of this room import its harness, and builds the chip and its runner once."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from harness import Bench


@pytest.fixture(scope="session")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """Compilers and emulator; a missing one is a failure of every test that needs it."""
    return Bench(tmp_path_factory.mktemp("loop"))
