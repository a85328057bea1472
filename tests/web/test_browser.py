"""The whole way in a real browser: an engine at the other end of a pseudo-terminal, a simulated
person who does what the page says and taps on it, and what the page then shows.
"""

from __future__ import annotations

import math
import re
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from queue import SimpleQueue
from typing import Any

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webdriver import WebDriver

from tests.web.browser import LAYOUT, ask, browser, look
from tests.web.conftest import Served
from vaclog.capture.open import open_capture
from vaclog.capture.writer import CaptureWriter
from vaclog.daemon.before import Before
from vaclog.daemon.desk import Desk, Handed
from vaclog.daemon.led_hand import LedHand, cards_of
from vaclog.daemon.station import PagePlace, Watchers, run_station
from vaclog.guidance.guide import Guide
from vaclog.guidance.instructions import Instruction, Step
from vaclog.guidance.scene import Options
from vaclog.guidance.sentences import words
from vaclog.records import CardText
from vaclog.result import Result, to_json
from vaclog.session import CyclesGrew, Event, Instruct, Session, wants
from vaclog.simulator.live import LiveRun
from vaclog.simulator.person import Habits, Order
from vaclog.simulator.presets import Scenario, preset
from vaclog.sources.serial_port import SerialSource
from vaclog.sources.virtual_port import VirtualPort
from vaclog.web.feed import Feed

SIZES = ((390, 844), (360, 740), (430, 932), (820, 1180), (1280, 800))


@pytest.fixture
def chrome(tmp_path: Path) -> Iterator[WebDriver]:
    """A browser that is a phone."""
    with browser(tmp_path) as opened:
        look(opened, 390, 844)
        yield opened


# The visit ------------------------------------------------------------------------------------


@dataclass(kw_only=True)
class Visit:
    """An engine, a daemon and a page, each in its thread; the test is the person's eyes."""

    folder: Path
    port: VirtualPort
    stop: threading.Event = field(default_factory=threading.Event)
    events: list[Event] = field(default_factory=list)
    taps: SimpleQueue[Handed] = field(default_factory=SimpleQueue)
    address: SimpleQueue[str] = field(default_factory=SimpleQueue)
    led_us: int = 0
    result: Result | None = None
    run: LiveRun | None = None
    scenario: Scenario = field(default_factory=lambda: preset("there-and-back"))
    options: Options = field(default_factory=lambda: Options(goal_deg=1.5))
    habits: Habits = field(
        default_factory=lambda: Habits(ignores=0.0, spread=0.1, lock_slip_share=0.0)
    )

    def __post_init__(self) -> None:
        desk = Desk()
        desk.opened(self.taps.put)  # the person's taps go to the page, by this test's finger
        # With an altitude on the card the page can show vacuum.
        scenario = self.scenario
        scenario = replace(scenario, maker=replace(scenario.maker, altitude_m=100.0))
        self.cards = cards_of(scenario)
        self.hand = LedHand(scenario, desk, seed=4, speed=12.0, habits=self.habits)
        self.threads = [
            threading.Thread(target=self._listen, daemon=True),
            threading.Thread(target=self._turn, daemon=True),
        ]

    @property
    def capture(self) -> Path:
        """What the daemon recorded."""
        return self.folder / "visit.vaclog"

    def _listen(self) -> None:
        records = [
            wants(self.options),
            CardText(at_us=0, which="engine", toml=self.cards.engine),
            CardText(at_us=0, which="rig", toml=self.cards.rig),
        ]
        # The host's clock is the engine's: played fast, both are fast.
        source = SerialSource(self.port.name, clock_us=lambda: self.hand.now_us)
        self.result = run_station(
            Before(records, source),
            CaptureWriter(self.capture),
            name="test bench",
            capture="visit.vaclog",
            stop=self.stop,
            watchers=Watchers(
                on_event=self.events.append,
                on_address=self.address.put,
                on_led=lambda at_us: setattr(self, "led_us", at_us),
            ),
            page=PagePlace(port=0, or_next=False),
        )

    def _turn(self) -> None:
        while not self.port.is_open:
            if self.stop.wait(0.02):
                return
        self.run = self.hand.run(self.stop, lambda _at_us, data: self.port.send(data))


SHOWN = """(() => { const d = document.body.dataset; const text = (id) => {
  const e = document.getElementById(id); return e ? e.textContent : null; };
  return { ...d, shown: text('shown'), reason: text('reason'), top: text('top'), set: text('set'),
    here: text('here'), rpm: text('rpm'), known: text('known') }; })()"""


