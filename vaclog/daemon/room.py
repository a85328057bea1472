"""How long the disk will do.

Enters: the folder of a capture. Leaves: a refusal where there is no room to begin with, and
sentences to say while it gets less. Nothing is ever deleted.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Final

from vaclog.errors import StorageError

HOUR_BYTES: Final = 14_000_000
"""A capture of the reference rig (1 kHz, four cylinders) takes 13.8 MB an hour, measured."""

LEAST_BYTES: Final = HOUR_BYTES
"""Less than an hour's room is no room to begin with; a visit with its breaks takes as long."""

SAID_AT_H: Final = (24, 8, 3, 1)
"""Hours left at which it is said: the evening before, the same morning, now, at once."""


class Room:
    """Looks at the room on the disk.

    Parameters
    ----------
    folder
        Where the capture lies.
    free_bytes
        Free bytes there; None where the system does not know. Passed in by tests.
    """

    def __init__(
        self, folder: Path, *, free_bytes: Callable[[Path], int | None] | None = None
    ) -> None:
        self._folder = folder
        self._free = free_bytes or free
        self._said = len(SAID_AT_H) + 1

    def check(self) -> None:
        """Refuse to begin where there is no room.

        Raises
        ------
        StorageError
            Less than an hour's room.
        """
        left = self._free(self._folder)
        if left is not None and left < LEAST_BYTES:
            raise StorageError(
                f"Only {left / 1e6:.1f} MB are free in {self._folder.resolve()}; an hour of "
                f"recording takes {HOUR_BYTES / 1e6:.0f} MB.",
                cause="The disk is full or nearly so. Captures are never deleted by the program.",
                step="Copy captures off and delete them, or record elsewhere with --capture.",
            )

    def look(self) -> str | None:
        """What is to be said now: once at each mark on the way down, and again from there."""
        left = self._free(self._folder)
        if left is None:
            return None
        marks = sum(left >= hours * HOUR_BYTES for hours in SAID_AT_H)
        below, self._said = marks < min(self._said, len(SAID_AT_H)), marks
        if not below:
            return None
        return (
            f"The disk has room for about {max(left / HOUR_BYTES, 0.0):.1f} more hours "
            f"({left / 1e6:.0f} MB). Copy captures off and delete them; nothing is deleted by "
            "itself, and recording goes on in memory when the disk is full."
        )


def free(folder: Path) -> int | None:
    """Bytes that this user may still write; None where the system does not say."""
    try:
        usage = shutil.disk_usage(folder)
    except OSError:
        return None
    return usage.free if usage.total else None
