"""Says on stderr what goes on while listening, and when to stop.

Enters: lines, from any thread; signals. Leaves: lines on stderr, from a thread of their own: a
terminal that is held (Ctrl-S), hung up or closed must cost neither a record nor the guidance.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from queue import SimpleQueue
from types import TracebackType
from typing import Final, Self

import click

LAST_WORDS_S: Final = 2.0
"""A terminal that takes nothing is left to itself after so long at the end."""

MOST_WAITING: Final = 1000
"""Lines kept for a terminal that is held; further ones are in the capture's events anyway."""


class Says:
    """Writes lines on stderr; used as a context.

    Attributes
    ----------
    live
        Whether there is a terminal, on which a line may be written over.
    """

    def __init__(self) -> None:
        # None where the program was started without one.
        self.live = sys.stderr is not None and sys.stderr.isatty()
        self._lines: SimpleQueue[tuple[str, bool] | None] = SimpleQueue()
        self._thread = threading.Thread(target=self._run, name="says", daemon=True)
        self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._lines.put(None)
        self._thread.join(LAST_WORDS_S)

    def line(self, text: str) -> None:
        """Say a line."""
        if self._lines.qsize() < MOST_WAITING:
            self._lines.put((text, True))

    def over(self, text: str) -> None:
        """Write over what stands at the end; passed over while anything else waits."""
        if self.live and self._lines.empty():
            self._lines.put((text, False))

    def _run(self) -> None:
        while (told := self._lines.get()) is not None:
            text, ends = told
            try:
                _write(("\r\x1b[K" if self.live else "") + text + ("\n" if ends else ""))
            except (OSError, ValueError):
                break  # hung up or closed: the page and the capture go on
        while told is not None:
            told = self._lines.get()


def _write(text: str) -> None:
    """Write to the system itself where that can be done.

    A thread that waits within Python's own buffer would hold its lock, and the interpreter
    cannot end while somebody does.
    """
    try:
        file = sys.stderr.fileno() if os.name == "posix" else None
    except (AttributeError, OSError, ValueError):  # none, closed, or one of a test
        file = None
    if file is None:
        click.echo(text, err=True, nl=False)
        return
    data = text.encode(sys.stderr.encoding or "utf-8", "replace")
    while data:
        data = data[os.write(file, data) :]


def stop_on_signals(stop: threading.Event) -> None:
    """The first Ctrl-C (or TERM, or a hang-up) ends the recording; a second ends the program.

    A hang-up that is ignored, as under nohup, stays so; and shells, the kernel and a session's
    keeper all send one, so that further ones mean nothing.
    """
    asked: set[int] = set()
    hang_up = getattr(signal, "SIGHUP", None)  # there is none on Windows

    def handle(number: int, _frame: object) -> None:
        if number in asked and number != hang_up:
            signal.signal(number, signal.SIG_DFL)
            os.kill(os.getpid(), number)
        asked.add(number)
        # In a thread: whom the signal interrupts may hold the event's lock.
        threading.Thread(target=stop.set, daemon=True).start()

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, handle)
    if hang_up is not None and signal.getsignal(hang_up) != signal.SIG_IGN:
        signal.signal(hang_up, handle)
