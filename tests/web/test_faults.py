"""What goes wrong while somebody lies over the engine, seen on the page in a real browser."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webdriver import WebDriver

from tests.web.browser import ask, browser, look
from tests.web.conftest import Served
from tests.web.test_browser import idle, wait_for
from tests.web.test_readings import handed_soon, view
from vaclog.capture.writer import CaptureWriter
from vaclog.daemon.before import Before
from vaclog.daemon.desk import Desk, Handed
from vaclog.daemon.led_hand import cards_of
from vaclog.daemon.station import PagePlace, Watchers, run_station
from vaclog.guidance.instructions import Step, Tap
from vaclog.guidance.scene import Options
from vaclog.records import CardText
from vaclog.session import wants
from vaclog.simulator.presets import preset
from vaclog.sources.serial_port import SerialSource
from vaclog.sources.virtual_port import VirtualPort
from vaclog.web.access import Access
from vaclog.web.app import make_app
from vaclog.web.feed import Feed
from vaclog.web.hub import Hub
from vaclog.web.invited import Invited
from vaclog.web.server import PageServer, names, open_socket


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> Iterator[WebDriver]:
    """One browser for all of these: to start one takes longer than most of them."""
    with browser(tmp_path_factory.mktemp("faults")) as chrome:
        look(chrome, 390, 844)
        yield chrome


@pytest.fixture
def chrome(opened: WebDriver) -> Iterator[WebDriver]:
    """The browser, without cookies and with one window."""
    opened.get("about:blank")
    yield opened
    for window in opened.window_handles[1:]:
        opened.switch_to.window(window)
        opened.close()
    opened.switch_to.window(opened.window_handles[0])
    opened.execute_cdp_cmd("Network.clearBrowserCookies", {})


# The cable ------------------------------------------------------------------------------------

SPEED = 15
UNPLUG_US, BACK_US = 45_000_000, 60_000_000


class Cable:
    """An engine at the end of a cable that is drawn and put in again under another name."""

    def __init__(self, folder: Path) -> None:
        recording = replace(preset("nudge")).simulate(7)
        self.chunks = list(recording.chunks)
        self.name = folder / "port"
        self.now_us = 0
        self.is_drawn = threading.Event()
        self.put_in = threading.Event()

    def run(self, stop: threading.Event) -> None:
        """Send until the cable is drawn; go on where the engine is when it is put in again."""
        before = [each for each in self.chunks if each[0] < UNPLUG_US]
        after = [each for each in self.chunks if each[0] >= BACK_US]
        with VirtualPort() as port:
            self.name.symlink_to(port.name)
            self._play(port, before, stop)
        self.name.unlink()
        self.is_drawn.set()
        # The host's clock goes on while nothing comes.
        while not self.put_in.wait(0.05) and not stop.is_set():
            self.now_us += 50_000 * SPEED
        with VirtualPort() as port:
            self.name.symlink_to(port.name)
            late_us = max(0, self.now_us - BACK_US)
            self._play(port, [(at_us + late_us, data) for at_us, data in after], stop)
            stop.wait()

    def _play(
        self, port: VirtualPort, chunks: list[tuple[int, bytes]], stop: threading.Event
    ) -> None:
        while not port.is_open and not stop.wait(0.02):
            self.now_us += 20_000 * SPEED if self.is_drawn.is_set() else 0
        start_us = self.now_us
        for at_us, data in chunks:
            if at_us > self.now_us and stop.wait((at_us - self.now_us) / 1e6 / SPEED):
                return
            self.now_us = max(start_us, at_us)
            port.send(data)


def test_a_cable_drawn_in_mid_sweep_is_said_and_the_sweep_goes_on(
    chrome: WebDriver, tmp_path: Path
) -> None:
    """What was measured is kept, the hand is told to wait, and then what it was told before."""
    cable, stop, cards = Cable(tmp_path), threading.Event(), cards_of(preset("nudge"))
    addresses: list[str] = []
    served = threading.Event()
    engine = threading.Thread(target=cable.run, args=(stop,), daemon=True)

    def listen() -> None:
        records = [
            wants(Options()),
            CardText(at_us=0, which="engine", toml=cards.engine),
            CardText(at_us=0, which="rig", toml=cards.rig),
        ]
        run_station(
            Before(records, SerialSource(str(cable.name), clock_us=lambda: cable.now_us)),
            CaptureWriter(tmp_path / "cut.vaclog"),
            name="port",
            capture="cut.vaclog",
            stop=stop,
            watchers=Watchers(
                on_event=lambda _event: None,
                on_address=lambda address: (addresses.append(address), served.set())[1],
            ),
            page=PagePlace(port=0, or_next=False),
        )

    engine.start()
    while not os.path.lexists(cable.name):
        engine.join(0.01)
    daemon = threading.Thread(target=listen, daemon=True)
    daemon.start()
    try:
        assert served.wait(30)
        chrome.get(addresses[0])
        wait_for(chrome, "document.body.dataset.step === 'scribe'")
        chrome.find_element(By.CSS_SELECTOR, "[data-tap=scribed]").click()
        assert cable.is_drawn.wait(30)
        before = int(ask(chrome, "document.body.dataset.cycles"))
        wait_for(chrome, "document.body.dataset.step === 'paused'")
        assert "kept" in ask(chrome, "shown.textContent")
        assert wait_for(chrome, "!document.querySelector('#note').hidden && note.textContent")
        assert wait_for(chrome, "document.body.dataset.stale") == "engine"
        assert "old" in ask(chrome, "unit.textContent")
        assert ask(chrome, "turn.hasAttribute('hidden')"), "an order still stands on the page"
        cable.put_in.set()
        wait_for(chrome, f"Number(document.body.dataset.cycles) > {before + 8}")
        wait_for(chrome, "!document.body.dataset.stale && document.body.dataset.step !== 'paused'")
    finally:
        stop.set()
        cable.put_in.set()
        daemon.join()
        engine.join()


# The daemon -----------------------------------------------------------------------------------


@contextmanager
def daemon(port: int, remember: Path) -> Iterator[tuple[Feed, Access, int]]:
    """A page on a port, that beats; phones invited in an earlier run are known."""
    opened, hub, ended = open_socket("127.0.0.1", port), Hub(), threading.Event()
    port = opened.getsockname()[1]
    access = Access(names("127.0.0.1", port), invited=Invited(remember))
    with PageServer(make_app(hub, access, Desk()), opened, hub):
        feed = Feed(hub, name="port")
        beat = threading.Thread(target=feed.beat_until, args=(ended,), daemon=True)
        beat.start()
        try:
            yield feed, access, port
        finally:
            ended.set()
            beat.join()


def test_a_daemon_that_stops_is_called_gone_and_a_new_run_is_followed(
    chrome: WebDriver, tmp_path: Path
) -> None:
    """No order of the old run stays on the page; the phone stays invited, and is led anew."""
    kept = tmp_path / "invited.json"
    with daemon(0, kept) as (feed, access, port):
        feed.on_event(idle(900))
        feed.on_view(view(Step.KEEP_GOING, 40, way=1, to_go_deg=2.5, to_go_mm=0.7))
        chrome.get(f"http://127.0.0.1:{port}/#{access.invite('control')}")
        wait_for(chrome, "document.body.dataset.step === 'keep_going'")
        assert ask(chrome, "far.textContent") == "0.7"
    assert wait_for(chrome, "document.body.dataset.stale") == "listener"
    assert "Not connected" in ask(chrome, "banner.textContent")
    assert "Leave the body" in ask(chrome, "shown.textContent")
    assert ask(chrome, "turn.hasAttribute('hidden')")
    chrome.find_element(By.ID, "marker").click()
    assert "no answer" in wait_for(chrome, "!note.hidden && note.textContent")
    with daemon(port, kept) as (feed, _access, _port):
        wait_for(chrome, "!document.body.dataset.stale")
        assert ask(chrome, "shown.textContent") == "Waiting for the engine."
        feed.on_event(idle(3))
        feed.on_view(view(Step.SCRIBE, 1, waits_for=Tap.SCRIBED))
        wait_for(chrome, "document.body.dataset.step === 'scribe'")
        assert ask(chrome, "document.body.dataset.cycles") == "3"


# Phones ---------------------------------------------------------------------------------------


def test_a_closed_browser_comes_back_without_an_invitation(
    chrome: WebDriver, served: Served
) -> None:
    """Its cookie is enough, and the page shows at once what goes on."""
    feed = Feed(served.hub, name="port")
    chrome.get(f"{served.base}/#{served.access.invite('control')}")
    wait_for(chrome, "!document.querySelector('#taps').hidden")
    first = chrome.current_window_handle
    chrome.switch_to.new_window("tab")
    second = chrome.current_window_handle
    chrome.switch_to.window(first)
    chrome.close()
    feed.on_view(view(Step.LOCK, 7, waits_for=Tap.LOCKED))
    chrome.switch_to.window(second)
    chrome.get(served.base)
    wait_for(chrome, "document.body.dataset.step === 'lock'")
    chrome.find_element(By.CSS_SELECTOR, "[data-tap=locked]").click()
    assert handed_soon(served, 1) == [Handed(kind="tap", text="locked")]


def test_two_phones_see_the_same_and_one_of_them_only_looks(
    chrome: WebDriver, served: Served
) -> None:
    """By two names of the machine a browser is two phones: its cookies are kept apart."""
    feed = Feed(served.hub, name="port")
    local = served.base.replace("127.0.0.1", "localhost")
    windows = [chrome.current_window_handle]
    chrome.get(f"{served.base}/#{served.access.invite('control')}")
    chrome.switch_to.new_window("window")
    windows.append(chrome.current_window_handle)
    chrome.get(f"{local}/#{served.access.invite('watch')}")
    feed.on_view(view(Step.LOCK, 7, waits_for=Tap.LOCKED))
    for window, is_looking in zip(windows, (False, True), strict=True):
        chrome.switch_to.window(window)
        wait_for(chrome, "document.body.dataset.step === 'lock'")
        assert ask(chrome, "document.querySelector('#taps').hidden") is is_looking
        assert ask(chrome, "document.querySelector('#looking').hidden") is not is_looking
    # Who only looks is refused, whatever the page would send.
    status = chrome.execute_async_script(
        "fetch('/say', {method: 'POST', headers: {'content-type': 'application/json'},"
        ' body: \'{"kind": "marker"}\'}).then((a) => arguments[0](a.status));'
    )
    assert status == 403 and served.handed == []


def test_a_foreign_name_gets_no_page(chrome: WebDriver, served: Served) -> None:
    """A site that has its own name point here (DNS rebinding) is shown one plain sentence."""
    port = served.base.rpartition(":")[2]
    chrome.get(f"http://evil.test:{port}/#{served.access.invite('control')}")
    assert "does not go by that name" in ask(chrome, "document.body.textContent")
    assert chrome.find_elements(By.CSS_SELECTOR, "script, button") == []
    assert sum("foreign name" in line for line in served.log) == 1
