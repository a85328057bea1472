"""Puts the cards in front of what a source reads, and ends it after a set time.

Enters: a source and the cards' files. Leaves: the same records with the cards' text first,
so that a capture carries all that its answer rests on.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Literal, Protocol

from vaclog.records import CardText, Record


class _Source(Protocol):
    def read_records(self, stop: threading.Event) -> Iterator[Record]: ...


class Carded:
    """A source with its cards in front.

    Parameters
    ----------
    source
        What to read.
    engine, rig
        Card files; None leaves the card out.
    seconds
        Stop once a record carries this much host time; None: never.
    """

    def __init__(
        self,
        source: _Source,
        *,
        engine: Path | None,
        rig: Path | None,
        seconds: float | None = None,
    ) -> None:
        self._source = source
        cards: list[tuple[Literal["engine", "rig"], Path | None]] = [
            ("engine", engine),
            ("rig", rig),
        ]
        self._cards = [
            CardText(at_us=0, which=which, toml=path.read_text(encoding="utf-8"))
            for which, path in cards
            if path is not None
        ]
        self._end_us = None if seconds is None else round(seconds * 1e6)

    def read_records(self, stop: threading.Event) -> Iterator[Record]:
        """Yield the cards, then the source's records."""
        yield from self._cards
        for record in self._source.read_records(stop):
            yield record
            at_us = record.at_us
            if self._end_us is not None and at_us is not None and at_us >= self._end_us:
                stop.set()