# Words of the sentence that do not stand on one line.
TORN = """(() => { const text = document.getElementById('shown').firstChild; const torn = [];
  for (const word of (text ? text.data : '').matchAll(/\\S+/g)) {
    const range = document.createRange();
    range.setStart(text, word.index); range.setEnd(text, word.index + word[0].length);
    if (new Set([...range.getClientRects()].map((r) => r.top)).size > 1) torn.push(word[0]);
  }
  return torn; })()"""


def order_on(shown: dict[str, str]) -> Order | None:
    """What a person makes of what the page shows."""
    step = Step(shown["step"])
    turning = float(shown["toGoDeg"] or 0.0) * float(shown["way"])
    acts = {
        Step.SCRIBE: Order(act="scribe", tap="scribed"),
        Step.LOCK: Order(act="lock", tap="locked"),
        Step.STOP: Order(act="freeze"),
        Step.HOLD: Order(act="freeze"),
        Step.LISTEN: Order(act="freeze"),
        Step.LOCKED: Order(act="leave"),
    }
    return acts.get(step, Order(act="turn", turn_deg=turning) if turning else None)


def lead(visit: Visit, chrome: WebDriver, shots: Path) -> list[dict[str, str]]:
    """Be the eyes and the tapping finger until the visit is over; all that was shown, in order."""
    seen: list[dict[str, str]] = []
    engine = visit.threads[1]
    while engine.is_alive():
        led_us = visit.led_us
        shown = ask(chrome, SHOWN)
        if "step" in shown and (not seen or shown["number"] != seen[-1]["number"]):
            seen.append(shown)
            assert ask(chrome, TORN) == [], shown["shown"]
            if shown["step"] in {"come_back", "lock", "locked", "begin"}:
                chrome.save_screenshot(str(shots / f"{shown['step']}.png"))
            order = order_on(shown)
            if order is not None:
                visit.hand.tell(order)
        while not visit.taps.empty():
            tap = visit.taps.get()
            chrome.find_element(By.CSS_SELECTOR, f"[data-tap={tap.text}]").click()
        visit.hand.led(led_us)
    return seen


def is_in_order(wanted: list[str], steps: list[str]) -> bool:
    """Whether the wanted steps occur in this order, others between them."""
    rest = iter(steps)
    return all(step in rest for step in wanted)


def test_a_sweep_led_by_the_page(chrome: WebDriver, tmp_path: Path) -> None:
    """From scribing to the lock, read from the page and tapped on it; spoken and sung as well."""
    with VirtualPort() as port:
        visit = Visit(folder=tmp_path, port=port)
        visit.threads[0].start()
        chrome.get(visit.address.get(timeout=60))
        chrome.find_element(By.ID, "sound").click()
        chrome.find_element(By.ID, "more").click()
        chrome.find_element(By.ID, "tone").click()
        chrome.find_element(By.ID, "more").click()
        visit.threads[1].start()
        try:
            seen = lead(visit, chrome, tmp_path)
            last = ask(chrome, SHOWN)
            check_layouts(chrome, tmp_path)
            heard, tones = ask(chrome, "heard"), ask(chrome, "tones")
        finally:
            visit.stop.set()
            visit.threads[0].join()
    assert chrome.get_log("browser") == []
    check_sequence(seen, last)
    check_findings(visit, last)
    check_speech(visit, heard)
    check_tone(tones)
    check_replay(visit)


def check_sequence(seen: list[dict[str, str]], last: dict[str, str]) -> None:
    """The instructions came in the order of a visit, each with its reason."""
    steps = [shown["step"] for shown in seen]
    assert steps[0] == "scribe"
    wanted = ["scribe", "begin", "keep_going", "come_back", "enough", "lock", "locked"]
    assert is_in_order(wanted, steps), steps
    assert {"turn", "closer"} & set(steps[steps.index("enough") : steps.index("lock")])
    assert all(shown["shown"] and shown["reason"] for shown in seen)
    assert last["step"] == "locked" and last["stage"] == "done"
    assert "did not move" in last["shown"]


