"""Shows on stderr how far a long piece of work has come."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from vaclog.cards import EngineCard, RigCard
    from vaclog.cli.reading import TypedReadings
    from vaclog.result import Result
    from vaclog.session import Session


def analyse_file(
    path: Path,
    *,
    engine: EngineCard | None = None,
    rig: RigCard | None = None,
    mapping: Path | None = None,
    typed: TypedReadings | None = None,
) -> Result:
    """Replay a capture through a session; see :func:`replay_file`. Returns its result."""
    return replay_file(path, engine=engine, rig=rig, mapping=mapping, typed=typed)[1]


def replay_file(
    path: Path,
    *,
    engine: EngineCard | None = None,
    rig: RigCard | None = None,
    mapping: Path | None = None,
    typed: TypedReadings | None = None,
) -> tuple[Session, Result]:
    """Replay a capture through a session, with a bar on stderr while it is read.

    Parameters
    ----------
    path
        The capture.
    engine, rig
        Cards that override those in the capture.
    mapping
        Column mapping, for a CSV file.
    typed
        Readings that were typed afterwards.

    Returns
    -------
    Session, Result
        The session at its end, and the answer.

    Raises
    ------
    CaptureError
        The file is not a capture.
    CardError
        A card in the capture is wrong.
    """
    from vaclog.capture.open import open_capture
    from vaclog.records import Chunk
    from vaclog.session import Noticed, Session

    opened = open_capture(path, mapping=mapping, rig=rig)
    session = Session(capture=path.name, engine=engine, rig=rig)
    watched = sys.stderr.isatty()
    with click.progressbar(
        length=opened.size_bytes, label="Reading", file=sys.stderr, hidden=not watched
    ) as bar:
        for record in opened.records:
            for event in session.feed(record):
                if isinstance(event, Noticed):
                    click.echo(event.text, err=True)
            if isinstance(record, Chunk):
                bar.update(len(record.data))
    if typed is not None and (said := typed.record(session.engine)) is not None:
        session.feed(said)
    for text in opened.notices():
        click.echo(text, err=True)
    if watched:
        click.echo("Fitting the hill ...", err=True)
    return session, session.finish()
