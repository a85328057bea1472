"""Readings of a strobe or a printed strip, where nothing measures the angle.

Enters: readings in crank degrees, as they are tapped or spoken. Leaves: a cycle table whose
holds carry them, and a stand-in for the watched hand.
"""

from __future__ import annotations

from typing import Final

from vaclog.analysis.holds.fill import fill
from vaclog.guidance.watch import HandWatch
from vaclog.signals.tables import CycleTable

# A strobe read by eye against two-degree marks.
U_READING_DEG: Final = 0.5


class Readings:
    """The holds and what was read at each.

    Attributes
    ----------
    holds
        (start, end or None while it lasts, reading) in device time and crank degrees.
    """

    def __init__(self) -> None:
        self.holds: list[tuple[int, int | None, float]] = []

    def add(self, start_us: int, deg: float) -> None:
        """A reading at the hold that began then; a second one of the same hold replaces it."""
        if self.holds and self.holds[-1][1] is None:
            start_us = self.holds.pop()[0]
        self.holds.append((start_us, None, deg))

    def leave(self, at_us: int) -> None:
        """The hold ends: an order to turn was given."""
        if self.holds and self.holds[-1][1] is None:
            start_us, _, deg = self.holds[-1]
            self.holds[-1] = (start_us, at_us, deg)

    def undo(self) -> tuple[int, int | None, float] | None:
        """Take the last reading back; None where there is none."""
        return self.holds.pop() if self.holds else None

    @property
    def last_deg(self) -> float | None:
        """The last reading."""
        return self.holds[-1][2] if self.holds else None

    def fill(self, cycles: CycleTable) -> CycleTable:
        """The table with the readings in the cycles of their holds."""
        now_us = int(cycles.end_us[-1]) if len(cycles) else 0
        return fill(
            cycles,
            ((start, now_us if end is None else end, deg) for start, end, deg in self.holds),
        )


class ReadHand(HandWatch):
    """A hand that is seen only when it is read."""

    def read(self, start_us: int, deg: float) -> None:
        """It stands there since then."""
        self.here_deg, self.still_since_us = deg, start_us

    def unread(self, deg: float | None) -> None:
        """What was read last is taken back; it stood at an earlier reading before, if any."""
        self.here_deg = deg

    def add(self, at_us: int, hand_deg: float) -> None:
        """Cycles tell nothing of it."""

    @property
    def level_deg(self) -> float | None:
        """The last reading."""
        return self.here_deg

    def sigma_deg(self) -> float:
        """Of a reading."""
        return U_READING_DEG
