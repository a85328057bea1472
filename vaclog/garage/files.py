"""Capture files: known by their hash, found again when moved, kept inside when asked.

Enters: paths and hashes. Leaves: rows of ``files`` and ``pieces``, paths, files written out.
"""

from __future__ import annotations

import hashlib
import sqlite3
import zlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Final

from vaclog.errors import StorageError, UnknownRecordError
from vaclog.garage.store import Store

# Large enough that compression works across many records, small enough to hold a few in memory on
# a single-board computer.
PIECE_BYTES: Final = 1 << 20


def fingerprint(path: Path) -> tuple[str, int]:
    """SHA-256 of a file as hexadecimal text, and its size in bytes.

    Raises
    ------
    OSError
        It cannot be read.
    """
    digest, size_bytes = hashlib.sha256(), 0
    for piece in _pieces(path):
        digest.update(piece)
        size_bytes += len(piece)
    return digest.hexdigest(), size_bytes


def known(store: Store, sha256: str) -> sqlite3.Row:
    """The row of the one file whose hash begins so.

    Raises
    ------
    UnknownRecordError
        None, or more than one.
    """
    rows = store.rows(
        "SELECT sha256, path, size_bytes, kept FROM files"
        # A range, so that the index serves: "g" comes after every hexadecimal digit.
        " WHERE sha256 >= ?1 AND sha256 < ?1 || 'g'",
        [sha256.lower()],
    )
    if len(rows) != 1 or not sha256:
        raise UnknownRecordError(
            f"{'No' if not rows else 'More than one'} capture in {store.path} has a hash that "
            f"begins with {sha256!r}.",
            step="`vaclog garage show N` lists the captures of a visit with their hashes.",
        )
    return rows[0]


def remember(connection: sqlite3.Connection, sha256: str, path: Path, size_bytes: int) -> None:
    """Note where a file is now."""
    connection.execute(
        "INSERT INTO files (sha256, path, size_bytes) VALUES (?1, ?2, ?3)"
        " ON CONFLICT (sha256) DO UPDATE SET path = ?2, size_bytes = ?3",
        (sha256, str(path.absolute()), size_bytes),
    )


def keep(
    connection: sqlite3.Connection,
    writing: Callable[[], AbstractContextManager[object]],
    sha256: str,
    path: Path,
) -> None:
    """Keep the bytes of a file inside; one that is kept already stays as it is.

    Each piece is a transaction of its own, so that a long capture never holds up another writer;
    only the last one says that it is kept. Pieces that a killed process left are written over.

    Parameters
    ----------
    writing
        Begins a transaction.

    Raises
    ------
    StorageError
        The file changed since its hash was taken.
    """
    kept = connection.execute("SELECT kept FROM files WHERE sha256 = ?", (sha256,)).fetchone()
    if kept is not None and kept[0]:
        return
    digest, count = hashlib.sha256(), 0
    for piece in _pieces(path):
        digest.update(piece)
        packed = zlib.compress(piece)
        with writing():
            connection.execute(
                "INSERT OR REPLACE INTO pieces (sha256, place, data) VALUES (?, ?, ?)",
                (sha256, count, packed),
            )
        count += 1
    whole = digest.hexdigest() == sha256
    with writing():
        connection.execute(
            "DELETE FROM pieces WHERE sha256 = ? AND place >= ?", (sha256, count if whole else 0)
        )
        if whole:
            connection.execute("UPDATE files SET kept = 1 WHERE sha256 = ?", (sha256,))
    if not whole:
        raise StorageError(
            f"{path} changed while it was being kept.",
            cause="It is still being recorded.",
            step="Keep it again when the recording has ended; nothing was kept.",
        )


def find(sha256: str, known: Path, size_bytes: int | None, folders: Iterable[Path]) -> Path | None:
    """A file by its hash: at its known place, then anywhere in the folders.

    A file of the same name is looked at first. One that cannot be read is passed over.
    """
    candidates = [known]
    for folder in folders:
        found = sorted(path for path in folder.rglob("*") if path.is_file())
        candidates += sorted(found, key=lambda path: path.name != known.name)
    for path in candidates:
        try:
            if size_bytes is not None and path.stat().st_size != size_bytes:
                continue
            if fingerprint(path)[0] == sha256:
                return path.absolute()
        except OSError:
            continue
    return None


def write_out(connection: sqlite3.Connection, sha256: str, target: Path, garage: Path) -> None:
    """Write kept bytes to a file, which gets its name only when all of it is there.

    Raises
    ------
    StorageError
        The kept bytes do not give the hash.
    """
    digest = hashlib.sha256()
    part = target.with_name(target.name + ".part")
    rows = connection.execute("SELECT data FROM pieces WHERE sha256 = ? ORDER BY place", (sha256,))
    try:
        with part.open("wb") as file:
            for (data,) in rows:
                piece = zlib.decompress(data)
                digest.update(piece)
                file.write(piece)
        if digest.hexdigest() == sha256:
            part.replace(target)
            return
    except zlib.error:
        pass
    finally:
        part.unlink(missing_ok=True)
    raise StorageError(
        f"The capture {sha256[:12]} in {garage} is damaged.",
        cause="The disk failed, or the garage was edited by another program.",
        step="Restore a backup; `vaclog garage check FILE` says whether one is sound.",
    )


def _pieces(path: Path) -> Iterator[bytes]:
    with path.open("rb") as file:
        while piece := file.read(PIECE_BYTES):
            yield piece
