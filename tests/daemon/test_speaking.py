"""What is spoken when, on a made clock and with a made voice; and a real one, into a file."""

from __future__ import annotations

import shutil
import subprocess
import wave
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from vaclog.daemon.speaking import LEAST_GAP_S, PROGRAMS, Queue, Sentence, Speaker, speak
from vaclog.guidance.instructions import Urgency


@dataclass
class Voice:
    """Speaks each sentence for some seconds of the made clock."""

    now_s: float = 0.0
    speaking_s: float = 2.0
    said: list[tuple[float, str]] = field(default_factory=list)
    until_s: float = 0.0
    broken_off: int = 0

    def begin(self, text: str) -> Voice:
        """Begin to speak."""
        self.said.append((self.now_s, text))
        self.until_s = self.now_s + self.speaking_s
        return self

    def poll(self) -> int | None:
        """None while speaking."""
        return None if self.now_s < self.until_s else 0

    def terminate(self) -> None:
        """Break off."""
        self.broken_off += 1


def play(
    sentences: list[tuple[float, str, Urgency, float]],
    seconds: float = 20.0,
    *,
    speaking_s: float = 2.0,
) -> Voice:
    """Offer (time, text, urgency, valid seconds) and work twenty times a second."""
    voice = Voice(speaking_s=speaking_s)
    queue = Queue(voice.begin)
    waiting = sorted(sentences)
    for step in range(round(seconds * 20)):
        voice.now_s = step / 20
        while waiting and waiting[0][0] <= voice.now_s:
            at_s, text, urgency, valid_s = waiting.pop(0)
            queue.offer(Sentence(text=text, urgency=urgency, until_s=at_s + valid_s), at_s)
        queue.work(voice.now_s)
    return voice


def test_sentences_do_not_run_into_each_other() -> None:
    """One at a time, with a pause between their beginnings."""
    voice = play([(0.0, "one", Urgency.NORMAL, 9.0), (0.2, "two", Urgency.NORMAL, 9.0)])
    assert [text for _, text in voice.said] == ["one", "two"]
    assert voice.said[1][0] - voice.said[0][0] >= max(LEAST_GAP_S, 2.0)
    assert voice.broken_off == 0


def test_the_latest_replaces_what_waits() -> None:
    """What was not begun is not said late."""
    offers = [(0.1 * n, str(n), Urgency.NORMAL, 9.0) for n in range(10)]
    assert [text for _, text in play(offers).said] == ["0", "9"]


def test_a_warning_cuts_in() -> None:
    """At once, whatever is being said; a calm word never does."""
    voice = play(
        [
            (0.0, "long story", Urgency.NORMAL, 9.0),
            (0.5, "calm", Urgency.CALM, 9.0),
            (0.6, "stop", Urgency.NOW, 2.0),
        ]
    )
    assert voice.said[1] == (0.6, "stop")
    assert voice.broken_off == 1


def test_a_warning_that_waits_is_not_replaced_by_chatter() -> None:
    """The more urgent one is said first while it is fresh, what to do now after it."""
    voice = play(
        [
            (0.0, "stop", Urgency.NOW, 5.0),
            (0.5, "stop again", Urgency.NOW, 5.0),
            (0.6, "come back", Urgency.NORMAL, 5.0),
        ]
    )
    assert [text for _, text in voice.said] == ["stop", "stop again", "come back"]


def test_what_was_overtaken_is_not_said_late() -> None:
    """A warning that had to wait for seconds, while something newer was said to be done."""
    long = Urgency.NOW
    voice = play(
        [
            (0.0, "one", long, 30.0),
            (0.1, "two", long, 30.0),
            (0.2, "go on", Urgency.NORMAL, 30.0),
        ],
        speaking_s=3.5,
    )
    assert [text for _, text in voice.said] == ["one", "go on"]


def test_what_is_stale_is_never_said() -> None:
    """While another sentence is spoken its time may run out."""
    voice = play([(0.0, "one", Urgency.NORMAL, 9.0), (0.3, "brief", Urgency.NORMAL, 0.8)])
    assert [text for _, text in voice.said] == ["one"]


def test_programs_take_a_sentence_as_a_sentence() -> None:
    """A text that begins with a dash is no option of the program."""
    assert all(command[-1] == "--" for command in PROGRAMS)


def heard(path: Path) -> tuple[float, float]:
    """Seconds of a recording during which something sounds, and its loudness there (of 1)."""
    with wave.open(str(path)) as file:
        rate, sound = file.getframerate(), file.readframes(file.getnframes())
    level = np.abs(np.frombuffer(sound, "<i2").astype(float)) / 32768.0
    loud = level[level > 0.01]
    return len(loud) / rate, float(np.sqrt(np.mean(loud**2))) if len(loud) else 0.0


def into(path: Path) -> tuple[str, ...]:
    """The first program of the list, its own options, but into a file instead of a speaker."""
    *options, end = PROGRAMS[0]
    # A voice that nobody has heard is not tested: a machine without the program fails here.
    assert shutil.which(options[0]), "this test needs Debian's package espeak-ng"
    return (*options, "-w", str(path), end)


def test_a_real_program_speaks(tmp_path: Path) -> None:
    """A sentence is heard, and a longer one longer; a dash at its beginning is no option."""
    texts = {"short": "Hold.", "long": "Turn clockwise, two and a half degrees. Then hands off."}
    texts["dash"] = "-5 degrees to go."
    for name, text in texts.items():
        process = speak(into(tmp_path / f"{name}.wav"), text)
        assert isinstance(process, subprocess.Popen)
        assert process.wait(20) == 0
    short, long, dash = (heard(tmp_path / f"{name}.wav") for name in texts)
    assert short[0] > 0.1 and long[0] > 3 * short[0] and dash[0] > 2 * short[0]
    assert min(short[1], long[1], dash[1]) > 0.02


def test_the_speaker_speaks_with_it(tmp_path: Path) -> None:
    """From the offer to the sound, in the thread that works while the daemon runs."""
    path = tmp_path / "spoken.wav"
    with Speaker(into(path)) as speaker:
        speaker.offer("You have passed the top.", Urgency.SOON, 30.0)
        speaker.wait(20.0)
    assert heard(path)[0] > 0.3
