"""Where watchers hand in what a person said.

Enters: taps, strobe readings and markers, from any thread and at any time. Leaves: the same, in
order, into the stream of records; there each gets the time of the record before it, so that it
is kept and replayed like all the rest.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, TypeAlias

Kind: TypeAlias = Literal["tap", "strobe", "marker"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Handed:
    """What a person said; its time is not known yet."""

    kind: Kind
    value_deg: float | None = None
    text: str = ""


class Desk:
    """Takes what is said; what comes before anybody listens waits."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._take: Callable[[Handed], None] | None = None
        self._waiting: list[Handed] = []

    def hand_in(self, handed: Handed) -> None:
        """Pass it on."""
        with self._lock:
            if self._take is None:
                self._waiting.append(handed)
            else:
                self._take(handed)

    def opened(self, take: Callable[[Handed], None]) -> None:
        """From now on ``take`` gets it all, what waited first."""
        with self._lock:
            self._take = take
            for handed in self._waiting:
                take(handed)
            self._waiting.clear()
