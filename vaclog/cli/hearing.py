"""A sound recording of a drive, listened to beside the capture of the same drive."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from vaclog.result import Result
    from vaclog.result.road import Hearing
    from vaclog.session import Session


def time_us(text: str) -> int:
    """Seconds or m:ss as microseconds."""
    minutes, _, seconds = text.rpartition(":")
    try:
        at_s = 60.0 * int(minutes or 0) + float(seconds)
        if minutes and not 0.0 <= float(seconds) < 60.0:
            raise ValueError
    except ValueError:
        at_s = float("nan")
    if not abs(at_s) < 1e6:
        raise click.BadParameter(f"{text!r} is no time: give seconds or m:ss of the capture.")
    return round(at_s * 1e6)


def hear_file(path: Path, session: Session, result: Result, hint_s: float | None) -> Hearing:
    """Listen to a recording for pinking in the full-load runs of a finished session.

    Parameters
    ----------
    path
        WAV or FLAC.
    hint_s
        Second of the capture at which the recording was started, where that is known.
    """
    from vaclog.analysis.road.hear import Recording, hear
    from vaclog.analysis.road.loads import rows_of
    from vaclog.capture.sound import read_sound

    sound = read_sound(path)
    recording = Recording(
        file=sound.name, rate_hz=sound.rate_hz, samples=sound.samples, lossy=sound.lossy
    )
    cycles = session.cycles()
    return hear(recording, cycles, rows_of(cycles, result.loads), session.engine, hint_s=hint_s)
