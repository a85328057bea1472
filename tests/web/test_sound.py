"""Voice and tone: what is said when, what is heard, what is left where a browser has neither."""

from __future__ import annotations

import base64
import wave
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webdriver import WebDriver

from tests.web.browser import ask, browser, look
from tests.web.conftest import Served
from tests.web.test_browser import idle, wait_for
from tests.web.test_readings import view
from vaclog.daemon import tone
from vaclog.daemon.desk import Desk
from vaclog.daemon.speaking import Queue, Sentence
from vaclog.guidance.instructions import Step, Urgency
from vaclog.web.access import Access
from vaclog.web.app import make_app
from vaclog.web.feed import Feed
from vaclog.web.hub import Hub
from vaclog.web.server import PageServer, names, open_socket

# A sixteenth of a second is a whole number of milliseconds and of binary places: both clocks
# reach the same instants.
STEP_S = 1 / 16
STEPS = 400
SPEAKING_S = 2.0

# The page's voice on a made clock, with a made mouth that speaks each sentence for two seconds.
PLAY = """
const [scenes, stepMs, steps, speakingMs, done] = arguments;
import("/voice.js").then(({ Voice }) => {
  const all = scenes.map((offers) => {
    let now = 0, until = 0, speaking = null;
    const said = [], mouth = window.speechSynthesis;
    Object.defineProperty(mouth, "speaking", {
      configurable: true, get: () => speaking !== null, set: () => {} });
    mouth.speak = (sentence) => { said.push([now, sentence.text]); speaking = sentence;
      until = now + speakingMs; };
    mouth.cancel = () => { speaking = null; };
    const voice = new Voice("en");
    voice.now = () => now;
    voice.unlock();
    for (let step = 0; step < steps; step++) {
      now = step * stepMs;
      if (speaking && now >= until) { const ended = speaking; speaking = null; ended.onend(); }
      offers.forEach(([at, text, urgency, valid], i) => {
        if (at === step) voice.offer({ number: i + 1, text, urgency, untilMs: now + valid });
      });
      voice.work();
    }
    voice.on = false;
    return said;
  });
  done(all);
});
"""


@pytest.fixture
def chrome(tmp_path: Path) -> Iterator[WebDriver]:
    """A browser that is a phone."""
    with browser(tmp_path) as opened:
        look(opened, 390, 844)
        yield opened


