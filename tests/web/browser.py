"""A real browser without a window, as Debian packages it, with its driver.

A machine without them fails the tests that ask for it: a page that nobody has seen is not tested.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from selenium import webdriver
from selenium.webdriver.chrome.service import Service

ARGUMENTS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--mute-audio",
    # A name that is no loopback address: the page is then not on a secure origin, as on a phone.
    "--host-resolver-rules=MAP garage.test 127.0.0.1, MAP evil.test 127.0.0.1",
)

# Speech and tone are heard as calls: a browser without a window has neither voice nor ears.
EARS = """
window.heard = []; window.tones = [];
const synthesis = {
  speaking: false, cancelled: 0,
  speak(sentence) {
    heard.push({ text: sentence.text, lang: sentence.lang, ms: performance.now() });
    this.speaking = true;
    setTimeout(() => { this.speaking = false; if (sentence.onend) sentence.onend(); }, 120);
  },
  cancel() { this.speaking = false; this.cancelled++; },
  resume() {},
};
Object.defineProperty(window, "speechSynthesis", { value: synthesis });
const real = AudioParam.prototype.setTargetAtTime;
AudioParam.prototype.setTargetAtTime = function (value, ...rest) {
  const digits = document.querySelector("#vacuum");
  if (value > 20) tones.push([value, digits ? parseFloat(digits.textContent) : null]);
  return real.call(this, value, ...rest);
};
"""


@contextmanager
def browser(folder: Path, *, letters_px: int = 16, ears: bool = True) -> Iterator[webdriver.Chrome]:
    """A browser with a fresh profile and letters set so large; it ends with the context.

    Without the ears its own speech is left as it is.
    """
    binary, driver = shutil.which("chromium"), shutil.which("chromedriver")
    assert binary and driver, "this test needs Debian's packages chromium and chromium-driver"
    options = webdriver.ChromeOptions()
    options.binary_location = binary
    for argument in (*ARGUMENTS, f"--user-data-dir={folder / 'profile'}"):
        options.add_argument(argument)
    options.add_experimental_option("prefs", {"webkit.webprefs.default_font_size": letters_px})
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    chrome = webdriver.Chrome(options=options, service=Service(driver))
    try:
        if ears:
            chrome.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": EARS})
        yield chrome
    finally:
        chrome.quit()


def look(chrome: webdriver.Chrome, width: int, height: int, *, dark: bool = False) -> None:
    """Make it a device of that size and setting."""
    chrome.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 700},
    )
    scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
    chrome.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [scheme]})


def ask(chrome: webdriver.Chrome, script: str, *given: Any) -> Any:
    """Value of an expression in the page."""
    return chrome.execute_script(f"return ({script});", *given)


LAYOUT = """(() => {
  const seen = (e) => e.offsetParent !== null && e.getBoundingClientRect().height > 0;
  const box = (e) => { const b = e.getBoundingClientRect();
    return [b.left, b.top, b.right, b.bottom]; };
  const style = getComputedStyle(document.body);
  const digits = document.querySelector('#vacuum');
  return {
    width: innerWidth, height: innerHeight,
    scroll: [document.documentElement.scrollWidth, document.documentElement.scrollHeight],
    buttons: [...document.querySelectorAll('button')].filter(seen)
      .map((e) => [e.textContent, ...box(e)]),
    sentence: box(document.querySelector('#shown')),
    digits: digits ? box(digits) : null,
    ball: digits ? box(document.querySelector('.ball')) : null,
    ink: style.color, paper: style.backgroundColor,
  };
})()"""
