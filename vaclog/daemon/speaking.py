"""Speaks in the terminal, for those without a phone.

Enters: instructions. Leaves: sentences by a speech program, one at a time, the most urgent first
and never a stale one. Nothing waits for it.
"""

from __future__ import annotations

import shutil
import subprocess
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from types import TracebackType
from typing import Final, Protocol, Self

from vaclog.guidance.instructions import Urgency

# Programs by which a machine may speak, best first, and how a sentence is given to each.
PROGRAMS: Final[tuple[tuple[str, ...], ...]] = (
    ("espeak-ng", "-s", "155", "--"),
    ("espeak", "-s", "155", "--"),
    ("spd-say", "--wait", "--"),
    ("say", "--"),
)
LEAST_GAP_S: Final = 1.5
# What was overtaken by a newer sentence and still waits after so long is not said any more.
OVERTAKEN_S: Final = 3.0
_LOOK_S: Final = 0.05


class Speech(Protocol):
    """A sentence that is being spoken; :class:`subprocess.Popen` is one."""

    def poll(self) -> int | None:
        """None while it is being spoken."""
        ...

    def terminate(self) -> None:
        """Break it off."""
        ...


def program() -> tuple[str, ...] | None:
    """The speech program of this machine, None without one."""
    return next((each for each in PROGRAMS if shutil.which(each[0])), None)


def speak(command: tuple[str, ...], text: str) -> Speech:
    """Begin to speak."""
    return subprocess.Popen(
        [*command, text],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Sentence:
    """Something to say, how urgent it is, until when it is worth saying, since when it waits."""

    text: str
    urgency: Urgency
    until_s: float
    offered_s: float = float("-inf")


class Queue:
    """Decides what is said when; knows no program and no thread.

    Parameters
    ----------
    begin
        Begins to speak a sentence.
    """

    def __init__(self, begin: Callable[[str], Speech]) -> None:
        self._begin = begin
        self._waiting: list[Sentence] = []
        self._newest: Sentence | None = None
        self._speech: Speech | None = None
        self._urgency = -1
        self._last_s = float("-inf")

    @property
    def is_quiet(self) -> bool:
        """Whether nothing waits and nothing is being spoken."""
        return not self._waiting and not self.is_speaking

    @property
    def is_speaking(self) -> bool:
        """Whether a sentence is being spoken."""
        return self._speech is not None and self._speech.poll() is None

    def offer(self, sentence: Sentence, now_s: float) -> None:
        """Take a sentence in the place of all that wait and are not more urgent."""
        self._waiting = [each for each in self._waiting if each.urgency > sentence.urgency]
        self._newest = replace(sentence, offered_s=now_s)
        self._waiting.append(self._newest)

    def work(self, now_s: float) -> None:
        """Begin what is due."""
        if self._speech is not None and self._speech.poll() is not None:
            self._speech, self._urgency = None, -1
        self._waiting = [
            each
            for each in self._waiting
            if now_s < each.until_s
            and (each is self._newest or now_s - each.offered_s < OVERTAKEN_S)
        ]
        if not self._waiting:
            return
        sentence = self._waiting[0]
        cuts_in = sentence.urgency >= Urgency.SOON and sentence.urgency > self._urgency
        if not cuts_in and (self._speech is not None or now_s - self._last_s < LEAST_GAP_S):
            return
        if self._speech is not None:
            self._speech.terminate()
        self._waiting.pop(0)
        self._last_s = now_s
        self._urgency = sentence.urgency
        self._speech = self._begin(sentence.text)


class Speaker:
    """Works a :class:`Queue` in a thread while its context lasts."""

    def __init__(self, command: tuple[str, ...]) -> None:
        self._queue = Queue(lambda text: speak(command, text))
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="speaker", daemon=True)

    def offer(self, text: str, urgency: Urgency, valid_s: float) -> None:
        """Take a sentence; from any thread."""
        now_s = time.monotonic()
        with self._lock:
            self._queue.offer(Sentence(text=text, urgency=urgency, until_s=now_s + valid_s), now_s)

    @property
    def is_speaking(self) -> bool:
        """Whether a sentence is being spoken; from any thread."""
        with self._lock:
            return self._queue.is_speaking

    def wait(self, longest_s: float) -> bool:
        """Wait until nothing is spoken and nothing waits; False: it took longer."""
        end_s = time.monotonic() + longest_s
        while time.monotonic() < end_s:
            with self._lock:
                if self._queue.is_quiet:
                    return True
            time.sleep(_LOOK_S)
        return False

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stop.set()
        self._thread.join()

    def _run(self) -> None:
        while not self._stop.wait(_LOOK_S):
            with self._lock:
                self._queue.work(time.monotonic())
