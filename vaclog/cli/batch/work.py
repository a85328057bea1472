"""Analyses a folder of captures over the cores.

Enters: a folder and cards. Leaves: rows, in the order of the names, whatever order they were
finished in. A capture that fails is a row with its error; so is one that takes its process down
with it.
"""

from __future__ import annotations

import signal
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from multiprocessing import active_children, get_context
from pathlib import Path
from typing import Final

from vaclog.cli.batch.table import COLUMNS, BatchRow, row_of
from vaclog.errors import CaptureError, VaclogError

# What stands beside captures and is none itself: cards and mappings, results, pages, pictures.
_COMPANIONS: Final = frozenset(
    (".toml", ".json", ".html", ".pdf", ".png", ".svg", ".md", ".jpg", ".wav", ".flac", ".db")
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One capture and the cards that go with it; None: those within the capture."""

    capture: Path
    engine: Path | None
    rig: Path | None


def tasks(folder: Path, engine: Path | None, rig: Path | None, out: Path | None) -> list[Task]:
    """The captures of a folder by name, with the cards beside them or those given.

    ``NAME.engine.toml`` and ``NAME.rig.toml`` beside ``NAME.vaclog`` (or any other ending) come
    before the cards given, those before the cards within the capture.

    Raises
    ------
    CaptureError
        The folder has none.
    """
    paths = sorted(
        path
        for path in folder.iterdir()
        if path.is_file()
        and not path.name.startswith(".")
        and path.suffix.lower() not in _COMPANIONS
        and (out is None or path.absolute() != out.absolute())
        and not _is_table(path)
    )
    if not paths:
        raise CaptureError(
            f"{folder} holds no captures.",
            cause="They lie deeper, or the folder holds only cards and pages.",
            step="Name the folder with the files that `vaclog listen` or your logger wrote.",
        )
    return [
        Task(
            capture=path,
            engine=_beside(path, "engine") or engine,
            rig=_beside(path, "rig") or rig,
        )
        for path in paths
    ]


def _is_table(path: Path) -> bool:
    """A table that an earlier batch left in the folder."""
    head = ",".join(COLUMNS).encode()
    if path.suffix.lower() != ".csv":
        return False
    with path.open("rb") as file:
        return file.read(len(head)) == head


def _beside(path: Path, which: str) -> Path | None:
    card = path.with_name(f"{path.stem}.{which}.toml")
    return card if card.is_file() else None


def analysed(task: Task) -> BatchRow:
    """Analyse one capture; never raises for what is wrong with it."""
    from vaclog.capture.open import open_capture
    from vaclog.cards import load_engine_card, load_rig_card
    from vaclog.session import Session

    name = task.capture.name
    try:
        engine = load_engine_card(task.engine) if task.engine else None
        rig = load_rig_card(task.rig) if task.rig else None
        session = Session(capture=name, engine=engine, rig=rig)
        for record in open_capture(task.capture, rig=rig).records:
            session.feed(record)
        return row_of(name, session.finish())
    except VaclogError as error:
        return BatchRow(capture=name, error=" ".join(error.fact.split()))
    except Exception as error:
        return BatchRow(
            capture=name,
            error=f"An error of vaclog itself, please report it: {type(error).__name__}: {error}.",
        )


def rows(work: list[Task], jobs: int) -> Iterator[tuple[int, BatchRow]]:
    """Yield place and row of each task as it is finished.

    Parameters
    ----------
    jobs
        Processes; 1 works in this one.
    """
    if jobs == 1:
        for place, task in enumerate(work):
            yield place, analysed(task)
        return
    left = list(range(len(work)))
    while left:
        done: list[int] = []
        try:
            for place, row in _pooled(work, left, jobs):
                done.append(place)
                yield place, row
        except BrokenProcessPool:
            left = [place for place in left if place not in done]
            # One of those that ran took its process down; found out by letting each run alone.
            for place in left[:jobs]:
                yield place, _alone(work[place])
            done += left[:jobs]
        left = [place for place in left if place not in done]


def _pooled(work: list[Task], places: list[int], jobs: int) -> Iterator[tuple[int, BatchRow]]:
    """Few tasks are handed out ahead, so that those that break a pool are the first of the rest."""
    waiting = iter(places)
    with ProcessPoolExecutor(
        min(jobs, len(places)), mp_context=get_context("spawn"), initializer=_deaf
    ) as pool:
        running: dict[Future[BatchRow], int] = {}
        try:
            while True:
                while len(running) < jobs and (place := next(waiting, None)) is not None:
                    running[pool.submit(analysed, work[place])] = place
                if not running:
                    return
                for future in wait(running, return_when=FIRST_COMPLETED).done:
                    yield running.pop(future), future.result()
        except (KeyboardInterrupt, GeneratorExit):
            for process in active_children():
                process.terminate()
            raise


def _alone(task: Task) -> BatchRow:
    try:
        with ProcessPoolExecutor(1, mp_context=get_context("spawn"), initializer=_deaf) as pool:
            return pool.submit(analysed, task).result()
    except BrokenProcessPool:
        return BatchRow(
            capture=task.capture.name,
            error="The process that analysed it was ended, probably for want of memory.",
        )


def _deaf() -> None:
    """Ctrl-C reaches every process of the terminal; only the first one answers it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
