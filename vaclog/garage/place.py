"""Where the garage is kept.

Enters: what the person named, and the environment. Leaves: a path. A name on the command line
comes first, then ``VACLOG_GARAGE``, then the place for a user's data by the XDG Base Directory
Specification 0.8 (``$XDG_DATA_HOME``, else ``~/.local/share``; relative values are ignored, as the
specification asks).
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Final

VARIABLE: Final = "VACLOG_GARAGE"


def garage_path(named: Path | None, environ: Mapping[str, str]) -> Path:
    """The file of the garage.

    Parameters
    ----------
    named
        What was given with ``--garage``.
    environ
        The environment of the process.
    """
    if named is not None:
        return named
    if set_in := environ.get(VARIABLE, ""):
        return Path(set_in).expanduser()
    home = Path(environ.get("XDG_DATA_HOME", ""))
    if not home.is_absolute():
        home = Path(environ.get("HOME") or str(Path.home())) / ".local" / "share"
    return home / "vaclog" / "garage.db"
