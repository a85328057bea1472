"""Strobe readings on the phone: tapped, said back, undone, typed; a sweep led by them."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webdriver import WebDriver

from tests.web.browser import LAYOUT, ask, browser, look
from tests.web.conftest import Served
from tests.web.test_browser import SHOWN, Visit, check_replay, is_in_order, order_on, wait_for
from vaclog.daemon.desk import Handed
from vaclog.guidance.instructions import Because, Instruction, Step, Tap, Urgency
from vaclog.guidance.scene import Options
from vaclog.guidance.sentences import words
from vaclog.guidance.view import Said, View
from vaclog.simulator.person import Habits, Order
from vaclog.simulator.presets import knobs
from vaclog.simulator.rig import RigSpec
from vaclog.sources.virtual_port import VirtualPort
from vaclog.web.feed import Feed


@pytest.fixture
def chrome(tmp_path: Path) -> Iterator[WebDriver]:
    """A browser that is a phone."""
    with browser(tmp_path) as opened:
        look(opened, 390, 844)
        yield opened


def view(step: Step, number: int, **given: float | Tap | None) -> View:
    """What the guidance shows while it says one thing."""
    instruction = Instruction(
        step=step,
        because=Because.READING,
        urgency=Urgency.NORMAL,
        at_us=1_000_000 * number,
        valid_us=10_000_000,
        number=number,
        **given,  # type: ignore[arg-type]
    )
    said = words(instruction)
    return View(
        cycles=50 * number,
        at_us=1_000_000 * number,
        stage="sweep",
        source="none",
        goal_deg=1.0,
        say=Said(said=said.said, shown=said.shown, reason=said.reason, instruction=instruction),
    )


PAD = "[...document.querySelectorAll('#pad button')].map((b) => b.textContent)"


def handed_soon(served: Served, count: int) -> list[Handed]:
    """What was handed in, once there is so much of it."""
    until = time.monotonic() + 10.0
    while len(served.handed) < count and time.monotonic() < until:
        threading.Event().wait(0.02)
    return served.handed


@pytest.fixture
def asked(chrome: WebDriver, served: Served) -> Feed:
    """A page that asks for a reading near 14 degrees."""
    feed = Feed(served.hub, name="port")
    chrome.get(f"{served.base}/#{served.access.invite('control')}")
    wait_for(chrome, "!document.querySelector('#taps').hidden")
    chrome.find_element(By.ID, "sound").click()
    feed.on_view(view(Step.BEGIN, 1, way=1, to_go_deg=2.5, target_deg=14.3))
    feed.on_view(view(Step.READ_STROBE, 2))
    wait_for(chrome, "!document.querySelector('#strobe').hidden")
    return feed


def test_numbers_to_tap_lie_about_the_likely_one(
    chrome: WebDriver, served: Served, asked: Feed
) -> None:
    assert ask(chrome, PAD) == [f"{deg}°" for deg in range(10, 19)]
    assert ask(chrome, "document.querySelector('#pad .likely').textContent") == "14°"
    chrome.find_element(By.ID, "half").click()
    chrome.find_element(By.CSS_SELECTOR, "[data-deg='15.5']").click()
    assert handed_soon(served, 1) == [Handed(kind="strobe", value_deg=15.5)]
    # Said back, in writing and aloud, and out of the way.
    assert wait_for(chrome, "document.querySelector('#reading').textContent") == "Taken: 15.5°"
    assert ask(chrome, "heard.map((h) => h.text)")[-1] == "15.5 taken."
    assert ask(chrome, "document.querySelector('#strobe').hidden") is True
    # The next question begins about where the next order led.
    asked.on_view(view(Step.KEEP_GOING, 3, way=1, to_go_deg=2.5))
    asked.on_view(view(Step.READ_STROBE, 4))
    wait_for(chrome, "!document.querySelector('#strobe').hidden")
    assert ask(chrome, "document.querySelector('#pad .likely').textContent") == "18°"


def test_a_wrong_tap_is_undone(chrome: WebDriver, served: Served, asked: Feed) -> None:
    chrome.find_element(By.CSS_SELECTOR, "[data-deg='18']").click()
    wait_for(chrome, "!document.querySelector('#took').hidden")
    chrome.find_element(By.ID, "undo").click()
    assert handed_soon(served, 2)[1] == Handed(kind="strobe", text="undo")
    assert "18° is taken back" in wait_for(
        chrome, "!document.querySelector('#strobe').hidden && reading.textContent"
    )
    chrome.find_element(By.ID, "less").click()
    wanted = chrome.find_element(By.CSS_SELECTOR, "[data-deg='12']")
    wanted.click()
    assert handed_soon(served, 3)[2] == Handed(kind="strobe", value_deg=12.0)


def test_a_list_is_typed_afterwards(chrome: WebDriver, served: Served, asked: Feed) -> None:
    chrome.find_element(By.ID, "more").click()
    chrome.find_element(By.ID, "type").click()
    field = chrome.find_element(By.CSS_SELECTOR, "#list textarea")
    field.send_keys("8 12 abc")
    chrome.find_element(By.ID, "hand_in").click()
    said = wait_for(
        chrome, "!list.querySelector('.wrong').hidden && list.querySelector('.wrong').textContent"
    )
    assert "'abc'" in said and "apart by blanks" in said
    assert served.handed == []
    field.clear()
    field.send_keys("8 12.5 ? 20, 16")
    chrome.find_element(By.ID, "hand_in").click()
    assert handed_soon(served, 1) == [Handed(kind="strobe", text="list 8 12.5 ? 20, 16")]
    assert wait_for(chrome, "!list.open && reading.textContent") == "Readings taken: 5"


def test_the_pad_fits_a_thumb(
    chrome: WebDriver, served: Served, asked: Feed, tmp_path: Path
) -> None:
    """On the narrowest phones too, light and dark, nothing is cut off and keys are wide."""
    for width, height in ((390, 844), (360, 740), (430, 932)):
        for dark in (False, True):
            look(chrome, width, height, dark=dark)
            ask(chrome, "new Promise((done) => setTimeout(done, 60))")
            name = f"pad-{width}x{height}-{'dark' if dark else 'light'}.png"
            chrome.save_screenshot(str(tmp_path / name))
            layout = ask(chrome, LAYOUT)
            assert layout["scroll"][0] <= width and layout["scroll"][1] <= height
            pad = [each for each in layout["buttons"] if each[0].rstrip("°").isdigit()]
            assert len(pad) == 9
            for text, left, top, right, bottom in layout["buttons"]:
                assert left >= 0 and right <= width and top >= 0 and bottom <= height, text
                assert bottom - top >= 48 and right - left >= 100, text
            # The sentence that asks stays in sight above the keys.
            assert layout["sentence"][3] <= min(each[2] for each in pad)


def test_what_moved_in_locking_is_redone(chrome: WebDriver, served: Served, asked: Feed) -> None:
    """Lock, moved: the way back is shown and said; turned back, it is locked again."""
    asked.on_view(view(Step.LOCK, 3, waits_for=Tap.LOCKED))
    wait_for(chrome, "!document.querySelector('[data-tap=locked]').hidden")
    chrome.find_element(By.CSS_SELECTOR, "[data-tap=locked]").click()
    assert handed_soon(served, 1) == [Handed(kind="tap", text="locked")]
    asked.on_view(
        view(Step.MOVED, 4, way=-1, to_go_deg=1.6, moved_deg=1.6, u_moved_deg=0.3, here_deg=12.0)
    )
    wait_for(chrome, "document.body.dataset.step === 'moved'")
    assert "moved" in ask(chrome, "shown.textContent").lower()
    assert ask(chrome, "document.querySelector('[data-tap=locked]').hidden") is True
    assert ask(chrome, "!turn.hasAttribute('hidden')"), "which way to turn back is not shown"
    asked.on_view(view(Step.LOCK, 5, waits_for=Tap.LOCKED))
    wait_for(chrome, "!document.querySelector('[data-tap=locked]').hidden")
    chrome.find_element(By.CSS_SELECTOR, "[data-tap=locked]").click()
    assert handed_soon(served, 2)[1] == Handed(kind="tap", text="locked")
    asked.on_view(view(Step.LOCKED, 6, moved_deg=0.1, u_moved_deg=0.3))
    wait_for(chrome, "document.body.dataset.step === 'locked'")
    assert ask(chrome, "turn.hasAttribute('hidden')")


def test_looking_phones_cannot_tap(chrome: WebDriver, served: Served) -> None:
    feed = Feed(served.hub, name="port")
    chrome.get(f"{served.base}/#{served.access.invite('watch')}")
    feed.on_view(view(Step.READ_STROBE, 1))
    wait_for(chrome, "!document.querySelector('#looking').hidden")
    assert ask(chrome, "document.querySelector('#strobe').hidden") is True


STROBE = knobs(peak_deg=18.0, low_deg=10.0, scatter=0.04, rig=RigSpec(mark=False))
# Nobody meets a degree and a half with a strobe: the pass up and the one back are enough here.
SHORT = Options(strobe=True, goal_deg=3.0, most_passes=2, most_sweep_s=150.0, nudge_deg=4.0)


def tap_reading(chrome: WebDriver, deg: float) -> None:
    """Tap the number that is read, to half a degree."""
    half = round(2.0 * deg) / 2.0
    if (half % 1.0 != 0.0) != (ask(chrome, "half.getAttribute('aria-pressed')") == "true"):
        chrome.find_element(By.ID, "half").click()
    for _ in range(8):
        numbers = [float(text.rstrip("\u00b0")) for text in ask(chrome, PAD)]
        if half in numbers:
            chrome.find_element(By.CSS_SELECTOR, f"[data-deg='{half:g}']").click()
            return
        chrome.find_element(By.ID, "less" if half < numbers[0] else "greater").click()
    raise AssertionError(half)


def lead_by_readings(visit: Visit, chrome: WebDriver) -> list[dict[str, str]]:
    """Be the eyes and the tapping finger until the visit is over."""
    seen: list[dict[str, str]] = []
    while visit.threads[1].is_alive():
        led_us = visit.led_us
        shown = ask(chrome, SHOWN)
        if "step" in shown and (not seen or shown["number"] != seen[-1]["number"]):
            seen.append(shown)
            order = order_on(shown)
            if shown["step"] == Step.READ_STROBE:
                order = Order(act="strobe", tap="strobe")
            if order is not None:
                visit.hand.tell(order)
        while not visit.taps.empty():
            tap = visit.taps.get()
            if tap.value_deg is not None:
                wait_for(chrome, "!document.querySelector('#strobe').hidden")
                tap_reading(chrome, tap.value_deg)
            else:
                chrome.find_element(By.CSS_SELECTOR, f"[data-tap={tap.text}]").click()
        visit.hand.led(led_us)
    return seen


def test_a_sweep_led_by_tapped_readings(chrome: WebDriver, tmp_path: Path) -> None:
    """No sensor of any angle: a reading at each hold, then the setting; the replay agrees."""
    habits = Habits(ignores=0.0, spread=0.1, lock_slip_share=0.0, strobe_deg=0.5)
    with VirtualPort() as port:
        visit = Visit(folder=tmp_path, port=port, scenario=STROBE, options=SHORT, habits=habits)
        visit.threads[0].start()
        chrome.get(visit.address.get(timeout=60))
        chrome.find_element(By.ID, "sound").click()
        visit.threads[1].start()
        try:
            seen = lead_by_readings(visit, chrome)
            chrome.save_screenshot(str(tmp_path / "led-by-readings.png"))
        finally:
            visit.stop.set()
            visit.threads[0].join()
    steps = [shown["step"] for shown in seen]
    assert steps.count("read_strobe") >= 6
    # Time decides how the sweep ends, and a busy machine may show the setting's first order only.
    over = next((step for step in steps if step in {"enough", "stop", "turn"}), "none")
    assert is_in_order(["scribe", "read_strobe", "begin", "read_strobe", over, "lock"], steps)
    assert steps[-1] in {"locked", "untold", "unsure"}, steps
    result, run = visit.result, visit.run
    assert result is not None and run is not None
    assert result.source.advance_source == "holds"
    assert {sweep.direction for sweep in result.sweeps} >= {"advancing"}
    peak = result.peak
    if peak.found:
        assert peak.angle_deg is not None and peak.u_deg is not None
        assert abs(peak.angle_deg - run.truth.peak_rig_deg) <= 3.29 * peak.u_deg
    check_replay(visit)
