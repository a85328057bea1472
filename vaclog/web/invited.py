"""Who was invited, kept over a restart of the program.

Enters: digests of cookies and what each allows. Leaves: the same, when the program is started
anew. Nothing else about a phone is kept, and no cookie can be made from a digest.

Without a file of its own, that is a small one in this user's folder for states by the XDG Base
Directory Specification 0.8 (``$XDG_STATE_HOME``, else ``~/.local/state``; relative values are
ignored, as the specification asks), one for each port of the page, since cookies know no ports.
"""

from __future__ import annotations

import contextlib
import json
import os
import stat
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal, TypeAlias

Level: TypeAlias = Literal["watch", "control"]

A_DAY_S: Final = 24 * 3600.0
"""A visit with its road trial lasts hours; who was invited last week is invited again."""

MOST: Final = 64
"""Phones remembered, the latest."""

PORT: Final = "{port}"
"""Stands in the name of a file for the number of the page's port."""


def usual_file(environ: Mapping[str, str]) -> Path | None:
    """Where it is kept when nothing else was said; None for a user without a home.

    Parameters
    ----------
    environ
        The environment of the process.
    """
    home = Path(environ.get("XDG_STATE_HOME", ""))
    if not home.is_absolute():
        try:
            home = Path(environ.get("HOME") or Path.home()) / ".local" / "state"
        except RuntimeError:
            return None
    return home / "vaclog" / f"invited-{PORT}.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Phone:
    """What it may, and when it was invited: seconds since 1970; 0 where that was not kept."""

    level: Level
    at_s: float


class Invited:
    """Digests of cookies, in a file where there is one.

    Parameters
    ----------
    path
        The file; None: nothing is kept.
    keep_s
        For how long after its invitation a phone is remembered; None: for ever.
    log
        Told of what cannot be kept or read.
    clock_s
        Seconds since 1970.
    """

    def __init__(
        self,
        path: Path | None,
        *,
        keep_s: float | None = None,
        log: Callable[[str], None] = lambda _text: None,
        clock_s: Callable[[], float] = time.time,
    ) -> None:
        self._path, self._log, self._clock_s = path, log, clock_s
        now_s = clock_s()
        self._phones = {
            digest: phone
            for digest, phone in self._read().items()
            # A clock that was set back in between does not keep a phone for longer.
            if keep_s is None or 0.0 <= now_s - phone.at_s <= keep_s
        }

    def __len__(self) -> int:
        """How many phones."""
        return len(self._phones)

    def level(self, digest: str) -> Level | None:
        """What a phone may."""
        phone = self._phones.get(digest)
        return None if phone is None else phone.level

    def add(self, digest: str, level: Level) -> None:
        """Remember a phone."""
        self._phones[digest] = _Phone(level=level, at_s=self._clock_s())
        while len(self._phones) > MOST:
            del self._phones[next(iter(self._phones))]
        self._write()

    def _read(self) -> dict[str, _Phone]:
        """A file that is missing or spoilt means that nobody is invited yet."""
        if self._path is None:
            return {}
        try:
            if not _is_ours(self._path):
                self._log(
                    f"{self._path} can be written by others, so that whoever it names is not let "
                    "in. Delete it, or keep it in a folder of your own."
                )
                return {}
            kept = json.loads(self._path.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return {}
        phones = {}
        for digest, value in kept.items() if isinstance(kept, dict) else ():
            if (phone := _phone(value)) is not None:
                phones[str(digest)] = phone
        return phones

    def _write(self) -> None:
        """Replace the file as a whole: a program that is killed meanwhile leaves the old one."""
        path = self._path
        if path is None:
            return
        document = {
            digest: {"level": each.level, "at_s": round(each.at_s)}
            for digest, each in self._phones.items()
        }
        beside = path.with_name(f".{path.name}.{os.getpid()}")
        try:
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            with contextlib.suppress(FileNotFoundError):
                beside.unlink()  # of a run that was killed
            file = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(file, "w", encoding="utf-8") as out:
                json.dump(document, out)
            beside.replace(path)
        except OSError as error:
            self._log(
                f"{path} cannot be written ({error.strerror}): after a restart phones must be "
                "invited again."
            )


def _is_ours(path: Path) -> bool:
    """Whether nobody else can put himself into it."""
    if os.name != "posix":  # what others may do there is not told by a mode
        return True
    seen = path.stat()
    return seen.st_uid == os.geteuid() and not seen.st_mode & (stat.S_IWGRP | stat.S_IWOTH)


def _phone(value: object) -> _Phone | None:
    if isinstance(value, dict):
        level, at_s = value.get("level"), value.get("at_s")
    else:  # of a version that did not keep when
        level, at_s = value, 0.0
    if level not in ("watch", "control") or not isinstance(at_s, int | float):
        return None
    return _Phone(level=level, at_s=float(at_s))
