"""Exact 720-degree cycles: each row as soon as all that it needs has arrived.

Enters: pressure samples, marks, body readings and cycle edges, each in order of time. Leaves:
rows of the cycle table: pressures (:mod:`~vaclog.signals.in_cycle`), speed, advance, flags.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vaclog.cards import RigCard
from vaclog.signals.advance import (
    AdvanceKeeper,
    body_counts_at,
    mark_advance,
)
from vaclog.signals.edges import Edge
from vaclog.signals.growing import Growing
from vaclog.signals.in_cycle import GREATEST, LEAST, MEAN, SLOTS, pressures, slot_sparks
from vaclog.signals.scales import PressureScale, body_deg
from vaclog.signals.tables import AdvanceFrom, CycleFlag, CycleTable, FloatArray, IntArray
from vaclog.signals.tails import LONGEST_HOLE_US, PressureTail, PulseTail
from vaclog.signals.tally import Tally
from vaclog.units import rpm_from_cycle_us

# As plain numbers: operations of flag types cost more than all the rest of a row.
_CRANKING, _SPLIT = int(CycleFlag.CRANKING), int(CycleFlag.SPLIT)
_GAP, _RAIL, _AFTER_BREAK = int(CycleFlag.GAP), int(CycleFlag.RAIL), int(CycleFlag.AFTER_BREAK)

_GAP_PART = 0.1
_BLIND_PART = 0.5  # with more than this missing, the mean is no measurement

_MARK_REACH = 0.3
"""Part of a cycle within which an edge's own mark is looked for: half a turn and a margin."""

_SOONER = 0.97
"""The next cycle may be shorter than the last by so much without being noticed late: an idling
engine's vary by a per cent or two."""

_LITTLE_ASKED = 0.2
"""Share of the cycles that are taken for the least that was asked of the engine."""

_LONGEST_TAIL_US = 12_000_000
"""Longest cycle that can be bridged: 2.5 s of silence, three sparks missing."""


