"""Who leads the hand, as a session sees it, and how options of the guidance reach it.

Enters: options. Leaves: the record that carries them; what a leader must be able to do.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import fields
from typing import Final, Protocol, TypeAlias

from vaclog.cards import EngineCard, RigCard
from vaclog.guidance.instructions import Instruction
from vaclog.guidance.scene import Options
from vaclog.guidance.view import View
from vaclog.records import (
    OperatorInput,
)
from vaclog.signals.tables import Background, CycleTable

# A tap whose text begins so carries options of the guidance as JSON, ahead of the first data.
WANTS: Final = "wants "


class Leader(Protocol):
    """Who decides what to do next; :class:`~vaclog.guidance.guide.Guide` is one.

    What it says depends on the order of these calls alone, so it may also take them in another
    thread and answer there.
    """

    def on_cycles(
        self,
        cycles: CycleTable,
        background: Background,
        *,
        at_us: int | None = None,
        barometer_kpa: float | None = None,
    ) -> list[Instruction]:
        """Take the tables as they are now."""
        ...

    def on_input(self, operator: OperatorInput) -> list[Instruction]:
        """Take what a person said."""
        ...

    def on_marker(self) -> list[Instruction]:
        """Take the marker button on the wire."""
        ...

    def on_tick(self, at_us: int) -> list[Instruction]:
        """Take the clock."""
        ...

    def on_lost(self) -> list[Instruction]:
        """The port is gone."""
        ...

    def view(self) -> View:
        """What a page shows now."""
        ...


Lead: TypeAlias = Callable[[EngineCard, RigCard, Options], Leader]


def wants(options: Options, *, at_us: int = 0) -> OperatorInput:
    """The record that carries options of the guidance, so that a replay leads the same way."""
    given = {
        each.name: getattr(options, each.name)
        for each in fields(Options)
        if getattr(options, each.name) != each.default
    }
    return OperatorInput(at_us=at_us, kind="tap", text=WANTS + json.dumps(given))
