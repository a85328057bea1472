"""The chain from messages to the tables of the analysis.

Enters: messages of a decoder with the host time of their arrival. Leaves: the cycle table,
the background, markers, and what was noticed about the rig.

The tables do not depend on how the messages were cut into feeds, and the cost of a feed
depends on what it brings, not on how much there was before.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vaclog.cards import EngineCard, RigCard
from vaclog.signals.background import BackgroundBuilder
from vaclog.signals.barometer import barometer_kpa
from vaclog.signals.clock import HOLD_US, RESET_GAP_US, HostMap, TickClock
from vaclog.signals.cycles import CycleBuilder
from vaclog.signals.diagnosis import Evidence, Medians, warnings
from vaclog.signals.inbox import Inbox
from vaclog.signals.tables import Background, CycleTable, IntArray, SignalReport
from vaclog.signals.turning import Turning
from vaclog.wire.messages import (
    DeviceLoss,
    Hello,
    Marker,
    Message,
    Pressure,
    PulseKind,
    Pulses,
)

# Starters turn an engine at 120 … 300 rpm; engines idle at 450 and above (common practice).
_CRANKING_RPM = 350.0
_CRANKING_PART_OF_IDLE = 0.6

# Between cycles so much is gathered at most: bins of the background close a little later.
_GATHER_US = 200_000

# Devices that were already talking when the capture began are taken to be as the reference
# firmware until they say otherwise.
_ASSUMED = Hello(version=1, boot=0, tick_ns=500, adc_bits=10)


class SignalChain:
    """Turns messages into tables.

    Parameters
    ----------
    engine, rig
        The cards.
    """

    def __init__(self, engine: EngineCard, rig: RigCard) -> None:
        self._engine = engine
        self._rig = rig
        cranking = _CRANKING_RPM
        if engine.idle_rpm is not None:
            cranking = min(cranking, _CRANKING_PART_OF_IDLE * engine.idle_rpm)
        self._hello: Hello | None = None
        self._host = HostMap()
        self._last_at: int | None = None
        self._markers: list[tuple[int, str]] = []
        self._background = BackgroundBuilder()
        self._builder = CycleBuilder(
            rig, cylinders=engine.cylinders, cranking_rpm=cranking, adc_bits=_ASSUMED.adc_bits
        )
        self._inbox = Inbox(TickClock(_ASSUMED.tick_ns))
        self._background.begin_boot(self._builder.scale)
        self._turning = Turning(engine, rig)
        self._boots = 0
        self._body = 0
        self._late = 0
        self._dropped = Dropped()

    # What enters ---------------------------------------------------------------------------

    def feed(self, messages: Sequence[Message], at_us: int | None = None) -> int:
        """Take messages.

        Parameters
        ----------
        messages
            What a decoder gave, in its order. One call should carry less than half a wrap of
            the tick counter (18 minutes at 500 ns).
        at_us
            Host time of arrival, if there is one.

        Returns
        -------
        int
            Number of new rows of the cycle table.
        """
        before = len(self._builder)
        stretch: list[Pressure | Pulses | Marker] = []
        for message in messages:
            if isinstance(message, Hello):
                if self._is_boot(message):
                    self._take(stretch, at_us)
                    stretch = []
                    self._begin_boot(message, at_us)
                self._hello = message
            elif isinstance(message, DeviceLoss):
                self._dropped.add(message)
            elif isinstance(message, Pressure | Pulses | Marker):
                stretch.append(message)
        self._take(stretch, at_us)
        if at_us is not None and stretch:
            self._last_at = at_us
        if at_us is not None and stretch and self._inbox.clock.zero is not None:
            self._host.add(host_us=at_us, device_us=self._inbox.newest_us)
        return len(self._builder) - before

    def finish(self) -> int:
        """Nothing more will come: complete what can be completed.

        Returns
        -------
        int
            Number of new rows.
        """
        before = len(self._builder)
        self._drain(final=True)
        return len(self._builder) - before

    def _is_boot(self, hello: Hello) -> bool:
        known = self._hello or _ASSUMED
        same_scale = (hello.tick_ns, hello.adc_bits) == (known.tick_ns, known.adc_bits)
        # The first hello names a boot that is under way.
        return not same_scale or (self._hello is not None and hello.boot != self._hello.boot)

    def _begin_boot(self, hello: Hello, at_us: int | None) -> None:
        self._drain(final=True)
        self._late += self._inbox.late
        clock = self._inbox.clock
        base = 0
        if clock.latest is not None:
            gap = RESET_GAP_US
            if at_us is not None and self._last_at is not None:
                gap = max(gap, at_us - self._last_at)
            base = self._inbox.last_us + gap
            self._boots += 1
        self._inbox = Inbox(TickClock(hello.tick_ns, base))
        self._builder.begin_boot(hello.adc_bits)
        self._background.begin_boot(self._builder.scale)
        self._host.restart()
        self._turning.begin_boot()
        self._dropped.begin_boot()

    def _take(self, stretch: Sequence[Pressure | Pulses | Marker], at_us: int | None) -> None:
        if not stretch:
            return
        if self._inbox.steps_back(stretch):
            self._begin_boot(self._hello or _ASSUMED, at_us)
        self._inbox.gather(stretch)
        if self._is_due():
            self._drain(final=False)

    def _is_due(self) -> bool:
        """Whether a cycle may be complete by now, or enough has been gathered anyway.

        Everything further along the chain costs about the same for one read as for ten.
        """
        inbox = self._inbox
        if inbox.clock.zero is None:
            return True
        if inbox.newest_us - inbox.last_us >= _GATHER_US:
            return True
        expected_us = self._builder.expected_us
        # A cycle that is very late does not come: the engine stands still.
        return expected_us is not None and 0 <= inbox.certain_us - expected_us < _GATHER_US

    def due_us(self) -> int | None:
        """Host time before which nothing can come of a read, whatever it brings; None: unknown.

        Caches are cold after each rest, so that the first read of several costs as much to
        decode as the next ten. A read can wait while the cycle that runs cannot be complete yet.
        """
        expected_us = self._builder.expected_us
        if expected_us is None:
            return None
        return self._host.soonest_us(min(expected_us + HOLD_US, self._inbox.last_us + _GATHER_US))

    # Along the chain -----------------------------------------------------------------------

    def _drain(self, *, final: bool) -> None:
        ready = self._inbox.take(final=final)
        if ready is None:
            return
        self._markers += ready.markers
        self._background.add_pressure(ready.pressure_us, ready.counts)
        self._builder.pressure.append(ready.pressure_us, ready.counts, ready.upto_us)
        self._builder.body.append(*ready.pulses[PulseKind.BODY])
        self._body += len(ready.pulses[PulseKind.BODY][0])
        turned = self._turning.feed(ready, self._builder)
        self._background.add_pulses(sparks=turned.sparks, coils=turned.coils, marks=turned.marks)
        self._builder.add_edges(turned.edges)
        self._builder.finish_ready(
            upto_us=self._inbox.last_us + 1 if ready.upto_us is None else ready.upto_us,
            marks_upto_us=self._turning.marks_settled_us,
            coils_upto_us=self._turning.coils_settled_us,
            final=final,
        )

    # What leaves ---------------------------------------------------------------------------

    def cycles(self) -> CycleTable:
        """All cycles so far.

        The advance of all rows is from one source, the best that most rows have.
        """
        return self._builder.table(self._evidence().source)

    def background(self, *, with_open: bool = True) -> Background:
        """All bins so far, with the last one that may not be full yet or without it."""
        by_coil = self._turning.source is PulseKind.COIL
        return self._background.table(by_coil=by_coil, with_open=with_open)[0]

    def markers(self) -> tuple[IntArray, tuple[str, ...]]:
        """Times, int64 [k], and texts of the markers so far."""
        times = np.array([m[0] for m in self._markers], np.int64)
        return times, tuple(m[1] for m in self._markers)

    def to_device_us(self, host_us: int) -> int:
        """Device time of a host time; the newest record's while the host clock is unknown."""
        placed = self._host.to_device_us(host_us)
        return self._inbox.last_us if placed is None else placed

    def report(self) -> SignalReport:
        """What was noticed."""
        table, rail = self._background.table(by_coil=self._turning.source is PulseKind.COIL)
        running = self._builder.running_kpa()
        medians = Medians(
            rest_kpa=barometer_kpa(table, rail, None),
            running_kpa=running,
            mark_deg=self._builder.median_deg("mark_deg"),
            body_deg=self._builder.median_deg("body_deg"),
        )
        return SignalReport(
            duration_us=max(self._inbox.last_us, 0),
            barometer_kpa=barometer_kpa(table, rail, running),
            warnings=tuple(warnings(self._evidence(), medians)),
        )

    def _evidence(self) -> Evidence:
        return Evidence(
            engine=self._engine,
            rig=self._rig,
            duration_us=self._inbox.last_us,
            samples=self._background.samples,
            low_rail=self._background.low_rail,
            high_rail=self._background.high_rail,
            tally=self._builder.tally,
            pickup=self._turning.pickup,
            turning_by=self._turning.source,
            spark=self._turning.count(PulseKind.SPARK),
            coil=self._turning.count(PulseKind.COIL),
            mark=self._turning.count(PulseKind.MARK),
            body=self._body,
            restarts=self._boots,
            late=self._late + self._inbox.late,
            dropped_events=self._dropped.events,
            dropped_samples=self._dropped.samples,
        )


class Dropped:
    """Totals of what devices say that they dropped; their counters wrap at 2**16."""

    def __init__(self) -> None:
        self.events = 0
        self.samples = 0
        self._last: DeviceLoss | None = None

    def begin_boot(self) -> None:
        """Counters start again at 0."""
        self._last = DeviceLoss(events=0, samples=0, frames=0)

    def add(self, loss: DeviceLoss) -> None:
        """Take a report; what was dropped before the capture began does not count."""
        if self._last is not None:
            self.events += (loss.events - self._last.events) % 65536
            self.samples += (loss.samples - self._last.samples) % 65536
        self._last = loss
