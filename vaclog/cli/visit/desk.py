"""What every command of a visit shares: the garage, the visit it means, the clock.

A visit is written after each event, in one transaction, before anything is printed: a process that
is killed loses nothing that it has confirmed.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from functools import wraps
from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING, Any

import click

from vaclog.cli.options import FILE_OUT

if TYPE_CHECKING:
    from vaclog.garage.garage import Garage
    from vaclog.visit.events import Event
    from vaclog.visit.records import Capture, Purpose, Visit


@dataclass(slots=True, kw_only=True)
class Desk:
    """Where visits are kept, which one is meant, what time it is, how to answer."""

    garage_file: Path | None
    number: int | None
    at: datetime | None
    as_json: bool

    def now(self) -> str:
        """Local date and time to write down."""
        return (self.at or datetime.now()).isoformat(timespec="seconds")

    def where(self) -> str:
        """The option that another command needs to find the same garage; "" for the usual one."""
        return "" if self.garage_file is None else f" --garage {quote(str(self.garage_file))}"

    def garage(self) -> Garage:
        """Open the garage."""
        from vaclog.garage.garage import Garage
        from vaclog.garage.place import garage_path

        return Garage(garage_path(self.garage_file, os.environ))

    def visit(self, garage: Garage) -> Visit:
        """The visit that is meant: the one named, else the newest that is open.

        Raises
        ------
        VisitError
            None is open.
        UnknownRecordError
            No visit of that number.
        """
        from vaclog.errors import VisitError

        if self.number is not None:
            return garage.visit(self.number)
        line = next((line for line in garage.visits() if not line.ended), None)
        if line is None:
            raise VisitError(
                "No visit is open.",
                cause="None was begun, or all have ended.",
                step="Begin one: vaclog visit begin ENGINE. An older one: --visit NUMBER.",
            )
        return garage.visit(line.number)

    def reported(self, garage: Garage) -> Visit:
        """The visit to report: the one named, else the newest open one, else the newest."""
        if self.number is None and (lines := garage.visits()):
            chosen = next((line for line in lines if not line.ended), lines[0])
            return garage.visit(chosen.number)
        return self.visit(garage)

    def happen(self, event: Event, seen: Visit | None = None) -> tuple[Visit, Visit]:
        """Take an event and keep what it makes of the visit; the visit before and after.

        Parameters
        ----------
        seen
            The visit that the person was looking at: another process may have changed it since.

        Raises
        ------
        StaleVisitError
            It has.
        """
        from vaclog.visit.steps import take

        with self.garage() as garage:
            number = self.visit(garage).number if seen is None else seen.number
            return garage.change_visit(
                number,
                lambda visit: take(visit, event),
                seen=None if seen is None else seen.revision,
            )


def desk_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add the options that every command of a visit has; the command gets ``desk``."""

    @click.option("--garage", "garage_file", type=FILE_OUT, help="Garage file; else the usual one.")
    @click.option("--visit", "number", type=int, help="Which visit; else the newest open one.")
    @click.option(
        "--at",
        type=click.DateTime(["%Y-%m-%dT%H:%M:%S", "%Y-%m-%dT%H:%M", "%Y-%m-%d"]),
        metavar="WHEN",
        help="Date and time to write down, as 2026-04-02T10:00; else now.",
    )
    @click.option("--json", "as_json", is_flag=True, help="Print JSON.")
    @wraps(command)
    def wrapper(
        *args: Any,
        garage_file: Path | None,
        number: int | None,
        at: datetime | None,
        as_json: bool,
        **rest: Any,
    ) -> None:
        desk = Desk(garage_file=garage_file, number=number, at=at, as_json=as_json)
        command(*args, desk=desk, **rest)

    return wrapper


@dataclass(frozen=True, slots=True, kw_only=True)
class Sound:
    """A sound recording of the drive, and when it was started on the capture's clock."""

    file: Path
    from_s: float | None = None


def add_capture(
    desk: Desk,
    file: Path,
    purpose: Purpose | None,
    mapping: Path | None,
    sound: Sound | None = None,
) -> tuple[Visit, Visit, Capture]:
    """Analyse a capture and take it into the visit; without a purpose, for what is due.

    The analysis takes seconds, in which another process may go on with the visit: the capture is
    taken into the visit as it then stands, if it is still wanted and was judged by the same card.
    """
    from vaclog.errors import VisitError
    from vaclog.visit.engine_now import engine_now
    from vaclog.visit.events import Captured
    from vaclog.visit.steps import next_step, take

    def taken(now: Visit) -> Visit:
        if engine_now(now) != engine_now(before):
            raise VisitError(
                f"Visit {now.number} has changed while the capture was analysed: another card "
                "holds now.",
                cause="Another window or program works on the same visit.",
                step="Give the capture once more.",
            )
        return take(now, Captured(capture=capture))

    with desk.garage() as garage:
        before = desk.visit(garage)
        wanted = purpose or next_step(before).step.purpose
        if wanted is None:
            raise VisitError(
                "No capture is wanted at this step.",
                step="Say what it is for with --for, or see: vaclog visit next.",
            )
        if sound is not None and wanted != "road":
            raise VisitError(
                f"A sound recording belongs to a drive, not to a capture for {wanted!r}.",
                cause="Pinking shows under load alone.",
                step="Give it with the capture of the drive: --for road.",
            )
        capture = _analysed(before, file, wanted, mapping, sound, desk.now())
        return *garage.change_visit(before.number, taken), capture


def _analysed(
    visit: Visit, file: Path, wanted: Purpose, mapping: Path | None, sound: Sound | None, at: str
) -> Capture:
    """A capture's result under the visit's cards, and what a recording of the drive adds."""
    from vaclog.cards import rig_card
    from vaclog.cli.hearing import hear_file
    from vaclog.cli.progress import replay_file
    from vaclog.visit.engine_now import engine_now
    from vaclog.visit.records import Capture

    session, result = replay_file(
        file,
        engine=engine_now(visit) if visit.engine_toml else None,
        rig=rig_card(visit.rig_toml) if visit.rig_toml else None,
        mapping=mapping,
    )
    with file.open("rb") as opened:
        sha256 = hashlib.file_digest(opened, "sha256").hexdigest()
    return Capture(
        purpose=wanted,
        sha256=sha256,
        path=str(file.resolve()),
        result=result,
        at=at,
        hearing=None if sound is None else hear_file(sound.file, session, result, sound.from_s),
    )