def check_findings(visit: Visit, last: dict[str, str]) -> None:
    """Top and set point on the page, against the simulator's truth and the answer."""
    assert visit.run is not None and visit.result is not None
    top = re.fullmatch(r"top ([\d.]+)° ± ([\d.]+)°", last["top"])
    assert top is not None, last["top"]
    peak_deg, half_deg = float(top[1]), float(top[2])
    truth_deg = visit.run.truth.peak_rig_deg
    # The hand's timing differs from run to run, and a 95 % interval (1.96 u) misses once in
    # twenty runs: what is asserted is that of 99.9 % (3.29 u), which the same estimate would
    # miss once in a thousand. That 95 % of intervals hold the truth is for many seeds to show:
    # tests/bench/hands_bench.py.
    u_deg = half_deg / 1.96
    assert abs(peak_deg - truth_deg) <= 3.29 * u_deg, (peak_deg, half_deg, truth_deg)
    assert half_deg <= 1.6
    set_deg = float(last["set"].removeprefix("set ").rstrip("°"))
    assert visit.result.advice.set_deg is not None
    assert set_deg == pytest.approx(visit.result.advice.set_deg, abs=0.6)
    # The hand really stands there: the page is right about where it led it.
    assert float(visit.run.trace.hand_deg[-1]) == pytest.approx(set_deg, abs=1.2)
    assert float(last["here"].rstrip("°")) == pytest.approx(set_deg, abs=1.2)
    assert 500 < float(last["rpm"]) < 1200


def check_speech(visit: Visit, heard: list[dict[str, Any]]) -> None:
    """Only sentences of the catalogue, each for an instruction and in order, never too fast."""
    said = [words(e.instruction).said for e in visit.events if isinstance(e, Instruct)]
    texts = [each["text"] for each in heard]
    assert len(texts) >= 8
    assert is_in_order(texts, said), "spoken out of order, twice, or not from the catalogue"
    assert {each["lang"] for each in heard} == {"en"}
    gaps = [b["ms"] - a["ms"] for a, b in pairwise(heard)]
    urgent = {
        words(e.instruction).said
        for e in visit.events
        if isinstance(e, Instruct) and e.instruction.urgency >= 2
    }
    assert all(gap >= 1450 or text in urgent for gap, text in zip(gaps, texts[1:], strict=True))


def check_tone(tones: list[list[float]]) -> None:
    """It rises with the vacuum that the ball shows."""
    pairs = sorted((vacuum, hz) for hz, vacuum in tones if vacuum is not None)
    assert len(pairs) > 100
    quarter = len(pairs) // 4
    low = sum(hz for _, hz in pairs[:quarter]) / quarter
    high = sum(hz for _, hz in pairs[-quarter:]) / quarter
    assert high > 1.1 * low


def check_replay(visit: Visit) -> None:
    """The capture gives the same answer and the same instructions again, taps and all."""
    instructions: list[Instruction] = []
    session = Session(capture="visit.vaclog", lead=Guide)
    for record in open_capture(visit.capture).records:
        for event in session.feed(record):
            if isinstance(event, Instruct):
                instructions.append(event.instruction)
    assert visit.result is not None
    assert to_json(session.finish()) == to_json(visit.result)
    live = [e.instruction for e in visit.events if isinstance(e, Instruct)]
    assert instructions == live


# Looks ----------------------------------------------------------------------------------------


def check_layouts(chrome: WebDriver, folder: Path) -> None:
    """At every size, light and dark: nothing is cut off, buttons are large, digits are large."""
    for width, height in SIZES:
        for dark in (False, True):
            look(chrome, width, height, dark=dark)
            ask(chrome, "new Promise((done) => setTimeout(done, 50))")
            name = f"{width}x{height}-{'dark' if dark else 'light'}.png"
            chrome.save_screenshot(str(folder / name))
            check_layout(ask(chrome, LAYOUT), dark=dark)
    look(chrome, 390, 844)


def check_layout(layout: dict[str, Any], *, dark: bool) -> None:
    """One size."""
    width, height = layout["width"], layout["height"]
    assert layout["scroll"][0] <= width and layout["scroll"][1] <= height
    left, top, right, bottom = layout["sentence"]
    assert 0 <= left < right <= width and 0 <= top < bottom <= height
    assert len(layout["buttons"]) >= 4
    for text, left, top, right, bottom in layout["buttons"]:
        assert left >= 0 and right <= width and top >= 0 and bottom <= height, text
        # 48 px are 9 mm on a phone: a gloved fingertip (common practice).
        assert bottom - top >= 48 and right - left >= 100, text
    # A box of 45 px has figures of 28 px, on a phone 4.7 mm: 8 minutes of arc at two metres, of
    # which normal sight needs 5 (Snellen). On a larger page they are larger.
    digits, ball = layout["digits"], layout["ball"]
    assert digits[3] - digits[1] >= 45
    assert ball[0] >= 0 and ball[2] <= width
    assert digits[0] >= ball[0] and digits[2] <= ball[2]
    ink, paper = luminance(layout["ink"]), luminance(layout["paper"])
    assert (ink > paper) == dark
    # WCAG 2.1, success criterion 1.4.6, asks for 7; sunlight for all that can be had.
    assert (max(ink, paper) + 0.05) / (min(ink, paper) + 0.05) > 15.0


