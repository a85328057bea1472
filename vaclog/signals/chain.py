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
from vaclog.signals.advance import mark_advance
from vaclog.signals.background import BackgroundBuilder
from vaclog.signals.barometer import barometer_kpa
from vaclog.signals.clock import RESET_GAP_US, HostMap, TickClock
from vaclog.signals.cycles import CycleBuilder
from vaclog.signals.edges import CycleEdges
from vaclog.signals.inbox import Inbox, Sorted
from vaclog.signals.pulses import Rhythm
from vaclog.signals.tables import (
    AdvanceFrom,
    Background,
    CycleFlag,
    CycleTable,
    IntArray,
    SignalReport,
)
from vaclog.wire.messages import Hello, Marker, Message, Pressure, PulseKind, Pulses

# Faster than this no engine with a distributor runs (common practice).
_TOP_RPM = 8000.0
_RINGING_PART_OF_SHORTEST = 0.6
# Multi-spark boxes go on firing for some 20 degrees of the crank (makers' descriptions, common
# practice); ringing is over sooner at any speed.
_RINGING_DEG = 25.0
# 48 rpm: slower than any starter turns.
_LONGEST_CYCLE_US = 2_500_000

# Starters turn an engine at 120 … 300 rpm; engines idle at 450 and above (common practice).
_CRANKING_RPM = 350.0
_CRANKING_PART_OF_IDLE = 0.6

# Devices that were already talking when the capture began are taken to be as the reference
# firmware until they say otherwise.
_ASSUMED = Hello(version=1, boot=0, tick_ns=500, adc_bits=10)


def _rhythm(per_cycle: float) -> Rhythm:
    shortest = 120e6 / _TOP_RPM / per_cycle * _RINGING_PART_OF_SHORTEST
    silence = max(_LONGEST_CYCLE_US / per_cycle, 700_000)
    return Rhythm(
        shortest_us=int(shortest),
        silence_us=int(silence),
        ringing_part=_RINGING_DEG * per_cycle / 720.0,
    )


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
        self._delay = round(rig.spark.delay_us)
        pickups = {"no1": 1, "wasted": 2, "coil": engine.cylinders}
        self._per_cycle = pickups[rig.spark.pickup]
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
        self._begin_rhythms()

    def _begin_rhythms(self) -> None:
        self._spark = _rhythm(self._per_cycle)
        self._coil = _rhythm(self._engine.cylinders)
        self._mark = _rhythm(2)
        self._edges = CycleEdges(self._per_cycle, self._choose)
        self._marks_settled = 0

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
        stretch: list[Message] = []
        for message in messages:
            if isinstance(message, Hello):
                if self._is_boot(message):
                    self._take(stretch)
                    stretch = []
                    self._begin_boot(message, at_us)
                self._hello = message
            elif isinstance(message, Pressure | Pulses | Marker):
                stretch.append(message)
        self._take(stretch)
        if at_us is not None and stretch:
            self._host.add(host_us=at_us, device_us=self._inbox.last_us)
            self._last_at = at_us
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
        clock = self._inbox.clock
        base = 0
        if clock.latest is not None:
            gap = RESET_GAP_US
            if at_us is not None and self._last_at is not None:
                gap = max(gap, at_us - self._last_at)
            base = self._inbox.last_us + gap
        self._inbox = Inbox(TickClock(hello.tick_ns, base))
        self._builder.begin_boot(hello.adc_bits)
        self._background.begin_boot(self._builder.scale)
        self._host.restart()
        self._begin_rhythms()

    def _take(self, stretch: Sequence[Message]) -> None:
        if not stretch:
            return
        pressure = [m for m in stretch if isinstance(m, Pressure)]
        pulses = [m for m in stretch if isinstance(m, Pulses)]
        markers = [m for m in stretch if isinstance(m, Marker)]
        if self._inbox.steps_back(pressure, pulses, markers):
            self._begin_boot(self._hello or _ASSUMED, None)
        self._inbox.add(pressure, pulses, markers)
        self._drain(final=False)

    # Along the chain -----------------------------------------------------------------------

    def _drain(self, *, final: bool) -> None:
        ready = self._inbox.take(final=final)
        if ready is None:
            return
        self._markers += ready.markers
        self._background.add_pressure(ready.pressure_us, ready.counts)
        self._builder.pressure.append(ready.pressure_us, ready.counts, final=final)
        self._builder.body.append(*ready.pulses[PulseKind.BODY])
        self._turn(ready, final)
        upto = self._inbox.last_us + 1 if ready.upto_us is None else ready.upto_us
        self._builder.finish_ready(upto_us=upto, marks_upto_us=self._marks_settled, final=final)

    def _turn(self, ready: Sorted, final: bool) -> None:
        """Marks, sparks and the edges of cycles."""
        upto = ready.upto_us
        early = None if upto is None else upto - self._delay
        marks, mark_steps = self._mark.feed(ready.pulses[PulseKind.MARK][0], upto)
        self._builder.marks.append(marks, mark_steps)
        self._marks_settled = 0 if upto is None else self._mark.settled_us(upto)
        sparks, steps = self._spark.feed(ready.pulses[PulseKind.SPARK][0] - self._delay, early)
        coils, _ = self._coil.feed(ready.pulses[PulseKind.COIL][0] - self._delay, early)
        self._background.add_pulses(sparks=sparks, coils=coils, marks=marks)
        self._builder.add_edges(self._edges.feed(sparks, steps, final=final))

    def _choose(self, sparks: IntArray, ended: bool) -> int | None:
        """Which of the first sparks begins a cycle: the one that ignites No. 1 by its mark."""
        if self._rig.mark is None or len(sparks) < 2:
            return 0
        if not ended and self._marks_settled < 2 * sparks[-1] - sparks[-2]:
            return None
        marks = self._builder.marks
        advance = mark_advance(sparks, marks.us, marks.values, self._rig.mark.angle_deg)
        usual = 15.0 if self._engine.static_deg is None else self._engine.static_deg
        off = np.where(np.isfinite(advance), np.abs(advance - usual), 1e3)
        return int(np.argmin(off))

    # What leaves ---------------------------------------------------------------------------

    def cycles(self) -> CycleTable:
        """All cycles so far."""
        return self._builder.table(self._source())

    def background(self) -> Background:
        """All bins so far."""
        return self._background.table(by_coil=False)[0]

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
        table, rail = self._background.table(by_coil=False)
        kpa = self._builder.column("pressure_kpa")
        cranking = (self._builder.column("flags") & np.uint8(CycleFlag.CRANKING)) > 0
        running = kpa[~cranking & np.isfinite(kpa)]
        idle = float(np.median(running)) if len(running) else None
        return SignalReport(
            duration_us=self._inbox.last_us,
            barometer_kpa=barometer_kpa(table, rail, idle),
            warnings=(),
        )

    def _source(self) -> AdvanceFrom:
        """The best source of advance that enough cycles have."""
        for source, name in ((AdvanceFrom.MARK, "mark_deg"), (AdvanceFrom.BODY, "body_deg")):
            values = self._builder.column(name)
            if len(values) and np.isfinite(values).mean() >= 0.5:
                return source
        return AdvanceFrom.NONE
