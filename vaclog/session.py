"""The session: records in, events out.

Enters: every :data:`~vaclog.records.Record` of a capture, in order, live or replayed. Leaves:
events while it goes on, and one :class:`~vaclog.result.Result` from :meth:`Session.finish`.

A session knows no ports, clocks, threads or files, so a replayed capture gives the same bytes
of result as the live session did. Cycles and a coarse background are kept; raw samples are
not (they live in the capture). Provisional views are driven by the count of cycles, never by
load or elapsed time, and have no part in the final result.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TypeAlias

from vaclog.analysis.conclude import Tables, conclude, provisional
from vaclog.analysis.findings import SweepFit
from vaclog.cards import EngineCard, RigCard, engine_card, rig_card
from vaclog.records import (
    CardText,
    Chunk,
    ClockTick,
    OperatorInput,
    PortClosed,
    PortOpened,
    Record,
)
from vaclog.result import PhaseKind, Result
from vaclog.signals.chain import SignalChain
from vaclog.wire.detect import StreamDecoder
from vaclog.wire.messages import Gap, GapKind, Message

# A device that sends 50 frames a second and has been quiet for this long is not merely late.
SILENT_AFTER_US = 2_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class CyclesGrew:
    """New cycles are in the table; the numbers are those of the last one."""

    cycles: int
    at_us: int
    rpm: float
    pressure_kpa: float
    advance_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Provisional:
    """What the data so far say; later data may change it."""

    cycles: int
    phase: PhaseKind
    fit: SweepFit


@dataclass(frozen=True, slots=True, kw_only=True)
class Noticed:
    """Something a person should know now: a plain sentence."""

    text: str


Event: TypeAlias = CyclesGrew | Provisional | Noticed


@dataclass(slots=True)
class _Heard:
    """What was heard beside the readings themselves."""

    gaps: int = 0
    lines_skipped: int = 0
    last_chunk_us: int | None = None
    silent: bool = False
    told: set[str] = field(default_factory=set)


class Session:
    """Turns the records of one capture into events and a result.

    Parameters
    ----------
    capture
        The capture's own name; it is printed in the result and has no other effect.
    engine, rig
        Cards that override those in the capture. Without either, defaults are used.
    provisional_every
        Make a :class:`Provisional` event each time this many cycles were added; 0: never.
    """

    def __init__(
        self,
        *,
        capture: str = "",
        engine: EngineCard | None = None,
        rig: RigCard | None = None,
        provisional_every: int = 0,
    ) -> None:
        self._capture = capture
        self._engine = engine or EngineCard()
        self._rig = rig or RigCard()
        self._engine_fixed = engine is not None
        self._rig_fixed = rig is not None
        self._decoder = StreamDecoder()
        self._chain: SignalChain | None = None
        self._heard = _Heard()
        self._every = provisional_every
        self._next_provisional = provisional_every

    @property
    def engine(self) -> EngineCard:
        """The engine card in force."""
        return self._engine

    @property
    def rig(self) -> RigCard:
        """The rig card in force."""
        return self._rig

    def feed(self, record: Record) -> list[Event]:
        """Take one record.

        Parameters
        ----------
        record
            The next record of the capture.

        Returns
        -------
        list of Event
            What came of it.

        Raises
        ------
        CardError
            A card in the capture has an unknown key or a bad value.
        """
        match record:
            case Chunk():
                return self._on_chunk(record)
            case ClockTick():
                return self._on_tick(record)
            case OperatorInput():
                return []  # kept in the capture; nothing in the result rests on it yet
            case CardText():
                return self._on_card(record)
            case PortOpened():
                return []
            case PortClosed():
                return self._on_closed(record)

    def finish(self) -> Result:
        """Compute the result, once, from the cycle table.

        Returns
        -------
        Result
            The same for the same records, whatever happened in between.
        """
        chain = self._signal_chain()
        self._take(self._decoder.finish(), None)
        chain.finish()
        tables = Tables(
            cycles=chain.cycles(),
            background=chain.background(),
            report=chain.report(),
            capture=self._capture,
            gaps=self._heard.gaps,
            lines_skipped=self._heard.lines_skipped,
        )
        return conclude(tables, self._engine, self._rig)

    def _signal_chain(self) -> SignalChain:
        if self._chain is None:
            self._chain = SignalChain(self._engine, self._rig)
        return self._chain

    def _on_chunk(self, chunk: Chunk) -> list[Event]:
        self._heard.last_chunk_us = chunk.at_us
        self._heard.silent = False
        return self._take(self._decoder.feed(chunk.data), chunk.at_us)

    def _on_tick(self, tick: ClockTick) -> list[Event]:
        heard = self._heard
        if heard.last_chunk_us is None:
            heard.last_chunk_us = tick.at_us  # the wait for a first byte counts from here
        if heard.silent or tick.at_us - heard.last_chunk_us < SILENT_AFTER_US:
            return []
        heard.silent = True
        return [
            Noticed(
                text="Nothing has come from the device for 2 seconds. Is it powered, and is it "
                "the right port? Check the plug and the board's light."
            )
        ]

    def _on_card(self, card: CardText) -> list[Event]:
        where = f"{self._capture or 'capture'}: {card.which} card"
        if card.which == "engine" and not self._engine_fixed:
            self._engine = engine_card(card.toml, where=where)
        elif card.which == "rig" and not self._rig_fixed:
            self._rig = rig_card(card.toml, where=where)
        else:
            return []
        if self._chain is not None:
            return self._notice_once(
                f"The {card.which} card arrived after the first data; its sensor keys count from "
                "the next replay on."
            )
        return []

    def _on_closed(self, closed: PortClosed) -> list[Event]:
        # What was cut in mid-frame can never be completed by the next stream.
        events = self._take(self._decoder.finish(), None)
        self._decoder = StreamDecoder()
        if closed.reason:
            events.append(Noticed(text=f"The port was closed: {closed.reason}."))
        return events

    def _take(self, messages: Sequence[Message], at_us: int | None) -> list[Event]:
        if not messages:
            return []
        events: list[Event] = []
        for message in messages:
            if isinstance(message, Gap):
                events += self._count(message)
        chain = self._signal_chain()
        if chain.feed(messages, at_us):
            events += self._on_cycles(chain)
        return events

    def _count(self, gap: Gap) -> list[Event]:
        if gap.line:
            self._heard.lines_skipped += gap.lost
        else:
            self._heard.gaps += 1
        if gap.kind is GapKind.VERSION:
            return self._notice_once(
                f"The device speaks a newer protocol ({gap.detail}). Update vaclog."
            )
        return []

    def _notice_once(self, text: str) -> list[Event]:
        if text in self._heard.told:
            return []
        self._heard.told.add(text)
        return [Noticed(text=text)]

    def _on_cycles(self, chain: SignalChain) -> list[Event]:
        table = chain.cycles()
        last = len(table) - 1
        events: list[Event] = [
            CyclesGrew(
                cycles=len(table),
                at_us=int(table.end_us[last]),
                rpm=float(table.rpm[last]),
                pressure_kpa=float(table.pressure_kpa[last]),
                advance_deg=float(table.advance_deg[last]),
            )
        ]
        if self._every and len(table) >= self._next_provisional:
            self._next_provisional = len(table) + self._every
            events.append(self._provisional(chain))
        return events

    def _provisional(self, chain: SignalChain) -> Provisional:
        phase, fit = provisional(chain.cycles(), chain.background(), self._engine)
        return Provisional(cycles=len(chain.cycles()), phase=phase, fit=fit)
