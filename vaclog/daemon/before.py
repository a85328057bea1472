"""Records in front of a source, and a keeper that keeps nothing.

Enters: a source. Leaves: the same with some records before it.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence

from vaclog.daemon.listening import Source
from vaclog.records import Record


class Before:
    """A source with records in front, such as what is wanted of the guidance."""

    def __init__(self, records: Sequence[Record], source: Source) -> None:
        self._records, self._source = records, source

    def read_records(self, stop: threading.Event) -> Iterator[Record]:
        """Yield the records, then the source's."""
        yield from self._records
        yield from self._source.read_records(stop)


class Nowhere:
    """Keeps nothing: what is replayed is on disk already."""

    def write(self, record: Record) -> None:
        """Let it go."""

    def close(self) -> None:
        """Nothing to complete."""
