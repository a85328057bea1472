"""Writes a capture while it is being recorded.

Enters: records in order. Leaves: a file that can be read whatever happens to the program.

Each record is handed to the operating system at once, so that a killed program costs nothing
that was written here. The system itself gathers blocks before a flash card sees them: what
wears cards is pressing down to the medium, which is done every ten seconds and at the end, and
so much is lost at most when the *power* fails. What the disk does not take waits in memory.
"""

from __future__ import annotations

import contextlib
import errno
import io
import os
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import vaclog
from vaclog.capture.container import pack, pack_header
from vaclog.errors import StorageError
from vaclog.records import Record

SYNC_US = 10_000_000
"""Press down to the medium this often: a flat battery costs ten seconds, a flash card sees
one synchronous write in ten seconds."""


class CaptureWriter:
    """Appends records to a new capture file.

    Parameters
    ----------
    target
        Path of a file that does not exist yet, or an unbuffered binary file object.
    about
        Further facts for the header; JSON values.

    Raises
    ------
    StorageError
        The file exists or cannot be made; its folder is missing, full or read-only.
    """

    def __init__(
        self, target: Path | str | io.RawIOBase, *, about: dict[str, Any] | None = None
    ) -> None:
        self._pending = bytearray()
        self._synced_us: int | None = None
        if isinstance(target, io.RawIOBase):
            self.name = str(getattr(target, "name", "capture"))
            self._file: io.RawIOBase = target
        else:
            self.name = str(target)
            self._file = _create(Path(target))
        self._pending += pack_header(vaclog.__version__, about or {})
        try:
            self.flush()
        except StorageError:
            if not isinstance(target, io.RawIOBase):
                # Without a header it can never be read; a service that tries on makes many.
                with contextlib.suppress(OSError):
                    self._file.close()
                    Path(target).unlink()
            raise

    def write(self, record: Record) -> None:
        """Append one record, wholly or, raising, not at all.

        Raises
        ------
        StorageError
            The record before it cannot be written. Nothing is lost: that one is tried again
            with the next call, and `record` may be given again.
        """
        self.flush()
        self._sync_if_due(record.at_us)
        self._pending += pack(record)
        # What fails here is in memory as a whole, and is told with the next record.
        with contextlib.suppress(StorageError):
            self.flush()

    def flush(self) -> None:
        """Write what has gathered in memory.

        Raises
        ------
        StorageError
            The disk is full or gone; what could not be written stays in memory.
        """
        try:
            while self._pending:
                written = self._file.write(bytes(self._pending))
                if written is None:
                    raise BlockingIOError(errno.EAGAIN, "the file takes nothing now")
                # A full disk may take a part; the rest follows when there is room again.
                del self._pending[:written]
        except OSError as error:
            raise self._failure(error) from error

    def close(self) -> None:
        """Write the rest, press it down to the medium and close the file.

        Raises
        ------
        StorageError
            The rest could not be written; the file is closed and readable up to there.
        """
        if self._file.closed:
            return
        try:
            self.flush()
            self._sync()
        finally:
            with contextlib.suppress(OSError):
                self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _sync_if_due(self, at_us: int | None) -> None:
        if at_us is None:
            return
        if self._synced_us is None:
            self._synced_us = at_us
        if at_us - self._synced_us >= SYNC_US:
            self._synced_us = at_us
            self._sync()

    def _sync(self) -> None:
        try:
            os.fsync(self._file.fileno())
        except (OSError, io.UnsupportedOperation) as error:
            # Pipes and memory have no medium; a disk that fails says so here.
            if isinstance(error, OSError) and error.errno in {errno.EIO, errno.ENOSPC}:
                raise self._failure(error) from error

    def _failure(self, error: OSError) -> StorageError:
        if error.errno in {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}:
            cause = "The disk (or your share of it, or the largest allowed file) is full."
            step = "Make room; what is in the file so far can be read."
        else:
            cause = f"The system says: {error.strerror or error}."
            step = "Is the drive still there? What is in the file so far can be read."
        return StorageError(f"Cannot write to {self.name}.", cause=cause, step=step)


def _create(path: Path) -> io.RawIOBase:
    try:
        return path.open("xb", buffering=0)
    except FileExistsError as error:
        raise StorageError(
            f"{path} exists already.",
            cause="A capture is never written over.",
            step="Choose another name.",
        ) from error
    except OSError as error:
        raise StorageError(
            f"Cannot create {path}.",
            cause=f"The system says: {error.strerror}.",
            step="Choose a folder that exists and may be written to.",
        ) from error
