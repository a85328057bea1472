"""Sound recordings as arrays.

Enters: a WAV or FLAC file (or another that the library reads). Leaves: one channel of samples. A
sound is no capture and never enters a session.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vaclog.errors import CaptureError

# Longer than any road trial; at 48 kHz it is 230 MB of samples a channel.
LONGEST_S: Final = 1200.0
_BLOCK: Final = 1 << 20
# Formats that throw away what an ear does not miss, often all of it above some pitch.
_LOSSY: Final = ("MP3", "OGG", "OPUS", "GSM", "ADPCM", "VORBIS", "MPEG", "ULAW", "ALAW")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sound:
    """One channel of a recording.

    Attributes
    ----------
    name
        Name of the file.
    rate_hz
        Samples a second.
    samples
        float32 [n], full scale 1.
    channels
        How many the file has; the loudest was taken. Adding them would cancel what reaches two
        microphones in opposite phase.
    lossy
        The format leaves out what an ear does not miss.
    """

    name: str
    rate_hz: int
    samples: NDArray[np.float32]
    channels: int = 1
    lossy: bool = False

    @property
    def duration_s(self) -> float:
        """Length of the recording."""
        return len(self.samples) / self.rate_hz


def read_sound(path: Path) -> Sound:
    """Read a recording.

    Parameters
    ----------
    path
        A file that libsndfile reads: WAV, FLAC, AIFF and more; not the M4A of some phones.

    Raises
    ------
    CaptureError
        Missing, empty, not a sound file, or far too long.
    """
    import soundfile

    if not path.is_file():
        raise CaptureError(
            f"{path}: there is no such file.",
            cause="The name is mistyped.",
            step="Check the name after --sound.",
        )
    try:
        with soundfile.SoundFile(str(path)) as file:
            _check_length(path, file.frames, file.samplerate)
            lossy = any(word in f"{file.format} {file.subtype}".upper() for word in _LOSSY)
            samples = _loudest(file)
            return Sound(
                name=path.name,
                rate_hz=int(file.samplerate),
                samples=samples,
                channels=int(file.channels),
                lossy=lossy,
            )
    except soundfile.SoundFileError as error:
        raise CaptureError(
            f"{path}: not readable as sound ({error}).",
            cause="It was cut short, or it is in a phone's own format (M4A, AAC, 3GP).",
            step="Record as WAV or FLAC, or convert it without loss of rate.",
        ) from error


def _check_length(path: Path, frames: int, rate_hz: int) -> None:
    if frames <= 0:
        raise CaptureError(
            f"{path}: the recording is empty.",
            cause="It was stopped before it began, or cut short when it was copied.",
            step="Copy it again, or record again.",
        )
    if frames / rate_hz > LONGEST_S:
        raise CaptureError(
            f"{path}: the recording is {frames / rate_hz / 60.0:.0f} minutes long, more than "
            f"{LONGEST_S / 60.0:.0f}.",
            cause="It was left running.",
            step="Cut out the drive and give that.",
        )


def _loudest(file: object) -> NDArray[np.float32]:
    """The channel with the most energy, read in blocks."""
    blocks: list[NDArray[np.float32]] = [
        block
        for block in file.blocks(_BLOCK, dtype="float32", always_2d=True)  # type: ignore[attr-defined]
    ]
    energy = sum(np.square(block, dtype=np.float64).sum(axis=0) for block in blocks)
    best = int(np.argmax(energy))
    return np.concatenate([np.ascontiguousarray(block[:, best]) for block in blocks])
