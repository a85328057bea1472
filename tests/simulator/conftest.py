"""Runs that several tests look at, made once."""

import numpy as np
import pytest

from vaclog.simulator import EngineSpec, RigSpec, Script, simulate
from vaclog.simulator.crank import build, run
from vaclog.simulator.presets import preset
from vaclog.simulator.rig import BodyRig
from vaclog.simulator.script import Hold


@pytest.fixture(scope="session")
def idle_engine():
    """The default engine, built."""
    return build(EngineSpec())


@pytest.fixture(scope="session")
def long_idle(idle_engine):
    """Two minutes of untouched idle at ten degrees."""
    return run(
        idle_engine,
        Script(start_deg=10.0, segments=(Hold(seconds=120.0),)),
        np.random.default_rng(3),
    )


@pytest.fixture(scope="session")
def visit():
    """A whole visit: still, start, warm-up, rev-up, sweep, road, stop."""
    return preset("visit").simulate(11)


@pytest.fixture(scope="session")
def sweep_record():
    """A there-and-back sweep under a rig with mark, coil lead and body sensor."""
    scenario = preset("there-and-back")
    rig = RigSpec(coil_lead=True, body=BodyRig())
    return simulate(scenario.engine, scenario.script, rig, 5, markers_s=(9.0, 40.0))
