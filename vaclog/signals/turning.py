"""Which pulses make the cycles.

Enters: sorted pulses of all pickups. Leaves: cycle edges, and the pulses that belong to the
engine's rhythm.

Sparks on the No. 1 lead (as the rig card says) come first. As long as none has been seen, a
pickup on the coil lead, or the crank marks alone, serve. The card's word on the pickup is
checked on the first cycles (:mod:`vaclog.signals.pickup`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from vaclog.cards import EngineCard, RigCard
from vaclog.signals.advance import mark_advance
from vaclog.signals.cycles import CycleBuilder
from vaclog.signals.edges import CycleEdges, Edge, fill
from vaclog.signals.inbox import Sorted
from vaclog.signals.pickup import (
    LEAST_CYCLES,
    LONGEST_LOOK_US,
    WANTED_CYCLES,
    PickupFinding,
    judge_pickup,
)
from vaclog.signals.pulses import BREAK, Rhythm
from vaclog.signals.tables import IntArray
from vaclog.units import CYCLE_DEG, cycle_us_from_rpm
from vaclog.wire.messages import PulseKind

# Faster than this no engine with a distributor runs (common practice).
_TOP_RPM = 8000.0
_RINGING_PART_OF_SHORTEST = 0.6
# Multi-spark boxes go on firing for some 20 degrees of the crank (makers' descriptions, common
# practice); ringing is over sooner at any speed.
_SPARK_RINGING_DEG = 25.0
# A second tooth is no ringing: it must be noticed.
_MARK_RINGING_DEG = 5.0
# 48 rpm: slower than any starter turns.
_LONGEST_CYCLE_US = 2_500_000
_SHORTEST_SILENCE_US = 700_000

_COIL_CYCLES = 3  # coil pulses of so many cycles, and no spark among them: they serve
_MARKS_ALONE = 200  # so many turns without any spark: the marks serve


# Sparks of a multi-spark box follow each other within a millisecond or two; a mark's comparator
# may chatter on its edge.
_SPARK_BURST_US = 2_000
_MARK_BURST_US = 300


def _rhythm(per_cycle: int, ringing_deg: float, burst_us: int) -> Rhythm:
    shortest = cycle_us_from_rpm(_TOP_RPM) / per_cycle * _RINGING_PART_OF_SHORTEST
    silence = max(_LONGEST_CYCLE_US / per_cycle, _SHORTEST_SILENCE_US)
    return Rhythm(
        shortest_us=int(shortest),
        silence_us=int(silence),
        ringing_part=ringing_deg * per_cycle / CYCLE_DEG,
        burst_us=burst_us,
    )


_Pulses: TypeAlias = tuple[IntArray, IntArray]  # times and steps
_NONE: _Pulses = (np.empty(0, np.int64), np.empty(0, np.int64))


@dataclass(slots=True)
class PulseCount:
    """Totals of one pickup over all boots."""

    received: int = 0
    accepted: int = 0
    missing: int = 0
    ringing: int = 0

    @property
    def strays(self) -> int:
        """Pulses from nowhere."""
        return self.received - self.accepted - self.ringing

    def add(self, rhythm: Rhythm) -> None:
        """Add the totals of a rhythm that has ended."""
        self.received += rhythm.received
        self.accepted += rhythm.accepted
        self.missing += rhythm.missing
        self.ringing += rhythm.ringing


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Turned:
    """Pulses that belong to the rhythm, int64 [n] each, and cycle edges."""

    sparks: IntArray
    coils: IntArray
    marks: IntArray
    edges: list[Edge]


class Turning:
    """Makes cycle edges.

    Attributes
    ----------
    pickup
        What the check of the spark pickup found; None: not checked yet.
    source
        The pulses that make the cycles: SPARK, COIL, MARK, or None as yet.
    marks_settled_us, coils_settled_us
        All marks, and all sparks of every cylinder, before these times are with the builder.
    """

    def __init__(self, engine: EngineCard, rig: RigCard) -> None:
        self._engine = engine
        self._rig = rig
        self._delay = round(rig.spark.delay_us)
        counts = {"no1": 1, "wasted": 2, "coil": engine.cylinders}
        self._declared = counts[rig.spark.pickup]
        self._totals = {kind: PulseCount() for kind in PulseKind}
        self.pickup: PickupFinding | None = None
        self.source: PulseKind | None = None
        self._rhythms: dict[PulseKind, Rhythm] = {}
        self.begin_boot()

    def begin_boot(self) -> None:
        """Another boot: nothing continues."""
        for kind, rhythm in self._rhythms.items():
            self._totals[kind].add(rhythm)
        self._rhythms = {
            PulseKind.SPARK: _rhythm(self._declared, _SPARK_RINGING_DEG, _SPARK_BURST_US),
            PulseKind.COIL: _rhythm(self._engine.cylinders, _SPARK_RINGING_DEG, _SPARK_BURST_US),
            PulseKind.MARK: _rhythm(2, _MARK_RINGING_DEG, _MARK_BURST_US),
        }
        self.marks_settled_us = 0
        self.coils_settled_us = 0
        self._waiting = _NONE  # pulses whose part in a cycle is not known yet
        self._early = _NONE  # sparks, before they make the cycles
        self._edges: CycleEdges | None = None
        self._idle_marks = 0

    def count(self, kind: PulseKind) -> PulseCount:
        """Totals of one pickup so far."""
        total = PulseCount()
        before = self._totals[kind]
        total.received, total.accepted = before.received, before.accepted
        total.missing, total.ringing = before.missing, before.ringing
        total.add(self._rhythms[kind])
        return total

    def feed(self, ready: Sorted, builder: CycleBuilder) -> Turned:
        """Take sorted pulses; marks go to the builder, edges come back."""
        upto = ready.upto_us
        mark = self._rhythms[PulseKind.MARK]
        marks, mark_steps = mark.feed(ready.pulses[PulseKind.MARK][0], upto)
        builder.marks.append(marks, mark_steps)
        self.marks_settled_us = 0 if upto is None else mark.settled_us(upto)
        early = None if upto is None else upto - self._delay
        sparks, steps = self._corrected(PulseKind.SPARK, ready, early)
        coils, coil_steps = self._corrected(PulseKind.COIL, ready, early)
        every = PulseKind.SPARK if self._rig.spark.pickup == "coil" else PulseKind.COIL
        builder.coils.append(
            *((sparks, steps) if every is PulseKind.SPARK else (coils, coil_steps))
        )
        self.coils_settled_us = 0 if early is None else self._rhythms[every].settled_us(early)
        edges: list[Edge] = []
        if self.source is not PulseKind.SPARK:
            edges += self._before_sparks(
                (sparks, steps), (coils, coil_steps), (marks, mark_steps), upto, builder
            )
        else:
            self._wait(sparks, steps)
        if self.source is PulseKind.SPARK:
            if self.pickup is None:
                edges += self._check(builder, upto)
            if self.pickup is not None:
                edges += self._flow(self.pickup.sparks_per_cycle, builder)
        if upto is None:
            edges += self._end()
        return Turned(sparks=sparks, coils=coils, marks=marks, edges=edges)

    def _corrected(self, kind: PulseKind, ready: Sorted, upto: int | None) -> _Pulses:
        """Pulses in rhythm with the pickup's delay taken off."""
        return self._rhythms[kind].feed(ready.pulses[kind][0] - self._delay, upto)

    def _wait(self, times: IntArray, steps: IntArray) -> None:
        self._waiting = _joined(self._waiting, (times, steps))

    def _flow(self, per_cycle: int, builder: CycleBuilder, until: int | None = None) -> list[Edge]:
        """Edges from the waiting pulses (the first ``until`` of them)."""
        times, steps = self._waiting
        until = len(times) if until is None else until
        self._waiting = (times[until:], steps[until:])
        if self._edges is None:

            def choose(sparks: list[int], ended: bool) -> int | None:
                return self._choose(sparks, ended, builder)

            self._edges = CycleEdges(per_cycle, choose, sparks=self.source is not PulseKind.MARK)
        return self._edges.feed(times[:until].tolist(), steps[:until].tolist(), final=False)

    def _end(self) -> list[Edge]:
        """Nothing continues here."""
        ended, self._edges = self._edges, None
        return [] if ended is None else ended.feed((), (), final=True)

    # Without a spark on the No. 1 lead -------------------------------------------------------

    def _before_sparks(
        self,
        sparks: _Pulses,
        coils: _Pulses,
        marks: _Pulses,
        upto: int | None,
        builder: CycleBuilder,
    ) -> list[Edge]:
        """Edges until the first spark; from then on sparks make the cycles.

        The change is made when no coil pulse or mark from before that spark is in doubt any
        more, however late that is.
        """
        self._early = _joined(self._early, sparks)
        first = _nth(self._early[0], 1)
        edges = self._without_sparks(_before(coils, first), _before(marks, first), builder)
        settled = upto
        if upto is not None:
            coil = self._rhythms[PulseKind.COIL]
            settled = min(self.marks_settled_us, coil.settled_us(upto - self._delay))
        if first is not None and (settled is None or settled > first):
            edges += self._end()
            self.source = PulseKind.SPARK
            self._waiting, self._early = self._early, _NONE
        return edges

    def _without_sparks(
        self,
        coils: _Pulses,
        marks: _Pulses,
        builder: CycleBuilder,
    ) -> list[Edge]:
        """Edges from the coil lead or the marks, once it is clear that they must serve."""
        if self.source is None:
            self._wait(*coils)
            coil_at = _nth(self._waiting[0], _COIL_CYCLES * self._engine.cylinders)
            left = _MARKS_ALONE - self._idle_marks
            self._idle_marks += len(marks[0])
            mark_at = _nth(marks[0], left)
            first_coil = _nth(self._waiting[0], 1)
            if mark_at is not None and (first_coil is None or first_coil > mark_at):
                self.source = PulseKind.MARK
                self._waiting = (marks[0][left - 1 :], marks[1][left - 1 :].copy())
                self._waiting[1][:1] = BREAK
                return self._flow(2, builder)
            if coil_at is not None:
                self.source = PulseKind.COIL
                return self._flow(self._engine.cylinders, builder)
            return []
        self._wait(*(marks if self.source is PulseKind.MARK else coils))
        return self._flow(2 if self.source is PulseKind.MARK else self._engine.cylinders, builder)

    # The check of the card -------------------------------------------------------------------

    def _check(self, builder: CycleBuilder, upto: int | None) -> list[Edge]:
        """Judge the pickup as soon as enough sparks in a row are there.

        Stretches too short to judge by go ahead as the card says.
        """
        edges: list[Edge] = []
        while self.pickup is None and len(self._waiting[0]):
            times, steps = self._waiting
            later = np.flatnonzero(steps[1:] == BREAK)
            length = int(later[0]) + 1 if len(later) else len(times)
            ended = bool(len(later)) or upto is None
            until = self._enough(times[:length], ended)
            if until is None:
                if not ended:
                    break
                edges += self._flow(self._declared, builder, until=length)
                edges += self._end()
                continue
            known = min(self.marks_settled_us, upto) if upto is not None else None
            if known is not None and times[until - 1] >= known:
                break
            even = fill(times[: until - 1].tolist(), steps[: until - 1].tolist(), None)
            self.pickup = judge_pickup(
                np.array([time for time, _ in even], np.int64),
                declared=self._declared,
                cylinders=self._engine.cylinders,
                idle_rpm=self._engine.idle_rpm,
                pressure=builder.pressure,
                marks=builder.marks,
            )
        return edges

    def _enough(self, times: IntArray, ended: bool) -> int | None:
        """How many sparks of a stretch to judge by, None: too few as yet."""
        least, wanted = (n * self._declared + 2 for n in (LEAST_CYCLES, WANTED_CYCLES))
        long = int(np.searchsorted(times, times[0] + LONGEST_LOOK_US)) + 1
        until = min(wanted, max(long, least))
        if until <= len(times):
            return until
        return len(times) if ended and len(times) >= least else None

    def _choose(self, sparks: list[int], ended: bool, builder: CycleBuilder) -> int | None:
        """Which of the first sparks begins a cycle: the one that ignites No. 1 by its mark."""
        if self._rig.mark is None or len(sparks) < 2 or self.source is PulseKind.MARK:
            return 0
        if not ended and self.marks_settled_us < 2 * sparks[-1] - sparks[-2]:
            return None
        advance = mark_advance(
            np.array(sparks, np.int64),
            builder.marks.us,
            builder.marks.values,
            self._rig.mark.angle_deg,
        )
        usual = 15.0 if self._engine.static_deg is None else self._engine.static_deg
        off = np.where(np.isfinite(advance), np.abs(advance - usual), 1e3)
        return int(np.argmin(off))


def _before(pulses: _Pulses, limit: int | None) -> _Pulses:
    times, steps = pulses
    n = len(times) if limit is None else int(np.searchsorted(times, limit))
    return times[:n], steps[:n]


def _joined(first: _Pulses, then: _Pulses) -> _Pulses:
    if not len(then[0]):
        return first
    return np.concatenate((first[0], then[0])), np.concatenate((first[1], then[1]))


def _nth(times: IntArray, n: int) -> int | None:
    """Time of the n-th pulse, counted from 1."""
    return int(times[n - 1]) if 1 <= n <= len(times) else None
