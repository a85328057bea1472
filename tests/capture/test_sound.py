"""Sound files against other readers, and the files that are none."""

from __future__ import annotations

import wave
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.io import wavfile

from vaclog.capture.sound import LONGEST_S, read_sound
from vaclog.errors import CaptureError

RATE_HZ = 44_100


def counts(channels: int = 1, seconds: float = 0.5) -> np.ndarray:
    """Noise as 16-bit counts, the second channel the louder."""
    rng = np.random.default_rng(2)
    shape = (round(RATE_HZ * seconds), channels)
    loud = np.array([3000.0, 9000.0])[:channels]
    return np.clip(rng.standard_normal(shape) * loud, -32768, 32767).astype(np.int16)


def test_wav_is_read_as_scipy_and_the_standard_library_read_it(tmp_path: Path) -> None:
    """Written by scipy, read by three: the same samples to the bit."""
    path = tmp_path / "drive.wav"
    wavfile.write(path, RATE_HZ, counts())
    sound = read_sound(path)
    rate_hz, by_scipy = wavfile.read(path)
    with wave.open(str(path)) as file:
        by_wave = np.frombuffer(file.readframes(file.getnframes()), "<i2")
    assert sound.rate_hz == rate_hz == RATE_HZ
    assert np.array_equal(np.round(sound.samples * 32768.0).astype(np.int16), by_scipy)
    assert np.array_equal(by_scipy, by_wave)
    assert (sound.name, sound.channels, sound.lossy) == ("drive.wav", 1, False)
    assert sound.duration_s == pytest.approx(0.5)


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24"])
def test_flac_comes_back_to_the_bit(tmp_path: Path, subtype: str) -> None:
    path = tmp_path / "drive.flac"
    written = counts()[:, 0] / 32768.0
    soundfile.write(path, written, RATE_HZ, subtype=subtype)
    assert np.array_equal(read_sound(path).samples, written.astype(np.float32))


def test_of_two_channels_the_louder_is_taken(tmp_path: Path) -> None:
    path = tmp_path / "drive.wav"
    both = counts(2)
    wavfile.write(path, RATE_HZ, both)
    sound = read_sound(path)
    assert sound.channels == 2
    assert np.array_equal(np.round(sound.samples * 32768.0).astype(np.int16), both[:, 1])


def test_a_lossy_format_is_known_as_one(tmp_path: Path) -> None:
    path = tmp_path / "drive.ogg"
    soundfile.write(path, counts()[:, 0] / 32768.0, RATE_HZ)
    assert read_sound(path).lossy


def test_what_is_no_sound_is_said(tmp_path: Path) -> None:
    """Missing, empty, text, cut short in its head, far too long."""
    with pytest.raises(CaptureError, match="no such file"):
        read_sound(tmp_path / "missing.wav")
    text = tmp_path / "drive.txt"
    text.write_text("P 1 2\n" * 200)
    with pytest.raises(CaptureError, match="not readable as sound"):
        read_sound(text)
    empty = tmp_path / "empty.wav"
    wavfile.write(empty, RATE_HZ, np.zeros(0, np.int16))
    with pytest.raises(CaptureError, match=r"empty|not readable"):
        read_sound(empty)
    head = tmp_path / "head.wav"
    wavfile.write(head, RATE_HZ, counts())
    head.write_bytes(head.read_bytes()[:20])
    with pytest.raises(CaptureError, match="not readable as sound"):
        read_sound(head)
    long = tmp_path / "long.wav"
    wavfile.write(long, 100, np.zeros(round(LONGEST_S * 100) + 100, np.int16))
    with pytest.raises(CaptureError, match="minutes long") as caught:
        read_sound(long)
    assert caught.value.cause and caught.value.step
