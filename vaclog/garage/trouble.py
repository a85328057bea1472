"""What SQLite says, as fact, cause and next step.

Enters: an ``sqlite3.Error`` or ``OSError``. Leaves: a :class:`~vaclog.errors.StorageError`.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from vaclog.errors import StorageError

# By primary result code; the extended codes of SQLite add higher bits to these.
_TROUBLES: Final[dict[int, tuple[str, str, str]]] = {
    sqlite3.SQLITE_FULL: (
        "The garage {path} cannot be written: the disk is full.",
        "There is no room left; what was kept before is untouched.",
        "Make room, or take the garage to another disk with: vaclog garage backup FILE.",
    ),
    sqlite3.SQLITE_READONLY: (
        "The garage {path} can be read but not written.",
        "The file, its folder or the disk is read-only, or belongs to someone else.",
        "Make both writable, or name another file with --garage.",
    ),
    sqlite3.SQLITE_BUSY: (
        "The garage {path} is in use: it stayed locked for {timeout_s:g} s.",
        "Another vaclog is writing or migrating it, or another program holds it open.",
        "Close that program and try again; nothing was written.",
    ),
    sqlite3.SQLITE_NOTADB: (
        "{path} is not a garage: it is no SQLite database.",
        "It is another kind of file, or its beginning was overwritten.",
        "Name the right file with --garage, or restore a backup.",
    ),
    sqlite3.SQLITE_CORRUPT: (
        "The garage {path} is damaged ({detail}).",
        "The disk failed or the file was copied while it was being written.",
        "Restore a backup; `vaclog garage check FILE` says whether one is sound.",
    ),
    sqlite3.SQLITE_CANTOPEN: (
        "The garage {path} cannot be opened.",
        "Its folder is missing, is no folder, or may not be entered.",
        "Check the path, or name another file with --garage.",
    ),
    sqlite3.SQLITE_IOERR: (
        "The garage {path} cannot be read or written ({detail}).",
        "The disk was unplugged or failed, or is a network share without locks.",
        "Check the disk; keep the garage on a disk of this machine.",
    ),
}
_TROUBLES[sqlite3.SQLITE_LOCKED] = _TROUBLES[sqlite3.SQLITE_BUSY]
_TROUBLES[sqlite3.SQLITE_PERM] = _TROUBLES[sqlite3.SQLITE_READONLY]
_TROUBLES[sqlite3.SQLITE_AUTH] = _TROUBLES[sqlite3.SQLITE_CANTOPEN]


@contextmanager
def telling(path: Path, timeout_s: float = 0.0) -> Iterator[None]:
    """Turn a failing database or file into the program's own error.

    Raises
    ------
    StorageError
        With fact, likely cause and next step.
    """
    try:
        yield
    except sqlite3.Error as error:
        raise _told(error, path, timeout_s) from error
    except OSError as error:
        raise StorageError(
            f"{error.filename or path} cannot be read or written: {error.strerror}.",
            cause="The disk is full, the folder is missing, or it belongs to someone else.",
            step="Choose another place; the garage itself is untouched.",
        ) from error


def _told(error: sqlite3.Error, path: Path, timeout_s: float) -> StorageError:
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    fact, cause, step = _TROUBLES.get(
        code,
        (
            "The garage {path} refused the work ({detail}).",
            "It is another program's database, or this is an error of vaclog.",
            "`vaclog garage check FILE` says whether the file is sound.",
        ),
    )
    return StorageError(
        fact.format(path=path, timeout_s=timeout_s, detail=error), cause=cause, step=step
    )