class CycleBuilder:
    """Makes rows of the cycle table as soon as all that they need has arrived.

    Parameters
    ----------
    rig
        The rig card.
    cylinders
        Number of slots.
    cranking_rpm
        Below this speed a starter turns the engine.
    adc_bits
        Resolution of the counts of the boot that begins.
    """

    def __init__(self, rig: RigCard, *, cylinders: int, cranking_rpm: float, adc_bits: int) -> None:
        self._rig = rig
        self._slots = cylinders
        self._cranking_rpm = cranking_rpm
        self._keeper = AdvanceKeeper()
        self.tally = Tally()
        self._columns = {
            "start_us": Growing(np.int64),
            "end_us": Growing(np.int64),
            "rpm": Growing(np.float64),
            "pressure_kpa": Growing(np.float64),
            "min_kpa": Growing(np.float64),
            "max_kpa": Growing(np.float64),
            "slot_kpa": Growing(np.float64, cylinders),
            "turn_us": Growing(np.float64, 2),
            "coil_us": Growing(np.float64, cylinders),
            "mark_deg": Growing(np.float64),
            "body_deg": Growing(np.float64),
            "flags": Growing(np.uint8),
        }
        self._sources = {source: Growing(np.uint8) for source in AdvanceFrom}
        self.begin_boot(adc_bits)

    def begin_boot(self, adc_bits: int) -> None:
        """Start anew with another boot of the device; all before it must be finished."""
        self.scale = PressureScale(self._rig.pressure, adc_bits)
        self.pressure = PressureTail(self.scale)
        self.marks = PulseTail()
        self.body = PulseTail()
        self.coils = PulseTail()
        self._edges: list[Edge] = []
        self._linked = False  # whether the last row's end is the first waiting edge
        self.expected_us: int | None = None  # when the next row can be made, in a steady rhythm

    def __len__(self) -> int:
        return len(self._columns["start_us"])

    def column(self, name: str) -> NDArray[Any]:
        """One column of all rows so far."""
        return self._columns[name].view()

    def running_kpa(self) -> float | None:
        """Pressure of the firing engine while little is asked of it; None if it never fired.

        A low quantile and not the median: on the road the engine may pull at full throttle
        most of the time, with nearly the open air in its manifold.
        """
        kpa = self.column("pressure_kpa")
        cranking = self.column("flags") & np.uint8(CycleFlag.CRANKING)
        known = kpa[(cranking == 0) & np.isfinite(kpa)]
        return float(np.quantile(known, _LITTLE_ASKED)) if len(known) else None

    def median_deg(self, name: str) -> float | None:
        """Median advance of one source, ``mark_deg`` or ``body_deg``."""
        known = self.column(name)
        known = known[np.isfinite(known)]
        return float(np.median(known)) if len(known) else None

    def add_edges(self, edges: list[Edge]) -> None:
        """Take cycle edges in order of time."""
        self._edges += edges

    def finish_ready(
        self, *, upto_us: int, marks_upto_us: int, coils_upto_us: int, final: bool
    ) -> int:
        """Make the rows that can be made.

        Parameters
        ----------
        upto_us
            All samples and body readings before this time are here.
        marks_upto_us, coils_upto_us
            All marks, and all sparks of every cylinder, before these times are here.
        final
            Nothing more is to come.

        Returns
        -------
        int
            Number of new rows.
        """
        ready = self._ready(upto_us, marks_upto_us, coils_upto_us, final)
        if ready:
            self._refine(ready)
            self._rows(ready)
            del self._edges[:ready]
        self._forget(upto_us)
        return ready

    def _ready(self, upto_us: int, marks_upto_us: int, coils_upto_us: int, final: bool) -> int:
        """How many of the waiting edges end something that is complete."""
        waiting = max(len(self._edges) - 1, 0)
        if final or not waiting:
            return waiting
        if self.pressure.held:
            return 0
        newest = int(self.pressure.us[-1]) if len(self.pressure.us) else -(1 << 62)
        sampled = max(newest, upto_us - LONGEST_HOLE_US)
        for ready, (before, edge) in enumerate(pairwise(self._edges)):
            end = edge.us
            reach = int((end - before.us) * _MARK_REACH)
            if end > sampled or end >= upto_us or end > coils_upto_us:
                return ready
            if end + reach >= marks_upto_us:
                return ready
        return waiting

    def _refine(self, ready: int) -> None:
        """Move edges without a spark to where the marks say that it was."""
        edges = self._edges
        for row in range(1, ready + 1):
            if edges[row].filled and not edges[row].begins:
                us = self._by_marks(edges[row - 1].us, edges[row].us)
                edges[row] = edges[row]._replace(us=us)

    def _by_marks(self, before: int, guess: int) -> int:
        """Time of an unseen spark: as far from its mark as the spark before was from its own."""
        cycle = guess - before
        marks, steps = self.marks.us, self.marks.values
        own, then = _nearest(marks, before), _nearest(marks, guess)
        if own is None or then is None or then <= own or steps[then] != 1:
            return guess
        turn = int(marks[then] - marks[then - 1])
        if abs(turn - cycle // 2) > cycle // 8:
            return guess
        if own + 1 < len(marks) and steps[own + 1] == 1:
            own_turn = int(marks[own + 1] - marks[own])
        else:
            own_turn = turn
        refined = int(marks[then]) + (before - int(marks[own])) * turn // own_turn
        return refined if abs(refined - guess) < cycle // 5 else guess

    def _rows(self, ready: int) -> None:
        edges = self._edges[: ready + 1]
        if not self._linked:
            edges[0] = edges[0]._replace(begins=True)
        # An edge that only begins a cycle ends none: the stretch before it is no cycle.
        spans = [(a, b) for a, b in pairwise(edges) if not b.begins]
        self._linked = not edges[-1].begins
        if not spans:
            return
        start = np.array([a.us for a, _ in spans], np.int64)
        end = np.array([b.us for _, b in spans], np.int64)
        rpm = rpm_from_cycle_us((end - start).astype(np.float64))
        p = pressures(self.pressure, start, end, self._slots)
        kpa = self.scale.kpa(p.levels)
        blind = p.absent_part > _BLIND_PART
        if blind.any():
            kpa[blind, MEAN] = np.nan
            kpa[blind, SLOTS:] = np.nan
        flags = [
            (_SPLIT if a.filled or b.filled else 0)
            | (_AFTER_BREAK if a.begins else 0)
            | (_CRANKING if speed < self._cranking_rpm else 0)
            | (_GAP if absent > _GAP_PART else 0)
            | (_RAIL if railed else 0)
            for (a, b), speed, absent, railed in zip(
                spans, rpm.tolist(), p.absent_part.tolist(), p.railed.tolist(), strict=True
            )
        ]
        unseen = [a.filled or not a.spark for a, _ in spans]
        mark_deg, turns, marks = self._from_marks(start, end, unseen)
        mark_deg = self._keeper.feed(mark_deg, [a.begins for a, _ in spans])
        body_deg = self._from_body(start, end)
        columns = {
            "start_us": start,
            "end_us": end,
            "rpm": rpm,
            "pressure_kpa": kpa[:, MEAN],
            "min_kpa": kpa[:, LEAST],
            "max_kpa": kpa[:, GREATEST],
            "slot_kpa": kpa[:, SLOTS:],
            "turn_us": turns,
            "coil_us": slot_sparks(start, end, self.coils, self._slots),
            "mark_deg": mark_deg,
            "body_deg": body_deg,
            "flags": np.array(flags, np.uint8),
        }
        for name, values in columns.items():
            self._columns[name].append(values)
        self._note_sources(mark_deg, body_deg)
        self.tally.add(flags, mark_deg.tolist(), body_deg.tolist(), marks)
        last = spans[-1][1].us
        whole = (1.0 + _MARK_REACH) * _SOONER * (last - spans[-1][0].us)
        self.expected_us = last + int(whole)

    def _note_sources(self, mark_deg: FloatArray, body_deg: FloatArray) -> None:
        """Where each row's advance comes from, for whichever source will be chosen."""
        for source, deg in ((AdvanceFrom.MARK, mark_deg), (AdvanceFrom.BODY, body_deg)):
            known = np.where(np.isfinite(deg), source, AdvanceFrom.NONE)
            self._sources[source].append(known.astype(np.uint8))
        self._sources[AdvanceFrom.NONE].append(np.full(len(deg), AdvanceFrom.NONE, np.uint8))

    def _from_marks(
        self, start: IntArray, end: IntArray, unseen: list[bool]
    ) -> tuple[FloatArray, FloatArray, list[int]]:
        """Advance, time of the two turns, and number of marks of each cycle."""
        marks, steps = self.marks.us.tolist(), self.marks.values.tolist()
        angle = self._rig.mark.angle_deg if self._rig.mark else math.nan
        advance = mark_advance(start, self.marks.us, self.marks.values, angle)
        advance[unseen] = np.nan
        spans = list(zip(start.tolist(), end.tolist(), strict=True))
        turns = np.array([_two_turns(marks, steps, *span) for span in spans])
        counted = [bisect_left(marks, until) - bisect_left(marks, since) for since, until in spans]
        return advance, turns, counted

    def _from_body(self, start: IntArray, end: IntArray) -> FloatArray:
        if self._rig.body is None:
            return np.full(len(start), np.nan)
        counts = body_counts_at(start, end, self.body.us, self.body.values)
        return body_deg(self._rig.body, counts)

    def _forget(self, upto_us: int) -> None:
        oldest = upto_us - _LONGEST_TAIL_US
        if self._edges:
            oldest = max(oldest, self._edges[0].us)
        # Marks and body readings are looked at up to two turns before the spark.
        self.pressure.drop_before(oldest)
        self.marks.drop_before(oldest - 3_000_000)
        self.body.drop_before(oldest - 3_000_000)
        self.coils.drop_before(oldest - 3_000_000)

    def table(self, source: AdvanceFrom) -> CycleTable:
        """All rows so far with the advance of one source."""
        if source == AdvanceFrom.MARK:
            advance = self.column("mark_deg")
        elif source == AdvanceFrom.BODY:
            advance = self.column("body_deg")
        else:
            advance = np.full(len(self), np.nan)
        return CycleTable(
            **{
                name: self.column(name)
                for name in (
                    "start_us",
                    "end_us",
                    "rpm",
                    "pressure_kpa",
                    "min_kpa",
                    "max_kpa",
                    "slot_kpa",
                    "turn_us",
                    "coil_us",
                    "flags",
                )
            },
            advance_deg=advance,
            advance_from=self._sources[source].view(),
        )


def _two_turns(marks: list[int], steps: list[int], start: int, end: int) -> tuple[float, float]:
    """Time of the two turns of a cycle, NaN where a mark is missing or is not where it should."""
    if not marks:
        return math.nan, math.nan
    reach = (end - start) * _MARK_REACH
    last = len(marks) - 1
    right = min(bisect_left(marks, start), last)
    left = max(right - 1, 0)
    own = right if abs(marks[right] - start) < abs(marks[left] - start) else left
    if own + 2 > last or abs(marks[own] - start) >= reach or abs(marks[own + 2] - end) >= reach:
        return math.nan, math.nan
    one, two = own + 1, own + 2
    return (
        float(marks[one] - marks[own]) if steps[one] == 1 else math.nan,
        float(marks[two] - marks[one]) if steps[two] == 1 else math.nan,
    )


def _nearest(times: IntArray, us: int) -> int | None:
    """Index of the time nearest to ``us``."""
    if not len(times):
        return None
    right = int(np.searchsorted(times, us))
    if right == len(times) or (right > 0 and us - times[right - 1] <= times[right] - us):
        return right - 1
    return right
