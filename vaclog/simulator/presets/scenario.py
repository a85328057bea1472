"""What a scenario is.

Enters: specs of engine, hand, rig and what the maker's book says. Leaves: :class:`Scenario`, which
can be run, and :class:`Story`, a scenario with a name for people.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from vaclog.simulator.engine import EngineSpec
from vaclog.simulator.passenger import PinkSpec
from vaclog.simulator.recording import MakerFacts, Recording, simulate
from vaclog.simulator.rig import RigSpec
from vaclog.simulator.script import Script

FIRING_ORDERS = {
    3: (1, 2, 3),
    4: (1, 3, 4, 2),
    5: (1, 2, 4, 5, 3),
    6: (1, 5, 3, 6, 2, 4),
    8: (1, 8, 4, 3, 6, 5, 7, 2),
    12: (1, 7, 5, 11, 3, 9, 6, 12, 2, 8, 4, 10),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """An engine, a hand, a rig and a maker's book."""

    name: str
    engine: EngineSpec
    script: Script
    rig: RigSpec
    maker: MakerFacts = field(default_factory=MakerFacts)
    pinks: PinkSpec | None = None

    def simulate(self, seed: int) -> Recording:
        """Run it."""
        return simulate(
            self.engine, self.script, self.rig, seed, maker=self.maker, pinks=self.pinks
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Story:
    """A scenario that can be asked for by name.

    Attributes
    ----------
    words
        One line for people: what happens in it.
    make
        Makes it; called without arguments.
    """

    words: str
    make: Callable[[], Scenario]

    def __call__(self) -> Scenario:
        """The scenario."""
        return self.make()
