"""Which garage a command uses: one option, shared by all that keep or read records."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import datetime
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from vaclog.garage import Garage


def garage_option(command: Callable[..., None]) -> Callable[..., None]:
    """Add ``--garage``; the command gets ``garage``, the path of the file."""

    @click.option(
        "--garage",
        type=click.Path(dir_okay=False, path_type=Path),
        help="File of the garage. Default: $VACLOG_GARAGE, else vaclog/garage.db where this user's "
        "data are kept.",
    )
    @wraps(command)
    def wrapper(*args: Any, garage: Path | None, **rest: Any) -> None:
        from vaclog.garage.place import garage_path

        command(*args, garage=garage_path(garage, os.environ), **rest)

    return wrapper


def open_garage(path: Path, *, create: bool = False) -> Garage:
    """Open the garage; ``create``: make it where missing.

    Raises
    ------
    StorageError
        It cannot be opened.
    """
    from vaclog.garage import Garage

    return Garage(path, create=create)


def now() -> str:
    """Local date and time for the records."""
    return datetime.now().isoformat(timespec="seconds")
