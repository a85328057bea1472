"""Turns a failing write into the program's own error."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def writing(path: Path) -> Iterator[None]:
    """Say what is wrong with a place that cannot be written.

    Raises
    ------
    StorageError
        The file cannot be written.
    """
    from vaclog.errors import StorageError

    try:
        yield
    except OSError as error:
        raise StorageError(
            f"{path} cannot be written: {error.strerror}.",
            cause="The disk is full, the folder is missing, or it belongs to someone else.",
            step="Choose another place for the file; the capture itself is untouched.",
        ) from error
