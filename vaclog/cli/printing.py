"""Prints a page to PDF with the Chromium that is installed.

Enters: HTML text. Leaves: a PDF file. The page fetches nothing, so the browser gets no network
and a profile of its own that is thrown away.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Final

from vaclog.errors import StorageError, VaclogError

# Debian's name first, then the other names under which the same browser is packaged.
BROWSERS: Final = ("chromium", "chromium-browser", "chromium-headless-shell", "headless_shell")
# A page takes one to three seconds on a single-board computer; a hung browser must not hang this.
_TIMEOUT_S: Final = 120.0


def browser() -> str:
    """Path of the browser.

    Raises
    ------
    VaclogError
        None is installed.
    """
    for name in BROWSERS:
        if (found := shutil.which(name)) is not None:
            return found
    raise VaclogError(
        "No Chromium is installed, so no PDF can be printed.",
        cause=f"None of {', '.join(BROWSERS)} is on the PATH.",
        step="Install it (Debian: apt install chromium), or write the page with --html and print "
        "it from any browser.",
    )


def print_pdf(page: str, target: Path) -> None:
    """Print a page to a PDF file, which gets its name only when it is whole.

    Raises
    ------
    VaclogError
        No browser, or it failed.
    StorageError
        The file cannot be written.
    """
    chromium = browser()
    # Beside the target: a browser that is packaged in a sandbox may not see /tmp.
    try:
        with tempfile.TemporaryDirectory(prefix=".print-", dir=target.absolute().parent) as name:
            folder = Path(name)
            source, made = folder / "page.html", folder / "page.pdf"
            source.write_text(page, encoding="utf-8")
            _run(chromium, source, made, folder / "profile")
            made.replace(target)
    except OSError as error:
        raise StorageError(
            f"{target} cannot be written: {error.strerror}.",
            cause="The disk is full, the folder is missing, or it belongs to someone else.",
            step="Choose another place for the file.",
        ) from error


def _run(chromium: str, source: Path, made: Path, profile: Path) -> None:
    command = [
        chromium,
        "--headless",
        "--disable-gpu",
        "--no-sandbox",  # its sandbox refuses to run as root; the page is our own and has no script
        "--disable-extensions",
        "--no-first-run",
        "--no-pdf-header-footer",
        f"--user-data-dir={profile}",
        f"--print-to-pdf={made}",
        source.as_uri(),
    ]
    try:
        done = subprocess.run(
            command, capture_output=True, timeout=_TIMEOUT_S, check=False, stdin=subprocess.DEVNULL
        )
    except subprocess.TimeoutExpired as error:
        raise VaclogError(
            f"{chromium} did not finish printing within {_TIMEOUT_S:.0f} s.",
            cause="It hangs, or the machine is very busy.",
            step="Try again, or write the page with --html and print it from any browser.",
        ) from error
    if done.returncode != 0 or not made.exists():
        last = done.stderr.decode(errors="replace").strip().splitlines()[-1:] or ["no message"]
        raise VaclogError(
            f"{chromium} could not print the page ({last[0]}).",
            cause="It is broken, too old, or may not write there.",
            step="Write the page with --html and print it from any browser.",
        )
