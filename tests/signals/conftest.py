"""Lets the tests of this room import their made engines; runs of the simulator, made once."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from vaclog.simulator import EngineSpec, Script
from vaclog.simulator.script import Hold, Turn


@pytest.fixture(scope="session")
def sweep() -> Script:
    """Ten to thirty-four degrees and back, at 2.4 degrees a second."""
    return Script(
        start_deg=10.0,
        segments=(
            Hold(seconds=4.0),
            Turn(to_deg=34.0, rate_deg_s=2.4),
            Hold(seconds=2.0),
            Turn(to_deg=10.0, rate_deg_s=2.4),
            Hold(seconds=3.0),
        ),
    )


@pytest.fixture(scope="session")
def uneven() -> EngineSpec:
    """An engine whose speed varies by some 4 % within a turn."""
    return EngineSpec(inertia_kg_m2=0.14)
