"""The session itself: takes records, gives events and at the end the result.

Enters: every :data:`~vaclog.records.Record` of a capture, in order, live or replayed. Leaves:
events while it goes on, and one :class:`~vaclog.result.Result` from :meth:`Session.finish`.
With somebody to lead the hand (``lead``), instructions are among the events.

A session knows no ports, clocks, threads or files, so a replayed capture gives the same bytes
of result as the live session did. Cycles and a coarse background are kept; raw samples are
not (they live in the capture). Provisional views are driven by the count of cycles, never by
load or elapsed time, and have no part in the final result.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from vaclog.analysis.conclude import Tables, conclude, provisional
from vaclog.analysis.holds.readings import Heard
from vaclog.cards import EngineCard, RigCard, engine_card, rig_card
from vaclog.guidance.instructions import Instruction
from vaclog.guidance.scene import Options
from vaclog.guidance.view import View
from vaclog.records import (
    CardText,
    Chunk,
    ClockTick,
    OperatorInput,
    PortClosed,
    PortOpened,
    Record,
)
from vaclog.result import Result
from vaclog.result.road import HeardBy
from vaclog.session.events import CyclesGrew, Event, Instruct, Noticed, Provisional
from vaclog.session.leader import WANTS, Lead, Leader
from vaclog.signals.chain import SignalChain
from vaclog.signals.tables import CycleTable, FloatArray
from vaclog.units import standard_atmosphere_kpa
from vaclog.wire.detect import StreamDecoder
from vaclog.wire.messages import Gap, GapKind, Marker, Message

# A device that sends 50 frames a second and has been quiet for this long is not merely late.
# Ticks come at least every 350 ms, so that it is said before two seconds are over.
SILENT_AFTER_US: Final = 1_600_000

# While the device goes on without a cycle, who leads is shown that after so long, and again.
# Later than an engine that runs down, sooner than that the device itself is called lost.
STILL_AFTER_US: Final = 2_000_000
STILL_EVERY_US: Final = 250_000

# A ball that shows every cycle's own scatter cannot be read; a second of idle can, and the
# engine itself takes about that long to answer.
MEAN_CYCLES: Final = 8

# The barometer hardly changes, and looking for it reads the whole background.
BAROMETER_EVERY: Final = 64

# A tap that says: it pinked just now. A bare marker says the same while the car is driven.
PINKING: Final = "pinking"


@dataclass(slots=True)
class _Heard:
    """What was heard beside the readings themselves."""

    gaps: int = 0
    lines_skipped: int = 0
    last_chunk_us: int | None = None
    silent: bool = False
    told: set[str] = field(default_factory=set)
    taps: list[tuple[int, HeardBy]] = field(default_factory=list)
    readings: Heard = field(default_factory=Heard)


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
    lead
        Makes who leads the hand, once the cards are known (``Guide``); None: nobody.
    """

    def __init__(
        self,
        *,
        capture: str = "",
        engine: EngineCard | None = None,
        rig: RigCard | None = None,
        provisional_every: int = 0,
        lead: Lead | None = None,
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
        self._lead = lead
        self._leader: Leader | None = None
        self._options = Options()
        self._barometer_kpa: float | None = None
        self._next_barometer = 1
        self._next_still_us: int | None = None  # None before the first cycle

    @property
    def engine(self) -> EngineCard:
        """The engine card in force."""
        return self._engine

    @property
    def rig(self) -> RigCard:
        """The rig card in force."""
        return self._rig

    def cycles(self) -> CycleTable:
        """All cycles so far; of the whole capture after :meth:`finish`.

        For work that a capture alone does not hold, such as a sound recording of the drive.
        """
        return self._signal_chain().cycles()

    def view(self) -> View | None:
        """What a page shows now; None while nobody leads."""
        return None if self._leader is None else self._leader.view()

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
                return self._on_input(record)
            case CardText():
                return self._on_card(record)
            case PortOpened():
                self._heard.last_chunk_us = record.at_us  # the wait for bytes counts from here
                self._heard.silent = False
                return []
            case PortClosed():
                return self._on_closed(record)

    def due_us(self) -> int | None:
        """Host time before which a chunk may as well wait for the one after it; None: unknown.

        Nothing comes of it earlier. What comes of the records depends on their order alone.
        """
        return None if self._chain is None else self._chain.due_us()

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
        marker_us, marker_text = chain.markers()
        buttons: list[tuple[int, HeardBy]] = [(int(at), "button") for at in marker_us]
        tables = Tables(
            cycles=chain.cycles(),
            background=chain.background(),
            report=chain.report(),
            capture=self._capture,
            gaps=self._heard.gaps,
            lines_skipped=self._heard.lines_skipped,
            marks=(*buttons, *self._heard.taps),
            readings=self._heard.readings.gathered(marker_us.tolist(), marker_text),
        )
        return conclude(tables, self._engine, self._rig)

    def _signal_chain(self) -> SignalChain:
        if self._chain is None:
            self._chain = SignalChain(self._engine, self._rig)
            if self._lead is not None:
                self._leader = self._lead(self._engine, self._rig, self._options)
        return self._chain

    def _on_chunk(self, chunk: Chunk) -> list[Event]:
        self._heard.last_chunk_us = chunk.at_us
        self._heard.silent = False
        return self._take(self._decoder.feed(chunk.data), chunk.at_us)

    def _on_tick(self, tick: ClockTick) -> list[Event]:
        heard = self._heard
        events = self._instruct(self._leader.on_tick(tick.at_us)) if self._leader else []
        if heard.last_chunk_us is None:
            heard.last_chunk_us = tick.at_us
        if heard.silent or tick.at_us - heard.last_chunk_us < SILENT_AFTER_US:
            return events
        heard.silent = True
        silent = Noticed(
            text="Nothing has come from the device for nearly 2 seconds. Is it powered, and is it "
            "the right port? Check the plug and the board's light."
        )
        return [silent, *events]

    def _on_input(self, operator: OperatorInput) -> list[Event]:
        if operator.kind == "tap" and operator.text.startswith(WANTS):
            return self._on_wants(operator.text.removeprefix(WANTS))
        if operator.kind == "strobe":
            at_us = 0 if self._chain is None else self._chain.to_device_us(operator.at_us)
            self._heard.readings.take(operator, at_us)
        if operator.kind == "marker" or operator.text == PINKING:
            # Placed now: the map to the device's clock is best for what has just been.
            at_us = self._signal_chain().to_device_us(operator.at_us)
            self._heard.taps.append((at_us, "tap"))
        return self._instruct(self._leader.on_input(operator)) if self._leader else []

    def _on_wants(self, text: str) -> list[Event]:
        try:
            self._options = replace(self._options, **json.loads(text))
        except (TypeError, ValueError):
            return self._notice_once(f"These options of the guidance are not understood: {text}.")
        return []

    @staticmethod
    def _instruct(instructions: Sequence[Instruction]) -> list[Event]:
        return [Instruct(instruction=each) for each in instructions]

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
            if self._leader is not None:
                events += self._instruct(self._leader.on_lost())
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
            events += self._on_cycles(chain, at_us)
        else:
            events += self._on_none(chain, at_us)
        if self._leader is not None:
            for message in messages:
                if isinstance(message, Marker):
                    events += self._instruct(self._leader.on_marker())
        return events

    def _count(self, gap: Gap) -> list[Event]:
        if gap.line:
            self._heard.lines_skipped += gap.lost
        elif gap.lost:
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

    def _on_cycles(self, chain: SignalChain, at_us: int | None) -> list[Event]:
        table = chain.cycles()
        last, tail = len(table) - 1, slice(-MEAN_CYCLES, None)
        self._look_for_barometer(chain, len(table))
        events: list[Event] = [
            CyclesGrew(
                cycles=len(table),
                at_us=int(table.end_us[last]),
                rpm=float(table.rpm[last]),
                pressure_kpa=float(table.pressure_kpa[last]),
                advance_deg=float(table.advance_deg[last]),
                mean_rpm=_mean(table.rpm[tail]),
                mean_kpa=_mean(table.pressure_kpa[tail]),
                mean_deg=_mean(table.advance_deg[-MEAN_CYCLES // 2 :]),
                barometer_kpa=self._barometer_kpa,
            )
        ]
        if at_us is not None:
            self._next_still_us = at_us + STILL_AFTER_US
        if self._leader is not None:
            events += self._lead_on(chain, table, at_us)
        if self._every and len(table) >= self._next_provisional:
            self._next_provisional = len(table) + self._every
            events.append(self._provisional(chain))
        return events

    def _on_none(self, chain: SignalChain, at_us: int | None) -> list[Event]:
        """The device goes on, and no cycle is complete: for longer than one takes?"""
        due_us = self._next_still_us
        if self._leader is None or at_us is None or due_us is None or at_us < due_us:
            return []
        self._next_still_us = at_us + STILL_EVERY_US
        return self._lead_on(chain, chain.cycles(), at_us)

    def _lead_on(self, chain: SignalChain, table: CycleTable, at_us: int | None) -> list[Event]:
        assert self._leader is not None
        return self._instruct(
            self._leader.on_cycles(
                table,
                chain.background(with_open=False),
                at_us=at_us,
                barometer_kpa=self._barometer_kpa,
            )
        )

    def _look_for_barometer(self, chain: SignalChain, cycles: int) -> None:
        """Look again now and then, counted in cycles; without one, by the card's altitude."""
        if cycles < self._next_barometer:
            return
        self._next_barometer = cycles + BAROMETER_EVERY
        self._barometer_kpa = chain.report().barometer_kpa
        if self._barometer_kpa is None and self._engine.altitude_m is not None:
            self._barometer_kpa = standard_atmosphere_kpa(self._engine.altitude_m)

    def _provisional(self, chain: SignalChain) -> Provisional:
        phase, fit = provisional(chain.cycles(), chain.background(), self._engine)
        return Provisional(cycles=len(chain.cycles()), phase=phase, fit=fit)


def _mean(values: FloatArray) -> float:
    """Mean of what is known; NaN where nothing is."""
    good = [each for each in values.tolist() if not math.isnan(each)]
    return sum(good) / len(good) if good else math.nan