def scenes(count: int) -> list[list[tuple[int, str, int, int]]]:
    """Drawn instructions: step, text, urgency, validity in ms; often several at once."""
    rng = np.random.default_rng(31)
    drawn = []
    for _ in range(count):
        at = np.sort(rng.integers(0, STEPS // 2, size=rng.integers(2, 14)))
        drawn.append(
            [
                (int(step), f"{i}", int(rng.integers(0, 4)), int(rng.choice([500, 2000, 10_000])))
                for i, step in enumerate(at)
            ]
        )
    return drawn


class Mouth:
    """Speaks each sentence for two seconds of a made clock."""

    def __init__(self) -> None:
        self.now_s = self.until_s = 0.0
        self.said: list[tuple[float, str]] = []

    def begin(self, text: str) -> Mouth:
        """Begin to speak."""
        self.said.append((1000.0 * self.now_s, text))
        self.until_s = self.now_s + SPEAKING_S
        return self

    def poll(self) -> int | None:
        """None while speaking."""
        return None if self.now_s < self.until_s else 0

    def terminate(self) -> None:
        """Break off."""
        self.until_s = self.now_s


def in_terminal(offers: list[tuple[int, str, int, int]]) -> list[tuple[float, str]]:
    """The same on the terminal's queue."""
    mouth = Mouth()
    queue = Queue(mouth.begin)
    for step in range(STEPS):
        mouth.now_s = now_s = step * STEP_S
        for at, text, urgency, valid in offers:
            if at == step:
                until_s = now_s + valid / 1000.0
                queue.offer(Sentence(text=text, urgency=Urgency(urgency), until_s=until_s), now_s)
                queue.work(now_s)
        queue.work(now_s)
    return mouth.said


def test_the_phone_says_what_the_terminal_says(chrome: WebDriver, served: Served) -> None:
    """Sixty drawn runs of instructions: the same sentences at the same times, none stale."""
    chrome.get(served.base)
    drawn = scenes(60)
    heard = chrome.execute_async_script(PLAY, drawn, 1000 * STEP_S, STEPS, 1000 * SPEAKING_S)
    overtaken = 0
    for offers, said in zip(drawn, heard, strict=True):
        assert [(ms, text) for ms, text in said] == in_terminal(offers)
        for ms, text in said:
            step, _, _, valid = offers[int(text)]
            waited = ms - 1000 * STEP_S * step
            newer = any(each[0] > step and 1000 * STEP_S * each[0] <= ms for each in offers)
            assert waited < valid
            assert not newer or waited < 3000
            overtaken += newer
        gaps = [(b[0] - a[0], b[1]) for a, b in pairwise(said)]
        assert all(gap >= 1500 or offers[int(text)][2] >= Urgency.SOON for gap, text in gaps)
    assert sum(len(said) for said in heard) > 200 and overtaken > 5


# The tone, as a file --------------------------------------------------------------------------

RATE, HOLD_S = 22_050, 0.8
# Vacuum rises by nine hundredths of an inch of mercury from one to the next, by an inch in all.
KPA = [41.0 - 0.3 * k for k in range(13)]

RENDER = """
const [kpas, rate, holdS, done] = arguments;
import("/tone.js").then(async ({ Tone }) => {
  const context = new OfflineAudioContext(1, Math.round(rate * holdS * kpas.length), rate);
  const tone = new Tone();
  tone.begin(context);
  tone.on = true;
  tone.middleKpa = 40.0;
  kpas.forEach((kpa, i) => {
    const set = () => { tone.follow(kpa); tone.wake(); };
    if (i === 0) set();
    else context.suspend(i * holdS).then(() => { set(); context.resume(); });
  });
  const sound = (await context.startRendering()).getChannelData(0);
  const words = Int16Array.from(sound, (x) => Math.round(32767 * x));
  const bytes = new Uint8Array(words.buffer);
  let text = "";
  for (let i = 0; i < bytes.length; i += 8192) {
    text += String.fromCharCode(...bytes.subarray(i, i + 8192));
  }
  done(btoa(text));
});
"""


def pitch_hz(sound: np.ndarray[Any, np.dtype[np.float64]]) -> float:
    """Pitch by its rising zero crossings, each placed between two samples."""
    below = np.flatnonzero((sound[:-1] < 0) & (sound[1:] >= 0))
    at = below + sound[below] / (sound[below] - sound[below + 1])
    return float(RATE * (len(at) - 1) / (at[-1] - at[0]))


def test_the_tone_rises_with_the_vacuum_as_it_is_said_to(
    chrome: WebDriver, served: Served, tmp_path: Path
) -> None:
    """Heard as a file: an octave for each 1.5 kPa, in tune to a twentieth of a semitone."""
    chrome.get(served.base)
    raw = base64.b64decode(chrome.execute_async_script(RENDER, KPA, RATE, HOLD_S))
    with wave.open(str(tmp_path / "tone.wav"), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE)
        file.writeframes(raw)
    sound = np.frombuffer(raw, "<i2").astype(np.float64)
    holds = sound.reshape(len(KPA), -1)
    half = holds.shape[1] // 2  # the glide from the one before is over
    heard = [pitch_hz(hold[half:]) for hold in holds]
    assert all(b > a for a, b in pairwise(heard))
    wanted = [440.0 * 2 ** ((40.0 - kpa) / 1.5) for kpa in KPA]
    # 5 cents: trained ears tell no less between tones one after the other (from memory).
    cents = [1200 * np.log2(a / b) for a, b in zip(heard, wanted, strict=True)]
    assert max(abs(each) for each in cents) < 5, cents
    loud = np.sqrt(np.mean(holds[:, half:] ** 2, axis=1)) / 32767
    assert loud.min() > 0.02 and loud.max() / loud.min() < 1.2


DUCKING = """
const [rate, done] = arguments;
Promise.all([import("/tone.js"), import("/voice.js")]).then(async ([{ Tone }, { Voice }]) => {
  const context = new OfflineAudioContext(1, 3 * rate, rate);
  const tone = new Tone();
  tone.begin(context);
  tone.on = true;
  tone.follow(40.0);
  tone.wake();
  let said = null;
  Object.defineProperty(window, "speechSynthesis",
    { value: { speaking: false, speak(words) { said = words; }, cancel() {}, resume() {} } });
  const voice = new Voice("en", { onSpeaking: (isSpeaking) => tone.duck(isSpeaking) });
  voice.unlocked = true;
  context.suspend(1).then(() => { voice.speak("Keep going."); context.resume(); });
  context.suspend(2).then(() => { said.onend(); context.resume(); });
  const sound = (await context.startRendering()).getChannelData(0);
  done([0, 1, 2].map((k) => Math.sqrt(
    sound.slice((k + 0.5) * rate, (k + 1) * rate).reduce((sum, x) => sum + x * x, 0) * 2 / rate)));
});
"""


def test_the_tone_makes_room_for_the_voice(chrome: WebDriver, served: Served) -> None:
    """As in the terminal: 16 dB lower while a sentence is said, as loud as before after it."""
    chrome.get(served.base)
    before, meanwhile, after = chrome.execute_async_script(DUCKING, RATE)
    assert before > 0.02 and after == pytest.approx(before, rel=0.02)
    assert meanwhile / before == pytest.approx(tone.DUCKED, rel=0.05)


def test_the_terminal_sounds_the_page_s_pitch(chrome: WebDriver, served: Served) -> None:
    """From a closed throttle to the open air, beside three pressures heard first."""
    chrome.get(served.base)
    asked = [[kpa / 4.0, middle] for middle in (28.0, 40.0, 99.0) for kpa in range(60, 420)]
    page = chrome.execute_async_script(
        "const [asked, done] = arguments; import('/tone.js').then(({ pitchHz }) => "
        "done(asked.map(([kpa, middle]) => pitchHz(kpa, middle))));",
        asked,
    )
    assert page == pytest.approx([tone.pitch_hz(*each) for each in asked], rel=1e-9)
    assert min(page) == tone.LOW_HZ and max(page) == tone.HIGH_HZ


# A plain page of the network ------------------------------------------------------------------

NOTED = """
window.contexts = [];
const Real = window.AudioContext;
window.AudioContext = class extends Real { constructor() { super(); contexts.push(this); } };
window.shaken = [];
const vibrate = navigator.vibrate.bind(navigator);
navigator.vibrate = (ms) => { const did = vibrate(ms); shaken.push(did); return did; };
"""


@pytest.mark.parametrize("host", ["garage.test", "127.0.0.1"])
def test_what_a_page_of_the_network_may_do(tmp_path: Path, host: str) -> None:
    """Speech, sound and vibration need a tap, a wake lock a secure page; a browser's own, no
    stand-ins. This one has no voice: that is said, and the sentence stands.
    """
    opened, hub, desk = open_socket("127.0.0.1", 0), Hub(), Desk()
    port = opened.getsockname()[1]
    access = Access(names("127.0.0.1", port, ("garage.test",)))
    with (
        browser(tmp_path, ears=False) as chrome,
        PageServer(make_app(hub, access, desk), opened, hub),
    ):
        chrome.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": NOTED})
        look(chrome, 390, 844)
        feed = Feed(hub, name="port")
        feed.on_event(idle(1))
        chrome.get(f"http://{host}:{port}/#{access.invite('control')}")
        wait_for(chrome, "!document.querySelector('#taps').hidden")
        is_secure = host == "127.0.0.1"
        assert ask(chrome, "isSecureContext") is is_secure
        assert ask(chrome, "'wakeLock' in navigator") is is_secure
        assert ask(chrome, "contexts.length") == 0, "sound before the first tap"
        chrome.find_element(By.ID, "sound").click()
        awake = wait_for(chrome, "document.body.dataset.awake")
        assert awake == ("lock" if is_secure else "video")
        chrome.find_element(By.ID, "more").click()
        chrome.find_element(By.ID, "tone").click()
        feed.on_event(idle(2))
        assert wait_for(chrome, "contexts.length && contexts[0].state === 'running'")
        chrome.find_element(By.ID, "more").click()
        feed.on_view(view(Step.KEEP_GOING, 2, way=1, to_go_deg=2.5))
        wait_for(chrome, "note.textContent.includes('no voice')")
        assert ask(chrome, "note.textContent").count("no voice") == 1
        assert ("screen" in ask(chrome, "note.textContent")) is not is_secure
        assert ask(chrome, "shown.textContent").startswith("Keep going")
        chrome.find_element(By.ID, "marker").click()
        assert wait_for(chrome, "shaken.length && shaken[0] === true")
