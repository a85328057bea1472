"""Sounds the tone in the terminal, for those without a phone.

Enters: pressures, from any thread. Leaves: samples for an audio player found on the PATH, from a
thread of their own. Nothing waits for it: a player that takes nothing misses what it did not take,
one that dies is replaced by the next kind or done without.
"""

from __future__ import annotations

import math
import os
import shutil
import subprocess
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from types import TracebackType
from typing import Final, Self, TypeAlias

from vaclog.daemon.tone import DUCKED, LOUDNESS, MIDDLE_HZ, OLD_S, RATE_HZ, Oscillator, pitch_hz

Command: TypeAlias = tuple[str, ...]

# Programs that play raw samples from standard input, best first: who asks a sound server shares
# the loudspeaker with the voice. Short buffers, or the tone comes late.
PLAYERS: Final[tuple[Command, ...]] = (
    ("pacat", "--playback", "--raw", "--format=s16le", f"--rate={RATE_HZ}", "--channels=1",
     "--latency-msec=80", "--client-name=vaclog"),
    ("aplay", "-q", "-t", "raw", "-f", "S16_LE", "-r", f"{RATE_HZ}", "-c", "1", "-B", "100000",
     "-"),
    ("play", "-q", "-t", "raw", "-e", "signed-integer", "-b", "16", "-L", "-r", f"{RATE_HZ}",
     "-c", "1", "-"),
)  # fmt: skip
INSTALL: Final = (
    "Install aplay (Debian: apt install alsa-utils) or pacat (Debian: apt install pulseaudio-utils)"
)
CHECK: Final = "Is a loudspeaker there, and may this user sound it?"
BLOCK_S: Final = 0.02
# Never further ahead of the clock than this, however greedily a player reads ...
LEAD_S: Final = 0.06
# ... and where the player is slow, its own clock counts: what it did not take was never made.
LATE_S: Final = 0.1
# A little faster than the clock: the pipe stays full, and the player's clock is the sound card's.
PACE: Final = 1.005
# The smallest pipe that the system makes holds 85 ms; the usual one would hold 1.4 s.
_PIPE_BYTES: Final = 4096
BLOCKED_S: Final = 5.0
_LEAVE_S: Final = 0.5
_COUNT: Final = round(BLOCK_S * RATE_HZ)


def players() -> list[Command]:
    """The players of this machine, best first."""
    if os.name != "posix":  # a pipe that does not block is to be had there alone
        return []
    return [each for each in PLAYERS if shutil.which(each[0])]


class Tone:
    """Sounds while its context lasts.

    Parameters
    ----------
    commands
        Players, best first.
    say
        Told, once, when none of them plays (any more).
    speaks
        Whether somebody speaks now: the tone is quiet meanwhile.
    """

    def __init__(
        self,
        commands: Sequence[Command],
        *,
        say: Callable[[str], None],
        speaks: Callable[[], bool] = lambda: False,
    ) -> None:
        self._commands, self._say, self._speaks = commands, say, speaks
        self._oscillator = Oscillator()
        self._middle_kpa: float | None = None
        self._heard = (MIDDLE_HZ, float("-inf"))  # pitch, and when it was given
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="tone", daemon=True)

    def follow(self, kpa: float) -> None:
        """Take a pressure; one that is not known is passed over."""
        if not math.isfinite(kpa):
            return
        if self._middle_kpa is None:
            self._middle_kpa = kpa
        self._heard = (pitch_hz(kpa, self._middle_kpa), time.monotonic())

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
        if not self._commands:
            self._say(f"The tone is silent: no audio player is here. {INSTALL}. All else goes on.")
            return
        why = ""
        for command in self._commands:
            try:
                ended = self._play(command)
            except OSError as error:
                ended = f"{command[0]} cannot be started ({error.strerror})"
            if ended is None:
                return
            why = ended
        self._say(f"The tone is silent: {why}. {CHECK} All else goes on.")

    def _play(self, command: Command) -> str | None:
        """Play until told to stop (None), or until the player does not; why."""
        process = subprocess.Popen(
            command,
            bufsize=0,
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,  # Ctrl-C is for the recording; the player ends with its input
        )
        assert process.stdin is not None
        pipe = process.stdin.fileno()
        try:
            _make_small(pipe)
            return self._feed(command[0], process, pipe)
        finally:
            with suppress(OSError):
                process.stdin.close()
            _end(process)

    def _feed(self, name: str, process: subprocess.Popen[bytes], pipe: int) -> str | None:
        pace = _Pace(time.monotonic())
        waiting: bytes = b""
        while not self._stop.wait(pace.wait_s(time.monotonic())):
            waiting = waiting or self._block()
            try:
                taken = os.write(pipe, waiting)
            except BlockingIOError:
                if pace.blocked(time.monotonic()):
                    return f"{name} takes no sound"
                continue
            except OSError:
                code = _exit_code(process)
                return f"{name} has ended" + (f" (exit {code})" if code else "")
            waiting = waiting[taken:]
            pace.wrote(time.monotonic(), taken)
        self._fade_out(pipe)
        return None

    def _block(self) -> bytes:
        """The next samples for what is heard now."""
        hz, at_s = self._heard
        loudness = LOUDNESS * (DUCKED if self._speaks() else 1.0)
        if time.monotonic() - at_s > OLD_S:
            loudness = 0.0
        return self._oscillator.render(_COUNT, hz, loudness).tobytes()

    def _fade_out(self, pipe: int) -> None:
        """The last samples, as many as are taken: without them the end is a click."""
        with suppress(OSError):
            for _ in range(4):
                os.write(pipe, self._oscillator.render(_COUNT, self._heard[0], 0.0).tobytes())


@dataclass(slots=True)
class _Pace:
    """How far ahead of the clock the sound is, and for how long nothing was taken."""

    begin_s: float
    written_s: float = 0.0
    blocked_s: float | None = None

    def wait_s(self, now_s: float) -> float:
        """How long until the next block is due."""
        if self.blocked_s is not None:
            return BLOCK_S
        return max(self._ahead_s(now_s) - LEAD_S, 0.0)

    def wrote(self, now_s: float, size: int) -> None:
        """So many bytes were taken."""
        self.blocked_s = None
        self.written_s += size / 2 / RATE_HZ / PACE
        if self._ahead_s(now_s) < -LATE_S:
            self.begin_s = now_s - self.written_s

    def blocked(self, now_s: float) -> bool:
        """Nothing was taken; whether that lasts too long."""
        self.blocked_s = now_s if self.blocked_s is None else self.blocked_s
        return now_s - self.blocked_s > BLOCKED_S

    def _ahead_s(self, now_s: float) -> float:
        return self.written_s - (now_s - self.begin_s)


def _make_small(pipe: int) -> None:
    """Let little wait in a pipe, and nobody for it."""
    import fcntl

    os.set_blocking(pipe, False)
    size = getattr(fcntl, "F_SETPIPE_SZ", None)  # Linux alone can
    if size is not None:
        with suppress(OSError):
            fcntl.fcntl(pipe, size, _PIPE_BYTES)


def _exit_code(process: subprocess.Popen[bytes]) -> int | None:
    with suppress(subprocess.TimeoutExpired):
        return process.wait(_LEAVE_S)
    return None


def _end(process: subprocess.Popen[bytes]) -> None:
    """Let the player play out, and end it where it does not."""
    for ask in (process.terminate, process.kill, None):
        with suppress(subprocess.TimeoutExpired):
            process.wait(_LEAVE_S)
            return
        if ask is not None:
            ask()
