"""Reads a capture back.

Enters: a file made by :mod:`vaclog.capture.writer`, perhaps cut or damaged. Leaves: its
records in order, and what was lost.
"""

from __future__ import annotations

import mmap
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from vaclog.capture.container import MAGIC, SYNC, VERSION, Header, to_header, to_record, unpack
from vaclog.errors import CaptureError, FutureVersionError
from vaclog.records import Record


@dataclass(frozen=True, slots=True, kw_only=True)
class Loss:
    """A part of the file that cannot be read; half-open range of bytes."""

    start: int
    end: int
    cut: bool  # it reaches to the end of the file


class CaptureFile:
    """A capture that can be read.

    Attributes
    ----------
    path, header
        The file and what it says about itself.
    size_bytes
        Its size.
    losses
        What could not be read, complete once `records` has been read to the end.
    unknown
        Records of a type that this version does not know, passed over.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.losses: list[Loss] = []
        self.unknown = 0
        self.size_bytes = path.stat().st_size
        with path.open("rb") as file:
            start = file.read(len(MAGIC) + 4096)
        item = unpack(start, len(MAGIC)) if start.startswith(MAGIC) else None
        header = to_header(item) if item else None
        if item is None or header is None:
            raise CaptureError(
                f"{path} begins like a capture, but its header is damaged or cut off.",
                cause="The disk was full or gone when recording began, or the file was edited.",
                step="There is nothing in it that can be used if it is this short; else restore "
                "it from a copy.",
            )
        if header.version > VERSION:
            raise FutureVersionError(
                f"{path} is a capture of version {header.version}, written by vaclog "
                f"{header.program}; this vaclog knows version {VERSION}.",
                step="Update vaclog.",
            )
        self.header: Header = header
        self._first = item.end

    @property
    def cut(self) -> bool:
        """Whether the file ends inside a record; known once it has been read to the end."""
        return any(loss.cut for loss in self.losses)

    @property
    def records(self) -> Iterator[Record]:
        """Read the records from the beginning."""
        self.losses, self.unknown = [], 0
        with (
            self.path.open("rb") as file,
            mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as m,
        ):
            yield from self._records(m)

    def notices(self) -> list[str]:
        """Return what a person should know, once the records have been read."""
        texts = []
        for loss in self.losses:
            where = f"{self.path}: bytes {loss.start} to {loss.end}"
            if loss.cut:
                texts.append(
                    f"{where}: the file ends inside a record. The recording was cut (power, "
                    "killed program, full disk); everything before is used."
                )
            else:
                texts.append(f"{where} are damaged and left out; everything else is used.")
        if self.unknown:
            texts.append(
                f"{self.path}: {self.unknown} records of a kind that this vaclog does not know "
                "are left out. Update vaclog."
            )
        return texts

    def _records(self, data: mmap.mmap) -> Iterator[Record]:
        at, size = self._first, len(data)
        while at < size:
            item = unpack(data, at)  # type: ignore[arg-type]  # a map slices like bytes
            if item is None:
                resumed = _resync(data, at + 1)
                self.losses.append(Loss(start=at, end=resumed, cut=resumed == size))
                at = resumed
                continue
            record = to_record(item)
            if record is None:
                self.unknown += 1
            else:
                yield record
            at = item.end


def _resync(data: mmap.mmap, at: int) -> int:
    """Return where the next sound item begins, or the end of the file."""
    while (found := data.find(SYNC, at)) >= 0:
        if unpack(data, found) is not None:  # type: ignore[arg-type]
            return found
        at = found + 1
    return len(data)


def read_capture(path: Path | str) -> CaptureFile:
    """Open a capture.

    Raises
    ------
    CaptureError
        The file is no capture, or its header cannot be read.
    FutureVersionError
        A newer version wrote it.
    """
    path = Path(path)
    with path.open("rb") as file:
        start = file.read(len(MAGIC))
    if not start or not MAGIC.startswith(start):
        raise CaptureError(
            f"{path} is not a capture: it begins with {start[:16]!r}.",
            step="Was it recorded with `vaclog listen`? Other kinds of file are opened by "
            "vaclog.capture.open.open_capture.",
        )
    return CaptureFile(path)
