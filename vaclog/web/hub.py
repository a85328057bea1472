"""Hands events to all who watch.

Enters: messages from any thread. Leaves: for each watcher its own queue of them. A watcher that
is slow or gone holds nobody up: what it did not take is replaced by the latest of each kind.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Final

# A second and more of a fast idle; who is further behind is better served by the latest alone.
_MOST_WAITING: Final = 32

# Only the last one counts for who comes later, in this order; "live" and "beat" are not worth
# keeping for long, but tell a new watcher at once what goes on.
_LATEST: Final = ("hello", "view", "note", "live", "beat")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """One message: its kind, its data as one line of JSON."""

    kind: str
    data: str

    def encode(self) -> bytes:
        """As the bytes of a server-sent event."""
        return f"event: {self.kind}\ndata: {self.data}\n\n".encode()


class Hub:
    """Fans out."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._latest: dict[str, Sent] = {}
        self._queues: set[asyncio.Queue[Sent | None]] = set()
        self._closed = False

    @property
    def watchers(self) -> int:
        """How many watch."""
        return len(self._queues)

    def publish(self, kind: str, data: str) -> None:
        """Send a message to all who watch; from any thread."""
        sent = Sent(kind=kind, data=data)
        with self._lock:
            self._latest[kind] = sent
            loop = self._loop
        if loop is not None and self._queues:
            try:
                loop.call_soon_threadsafe(self._hand_out, sent)
            except RuntimeError:
                return  # the loop has ended: nobody watches any more

    def close(self) -> None:
        """End all streams; from any thread."""
        with self._lock:
            self._closed = True
            loop = self._loop
        if loop is not None and not loop.is_closed():
            loop.call_soon_threadsafe(self._hand_out, None)

    async def watch(self) -> AsyncIterator[bytes]:
        """The latest of each kind, then all that comes, as bytes."""
        queue: asyncio.Queue[Sent | None] = asyncio.Queue()
        with self._lock:
            self._loop = asyncio.get_running_loop()
            if self._closed:
                return
            latest = dict(self._latest)
            self._queues.add(queue)
        try:
            # How long to wait before a lost stream is asked for again, in milliseconds.
            yield b"retry: 1000\n\n"
            for kind in _LATEST:
                if kind in latest:
                    yield latest[kind].encode()
            while (sent := await queue.get()) is not None:
                yield sent.encode()
        finally:
            self._queues.discard(queue)

    def _hand_out(self, sent: Sent | None) -> None:
        for queue in self._queues:
            if queue.qsize() >= _MOST_WAITING:
                waiting: dict[str, Sent] = {}
                while not queue.empty():
                    late = queue.get_nowait()
                    if late is not None:
                        waiting[late.kind] = late
                for late in waiting.values():
                    queue.put_nowait(late)
            queue.put_nowait(sent)
