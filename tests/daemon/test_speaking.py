"""What is spoken when, on a made clock and with a made voice."""

from __future__ import annotations

from dataclasses import dataclass, field

from vaclog.daemon.speaking import LEAST_GAP_S, PROGRAMS, Queue, Sentence
from vaclog.guidance.instructions import Urgency


@dataclass
class Voice:
    """Speaks each sentence for two seconds of the made clock."""

    now_s: float = 0.0
    said: list[tuple[float, str]] = field(default_factory=list)
    until_s: float = 0.0
    broken_off: int = 0

    def begin(self, text: str) -> Voice:
        """Begin to speak."""
        self.said.append((self.now_s, text))
        self.until_s = self.now_s + 2.0
        return self

    def poll(self) -> int | None:
        """None while speaking."""
        return None if self.now_s < self.until_s else 0

    def terminate(self) -> None:
        """Break off."""
        self.broken_off += 1


def play(sentences: list[tuple[float, str, Urgency, float]], seconds: float = 20.0) -> Voice:
    """Offer (time, text, urgency, valid seconds) and work twenty times a second."""
    voice = Voice()
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
    """The more urgent one is said first while it is fresh."""
    voice = play(
        [
            (0.0, "stop", Urgency.NOW, 5.0),
            (0.5, "stop again", Urgency.NOW, 5.0),
            (0.6, "by the way", Urgency.NORMAL, 5.0),
        ]
    )
    assert [text for _, text in voice.said] == ["stop", "stop again"]


def test_what_is_stale_is_never_said() -> None:
    """While another sentence is spoken its time may run out."""
    voice = play([(0.0, "one", Urgency.NORMAL, 9.0), (0.3, "brief", Urgency.NORMAL, 0.8)])
    assert [text for _, text in voice.said] == ["one"]


def test_programs_take_a_sentence_as_a_sentence() -> None:
    """A text that begins with a dash is no option of the program."""
    assert all(command[-1] == "--" for command in PROGRAMS)
