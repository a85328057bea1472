"""How long the disk will do: refused with less than an hour, said at each mark on the way down."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from vaclog.daemon.room import HOUR_BYTES, Room, free
from vaclog.errors import StorageError


def room(free_hours: list[float]) -> Room:
    """A disk with so much room, one after the other."""
    return Room(Path(), free_bytes=lambda _folder: round(free_hours.pop(0) * HOUR_BYTES))


def test_less_than_an_hour_is_no_beginning() -> None:
    """Refused with the folder and what to do."""
    room([1.0]).check()
    with pytest.raises(StorageError, match=r"free in /.*Copy captures off") as refused:
        room([0.99]).check()
    assert refused.value.exit_code == 6


def test_each_mark_is_said_once_on_the_way_down() -> None:
    """And again when there was room meanwhile."""
    hours = [100.0, 23.9, 23.0, 7.0, 2.0, 0.5, 0.0, 100.0, 50.0, 7.5, 7.0]
    looked = room(list(hours))
    said = [looked.look() is not None for _ in hours]
    assert said == [False, True, False, True, True, True, False, False, False, True, False]


def test_little_room_from_the_beginning_is_said_once() -> None:
    """A disk that begins below a mark."""
    looked = room([5.0, 4.9])
    text = looked.look()
    assert text is not None and "5.0 more hours (70 MB)" in text and "nothing is deleted" in text
    assert looked.look() is None


def test_a_disk_that_does_not_say_is_believed(tmp_path: Path) -> None:
    """Some file systems report no size at all."""
    unknown: Callable[[Path], int | None] = lambda _folder: None  # noqa: E731
    silent = Room(tmp_path, free_bytes=unknown)
    silent.check()
    assert silent.look() is None
    assert free(tmp_path / "nowhere") is None
    here = free(tmp_path)
    assert here is not None and here <= shutil.disk_usage(tmp_path).total