def luminance(colour: str) -> float:
    """Relative luminance of a CSS colour (WCAG 2.1, definition)."""
    linear = []
    for part in re.findall(r"[\d.]+", colour)[:3]:
        share = float(part) / 255.0
        linear.append(share / 12.92 if share <= 0.03928 else ((share + 0.055) / 1.055) ** 2.4)
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


# Faults ---------------------------------------------------------------------------------------


def wait_for(chrome: WebDriver, expression: str, seconds: float = 20.0) -> Any:
    """Value of an expression once it is true."""
    from selenium.webdriver.support.ui import WebDriverWait

    return WebDriverWait(chrome, seconds, 0.05).until(lambda _: ask(chrome, expression))


def idle(cycles: int) -> CyclesGrew:
    """An idling engine."""
    return CyclesGrew(
        cycles=cycles,
        at_us=cycles * 141_000,
        rpm=850.0,
        pressure_kpa=40.0,
        advance_deg=14.0,
        mean_rpm=850.0,
        mean_kpa=40.0,
        mean_deg=math.nan,
    )


def test_old_numbers_are_called_old(chrome: WebDriver, served: Served) -> None:
    """The engine's silence and the listener's are told apart; fresh data clear it."""
    now = [0.0]
    feed = Feed(served.hub, name="port", clock_s=lambda: now[0])
    feed.on_event(idle(1))
    feed.beat()
    chrome.get(f"{served.base}/#{served.access.invite('watch')}")
    wait_for(chrome, "document.querySelector('#vacuum')?.textContent.startsWith('11.8')")
    assert ask(chrome, "location.hash") == ""  # the token is in no history
    assert "No hill yet" in wait_for(chrome, "document.querySelector('#known').textContent")
    now[0] = 6.0
    feed.beat()
    assert "6 s" in wait_for(chrome, "document.querySelector('#banner').textContent")
    assert ask(chrome, "document.body.dataset.stale") == "engine"
    feed.on_event(idle(2))
    feed.beat()
    wait_for(chrome, "document.querySelector('#banner').hidden && !document.body.dataset.stale")
    # No beat any more: the listener is gone, although its stream is open.
    wait_for(chrome, "document.body.dataset.stale === 'listener'")
    feed.beat()
    feed.on_event(idle(3))
    wait_for(chrome, "!document.body.dataset.stale && document.body.dataset.cycles === '3'")
    assert ask(chrome, "document.querySelector('#taps').hidden") is True
    assert "looks on" in ask(chrome, "document.querySelector('#looking').textContent")


def test_without_an_invitation_the_page_says_how_to_get_one(
    chrome: WebDriver, served: Served
) -> None:
    """Also with a token that was used already."""
    token = served.access.invite("control")
    with served.phone() as first:
        assert first.post("/join", json={"token": token}).status_code == 200
    for address in (f"{served.base}/", f"{served.base}/#{token}"):
        chrome.get(address)
        assert "not invited" in wait_for(chrome, "document.querySelector('#banner').textContent")
    assert sum("a used invitation" in line for line in served.log) == 1


def test_on_a_plain_page_of_the_network(chrome: WebDriver, tmp_path: Path) -> None:
    """Not a secure origin: no wake lock, so the page plays a picture and says what to do."""
    visit_stop, addresses = threading.Event(), SimpleQueue[str]()
    source = Before([], _Silence())
    thread = threading.Thread(
        target=lambda: run_station(
            source,
            CaptureWriter(tmp_path / "none.vaclog"),
            name="port",
            capture="none",
            stop=visit_stop,
            watchers=Watchers(on_event=lambda _event: None, on_address=addresses.put),
            page=PagePlace(port=0, or_next=False, names=("garage.test",)),
        ),
        daemon=True,
    )
    thread.start()
    try:
        address = addresses.get(timeout=30)
        assert address.startswith("http://garage.test:")
        chrome.get(address)
        wait_for(chrome, "!document.querySelector('#taps').hidden")
        assert ask(chrome, "isSecureContext") is False
        chrome.find_element(By.ID, "sound").click()
        assert wait_for(chrome, "document.body.dataset.awake") == "video"
        assert wait_for(chrome, "document.querySelector('.awake').paused === false")
        assert "screen" in ask(chrome, "document.querySelector('#note').textContent")
    finally:
        visit_stop.set()
        thread.join()


class _Silence:
    """A source from which nothing comes."""

    def read_records(self, stop: threading.Event) -> Iterator[Any]:
        """Wait for the end."""
        stop.wait()
        yield from ()
