"""What a demanding eye would send back: too little contrast, letters that do not grow, words cut
off or over each other, sentences of another language that are longer or run the other way.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
import pytest
from selenium.webdriver.remote.webdriver import WebDriver

from tests.web.browser import ask, browser, look
from tests.web.conftest import Served
from tests.web.test_browser import TORN, idle, luminance, wait_for
from tests.web.test_readings import view
from vaclog.guidance.instructions import Because, Instruction, Step, Tap, Urgency
from vaclog.guidance.sentences import words
from vaclog.guidance.view import Said, View
from vaclog.session import CyclesGrew
from vaclog.web.feed import Feed

WAYS: dict[str, Any] = {
    "way": -1,
    "turn_way": "counterclockwise",
    "to_go_deg": 5.6,
    "to_go_body_deg": 2.8,
    "to_go_mm": 1.6,
    "target_deg": 8.7,
    "moved_deg": 2.4,
    "u_moved_deg": 0.3,
    "interval_deg": 0.8,
    "expected_deg": 0.7,
    "top_deg": 23.8,
    "limit": "hill",
}


def led(step: Step, *, stage: str = "sweep", number: int = 1, waits_for: Tap | None = None) -> View:
    """A view in the middle of a visit, made up: a hill with everything that can stand on it."""
    turns = step in (Step.ONE_MORE, Step.MOVED, Step.CLOSER, Step.TURN)
    instruction = Instruction(
        step=step,
        because=Because.TOP_UNSURE if step is Step.ONE_MORE else Because.LOCK_CHECK,
        urgency=Urgency.NORMAL,
        at_us=1_000_000 * number,
        valid_us=10_000_000,
        number=number,
        waits_for=waits_for,
        **(WAYS if turns else {}),
    )
    said = words(instruction)
    deg = np.arange(4.0, 34.0, 0.5)
    kpa = 38.5 + 0.0075 * (deg - 23.8) ** 2
    return View(
        cycles=900,
        at_us=1_000_000 * number,
        stage=stage,
        source="mark",
        goal_deg=1.0,
        curve_deg=tuple(deg.tolist()),
        curve_kpa=tuple(kpa.tolist()),
        low_kpa=tuple((kpa - 0.1).tolist()),
        high_kpa=tuple((kpa + 0.1).tolist()),
        foot_deg=tuple(np.linspace(9.0, 30.0, 60).tolist()),
        foot_kpa=tuple((38.6 + 0.0075 * (np.linspace(9.0, 30.0, 60) - 23.8) ** 2).tolist()),
        foot_age=tuple(np.linspace(0.0, 1.0, 60).tolist()),
        top_deg=23.8,
        top_low_deg=23.0,
        top_high_deg=24.6,
        top_found=True,
        interval_deg=0.8,
        set_deg=8.7,
        home_deg=9.8,
        allowed_low_deg=5.0,
        allowed_high_deg=31.0,
        passes=2,
        misfires=3,
        say=Said(said=said.said, shown=said.shown, reason=said.reason, instruction=instruction),
    )


def running(deg: float) -> CyclesGrew:
    """A cycle there."""
    return replace(idle(900), mean_deg=deg, advance_deg=deg, barometer_kpa=100.0)


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> Iterator[WebDriver]:
    """One browser for all of these."""
    with browser(tmp_path_factory.mktemp("looks")) as chrome:
        yield chrome


def on_page(chrome: WebDriver, served: Served) -> tuple[Feed, list[float]]:
    """A page that is led, in control, its first tap behind it; and its clock, to be set."""
    look(chrome, 390, 844)
    now = [0.0]
    feed = Feed(served.hub, name="port", clock_s=lambda: now[0])
    feed.on_event(running(14.0))
    feed.beat()
    chrome.get("about:blank")
    chrome.get(f"{served.base}/#{served.access.invite('control')}")
    wait_for(chrome, "!document.querySelector('#taps').hidden")
    ask(chrome, "document.querySelector('#sound').click()")
    return feed, now


def settle(chrome: WebDriver) -> None:
    """Until what changed is drawn."""
    chrome.execute_async_script(
        "requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(arguments[0], 160)))"
    )


# Contrast -------------------------------------------------------------------------------------

# Ink of every text that is seen, and the colour behind it: of the nearest box, or in the picture
# of what the words of that kind stand on.
INKS = """(() => {
  const root = getComputedStyle(document.documentElement);
  const colour = (name) => { const probe = document.createElement('i');
    probe.style.color = root.getPropertyValue(name); document.body.append(probe);
    const value = getComputedStyle(probe).color; probe.remove(); return value; };
  const behind = (e) => {
    const on = { vacuum: '--ball', rpm: '--ball', unit: '--ball', mark: '--earth',
      side: '--earth', number: '--earth', here: '--paper' };
    for (const [kind, name] of Object.entries(on)) {
      if (e.classList.contains(kind)) return colour(name);
    }
    if (e.classList.contains('pennant-text')) {
      return colour(e.classList.contains('maybe') ? '--paper' : '--ink');
    }
    for (let each = e; each; each = each.parentElement) {
      const back = getComputedStyle(each).backgroundColor;
      if (!/, 0\\)$/.test(back) && back !== 'transparent') return back;
      if (each.id === 'banner') return colour('--warn');
    }
    return colour('--paper');
  };
  return [...document.querySelectorAll('body *')]
    .filter((e) => [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim())
      && e.getBoundingClientRect().width > 1 && getComputedStyle(e).visibility === 'visible'
      && !e.matches('script, tspan, .heard'))
    .map((e) => { const s = getComputedStyle(e), svg = e instanceof SVGElement;
      return [e.id || e.className.baseVal || e.className || e.tagName, e.textContent.trim(),
        svg ? s.fill : s.color, behind(e), Number(s.opacity)]; });
})()"""


def ratio(ink: str, paper: str, opacity: float) -> float:
    """Contrast ratio (WCAG 2.1, definition) of a text that lets some of its ground through."""
    import re

    one = [float(each) for each in re.findall(r"[\d.]+", ink)[:3]]
    two = [float(each) for each in re.findall(r"[\d.]+", paper)[:3]]
    mixed = [opacity * a + (1 - opacity) * b for a, b in zip(one, two, strict=True)]
    high, low = sorted(
        (luminance(f"rgb({mixed[0]}, {mixed[1]}, {mixed[2]})"), luminance(paper)), reverse=True
    )
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("dark", [False, True])
def test_every_text_stands_out(opened: WebDriver, served: Served, dark: bool) -> None:
    """7 to 1 for what is read from afar, also when it is old; 4.5 for all else (WCAG 2.1, 1.4.3
    and 1.4.6).
    """
    feed, now = on_page(opened, served)
    look(opened, 390, 844, dark=dark)
    seen: set[str] = set()
    for step, is_old in ((Step.ONE_MORE, False), (Step.LOCK, False), (Step.LOCK, True)):
        feed.on_view(
            led(
                step,
                stage="set" if step is Step.LOCK else "sweep",
                number=1 + step.value.count("o"),
            )
        )
        feed.on_event(running(14.0))
        now[0] += 9.0 if is_old else 0.0
        feed.beat()
        wait_for(opened, f"document.body.dataset.step === '{step.value}'")
        wait_for(opened, f"Boolean(document.body.dataset.stale) === {str(is_old).lower()}")
        settle(opened)
        for name, text, ink, paper, opacity in ask(opened, INKS):
            seen.add(name)
            afar = name in {"shown", "vacuum", "rpm", "here", "banner", "far", "set"}
            assert ratio(ink, paper, opacity) >= (7.0 if afar else 4.5), (name, text, ink, paper)
    assert {"shown", "vacuum", "rpm", "here", "top", "set", "banner", "known", "far"} <= seen


def test_nothing_is_told_by_colour_alone(opened: WebDriver, served: Served) -> None:
    """Old, provisional and untrodden have shapes of their own, seen without any colour."""
    feed, now = on_page(opened, served)
    dashes = "getComputedStyle(document.querySelector('{}')).strokeDasharray"
    feed.on_view(led(Step.ONE_MORE))
    wait_for(opened, "document.querySelector('#set')")
    assert ask(opened, "document.querySelector('#set').textContent") == "set about 8.7°"
    assert ask(opened, dashes.format(".pennant")) != "none"
    assert ask(opened, dashes.format(".surface:not(.unseen)")) == "none"
    assert ask(opened, dashes.format(".surface.unseen")) != "none"
    assert ask(opened, dashes.format(".ball")) == "none"
    feed.on_view(led(Step.LOCK, stage="set", number=2, waits_for=Tap.LOCKED))
    wait_for(opened, "document.querySelector('#set').textContent === 'set 8.7°'")
    assert ask(opened, dashes.format(".pennant")) == "none"
    now[0] = 9.0
    feed.beat()
    wait_for(opened, "document.body.dataset.stale === 'engine'")
    assert ask(opened, dashes.format(".ball")) != "none"
    assert ask(opened, "unit.textContent") == "inHg, old"


# Room -----------------------------------------------------------------------------------------

# Boxes of what may not lie over each other: the head's words, the ball, the picture's words, keys.
BOXES = """(() => {
  const box = (e) => { const b = e.getBoundingClientRect();
    return [b.left, b.top + scrollY, b.right, b.bottom + scrollY]; };
  const seen = (s) => [...document.querySelectorAll(s)].filter((e) => e.checkVisibility()
    && e.getBoundingClientRect().width > 0 && getComputedStyle(e).display !== 'none');
  return { width: innerWidth, wide: document.documentElement.scrollWidth,
    tall: document.documentElement.scrollHeight,
    boxes: ['#shown', '#reason', '#known', '#sign', '.ball', '.mark', '.pennant', '.here-back',
      '.side', 'button'].flatMap((s) => seen(s).map((e) => [s, e.textContent, ...box(e)])) };
})()"""


Box: TypeAlias = tuple[float, float, float, float]


def reaches(ball: Box, box: Box) -> bool:
    """Whether a ball, given by the box around it, reaches into another box."""
    x, y, radius = (ball[0] + ball[2]) / 2, (ball[1] + ball[3]) / 2, (ball[2] - ball[0]) / 2
    near_x, near_y = min(max(x, box[0]), box[2]), min(max(y, box[1]), box[3])
    return (near_x - x) ** 2 + (near_y - y) ** 2 < (radius - 2) ** 2


def check_room(chrome: WebDriver) -> None:
    """Nothing lies over another thing, nothing is beyond an edge that cannot be scrolled to."""
    room = ask(chrome, BOXES)
    assert room["wide"] <= room["width"]
    for index, (kind, text, left, top, right, bottom) in enumerate(room["boxes"]):
        assert left >= -1 and right <= room["width"] + 1 and bottom <= room["tall"] + 1, text
        for other, words_there, x0, y0, x1, y1 in room["boxes"][index + 1 :]:
            over = min(right, x1) - max(left, x0) > 2 and min(bottom, y1) - max(top, y0) > 2
            if over and ".ball" in (kind, other):  # a box of it is not it
                ball, there = ((left, top, right, bottom), (x0, y0, x1, y1))
                if other == ".ball":
                    ball, there = there, ball
                over = reaches(ball, there)
            assert not over, (kind, text, other, words_there)


def longer(shown: View) -> View:
    """The same in a language whose sentences are longer by six tenths."""
    assert shown.say is not None
    filler = "jedoch gegen den Uhrzeigersinn und ohne das Gehäuse zu verdrehen, bitte vorsichtig "
    text, reason = shown.say.shown, shown.say.reason
    said = replace(
        shown.say,
        shown=f"{text} {(filler * 3)[: round(0.6 * len(text))]}",
        reason=f"{reason} {(filler * 3)[: round(0.6 * len(reason))]}",
    )
    return replace(shown, say=said)


SIZES = {
    "plain": ((390, 844), (360, 740), (430, 932), (820, 1180), (1280, 800), (844, 390)),
    "longer": ((390, 844), (360, 740), (1280, 800)),
    "rtl": ((390, 844), (844, 390)),
}


@pytest.mark.parametrize("kind", SIZES)
def test_words_have_room(opened: WebDriver, served: Served, kind: str) -> None:
    """At all sizes, also where a sentence is longer by 60 %, or runs from right to left."""
    feed, _ = on_page(opened, served)
    if kind == "rtl":
        ask(opened, "document.documentElement.dir = 'rtl'")
    number = 0
    for width, height in SIZES[kind]:
        look(opened, width, height)
        for step, stage, deg in (
            (Step.MOVED, "lock", 11.0),
            (Step.ONE_MORE, "sweep", 23.8),
            (Step.ONE_MORE, "sweep", 31.0),
            (Step.LOCK, "lock", 8.7),
        ):
            number += 1
            shown = led(step, stage=stage, number=number)
            feed.on_view(longer(shown) if kind == "longer" else shown)
            feed.on_event(running(deg))
            wait_for(opened, f"document.body.dataset.number === '{number}'")
            settle(opened)
            check_room(opened)
            if kind == "plain":
                assert ask(opened, TORN) == []


@pytest.mark.parametrize(("width", "height"), [(390, 844), (360, 740), (820, 1180), (1280, 800)])
def test_a_fault_takes_no_key_off_the_page(
    opened: WebDriver, served: Served, width: int, height: int
) -> None:
    """What is said of it stands above all else, and all else moves together."""
    feed, now = on_page(opened, served)
    look(opened, width, height)
    feed.on_view(led(Step.LOCK, stage="lock", waits_for=Tap.LOCKED))
    now[0] = 9.0
    feed.beat()
    wait_for(opened, "document.body.dataset.stale === 'engine'")
    settle(opened)
    check_room(opened)
    assert ask(opened, BOXES)["tall"] <= height


def test_large_letters_of_the_device_are_followed(tmp_path: Path, served: Served) -> None:
    """Set to twice the size: words grow, none is torn, all can be scrolled to (WCAG 1.4.4)."""
    with browser(tmp_path, letters_px=32) as chrome:
        feed, _ = on_page(chrome, served)
        for number, step in enumerate((Step.MOVED, Step.ONE_MORE, Step.LOCK), 1):
            feed.on_view(led(step, stage="lock", number=number, waits_for=Tap.LOCKED))
            wait_for(chrome, f"document.body.dataset.number === '{number}'")
            settle(chrome)
            check_room(chrome)
            assert ask(chrome, TORN) == []
            size = ask(
                chrome, "parseFloat(getComputedStyle(document.querySelector('#reason')).fontSize)"
            )
            assert size >= 1.5 * 18
        ask(chrome, "document.querySelector('[data-tap=locked]').scrollIntoView()")
        assert ask(chrome, "document.querySelector('[data-tap=locked]').checkVisibility()")


def test_all_of_more_is_within_reach(opened: WebDriver, served: Served) -> None:
    """Also while numbers are asked for, on a small phone: the keys give their place."""
    feed, _ = on_page(opened, served)
    look(opened, 360, 740)
    feed.on_view(view(Step.READ_STROBE, 1))
    wait_for(opened, "!document.querySelector('#strobe').hidden")
    ask(opened, "more.click()")
    settle(opened)
    room = ask(opened, BOXES)
    keys = [each for each in room["boxes"] if each[0] == "button"]
    assert len(keys) == 11 and all(each[5] <= 740 for each in keys)
    assert min(each[5] - each[3] for each in keys) >= 48
    ask(opened, "more.click()")
    assert ask(opened, "document.querySelector('#pad').checkVisibility()")


# For who hears the page -----------------------------------------------------------------------


def test_the_page_can_be_heard_and_walked_by_keys(opened: WebDriver, served: Served) -> None:
    """One heading, one live sentence, a picture with words, names for all keys, order kept."""
    feed, now = on_page(opened, served)
    feed.on_view(led(Step.LOCK, stage="lock", waits_for=Tap.LOCKED))
    wait_for(opened, "document.body.dataset.step === 'lock'")
    assert ask(opened, "document.querySelectorAll('h1').length") == 1
    assert ask(opened, "shown.getAttribute('aria-live')") == "polite"
    heard = ask(opened, "hill.getAttribute('aria-label')")
    assert "top 23.8° ± 0.8°" in heard and "set 8.7°" in heard
    names = ask(
        opened,
        "[...document.querySelectorAll('button')].filter((b) => b.checkVisibility())"
        ".map((b) => b.getAttribute('aria-label') || b.textContent)",
    )
    assert all(names) and names[0] == "Locked"  # what is waited for comes first
    # A fault is read out once, although its seconds count on.
    for age_s in (5.0, 6.0, 7.0):
        now[0] = age_s
        feed.beat()
        wait_for(opened, f"banner.textContent.includes('{age_s:.0f} s')")
    assert "5 s" in ask(opened, "document.querySelector('#alert').textContent")
