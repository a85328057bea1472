"""Named scenarios, adjustable ones and random ones.

Enters: names, or a random generator and a few knobs. Leaves: :class:`Scenario`. A module each for
what a scenario is, the hands, the knobs, the single scenarios, the story of a whole visit, and the
draws.
"""

from __future__ import annotations

from typing import Final

from vaclog.simulator.presets.adjustable import knobs
from vaclog.simulator.presets.drawn import random_scenario
from vaclog.simulator.presets.hands import HABITS, Habit, sweep_script
from vaclog.simulator.presets.scenario import FIRING_ORDERS, Scenario, Story
from vaclog.simulator.presets.single import SINGLE
from vaclog.simulator.presets.workshop import WORKSHOP

__all__ = [
    "FIRING_ORDERS",
    "HABITS",
    "PRESETS",
    "SINGLE",
    "WORKSHOP",
    "Habit",
    "Scenario",
    "Story",
    "knobs",
    "preset",
    "random_scenario",
    "sweep_script",
]

PRESETS: Final[dict[str, Story]] = {**SINGLE, **WORKSHOP}
"""Scenarios by name."""


def preset(name: str) -> Scenario:
    """Return a named scenario.

    Raises
    ------
    KeyError
        For a name that is not in ``PRESETS``.
    """
    return PRESETS[name]()
