"""Engine card and rig card: what the wire does not carry.

Enters: TOML text. Leaves: validated, frozen records. Every key has a default or is optional;
a missing one only costs the answers that need it. An unknown key or a bad value is a
:class:`~vaclog.errors.CardError` that names it. Values that are possible but look like a mixed
up figure are not errors: :func:`doubts` returns them as sentences.
"""

from vaclog.cards.doubtful import doubts
from vaclog.cards.engine import EngineCard, Rotation, VacuumAdvance, curve_added_deg
from vaclog.cards.files import load_engine_card, load_rig_card, read_card_file
from vaclog.cards.read import engine_card, rig_card
from vaclog.cards.rig import (
    BodySensor,
    MarkSensor,
    PressureSensor,
    RigCard,
    SparkPickup,
    SparkSensor,
)

__all__ = [
    "BodySensor",
    "EngineCard",
    "MarkSensor",
    "PressureSensor",
    "RigCard",
    "Rotation",
    "SparkPickup",
    "SparkSensor",
    "VacuumAdvance",
    "curve_added_deg",
    "doubts",
    "engine_card",
    "load_engine_card",
    "load_rig_card",
    "read_card_file",
    "rig_card",
]
