"""An idling engine and a rig that emit wire bytes, with their truth beside them.

Enters: specs of engine, hand and rig, and a seed. Leaves: bytes (binary frames in chunks, or
text lines), pin signals, cards and truth. Shares no code with signals and analysis.
"""

from vaclog.simulator.drive import CanisterSpec, DriveSpec
from vaclog.simulator.engine import EngineSpec, MisfireSpec
from vaclog.simulator.faults import FaultSpec
from vaclog.simulator.hill import HillSpec
from vaclog.simulator.recording import MakerFacts, Recording, simulate
from vaclog.simulator.rig import BodyRig, PinSignals, RigSpec
from vaclog.simulator.script import Script

__all__ = [
    "BodyRig",
    "CanisterSpec",
    "DriveSpec",
    "EngineSpec",
    "FaultSpec",
    "HillSpec",
    "MakerFacts",
    "MisfireSpec",
    "PinSignals",
    "Recording",
    "RigSpec",
    "Script",
    "simulate",
]
