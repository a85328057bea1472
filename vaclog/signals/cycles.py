"""Exact 720-degree cycles: each row as soon as all that it needs has arrived.

Enters: pressure samples, marks, body readings and cycle edges, each in order of time. Leaves:
rows of the cycle table: pressures (:mod:`~vaclog.signals.in_cycle`), speed, advance, flags.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vaclog.cards import RigCard
from vaclog.signals.advance import (
    AdvanceKeeper,
    body_counts_at,
    mark_advance,
)
from vaclog.signals.edges import NO_EDGES, Edges, join
from vaclog.signals.growing import Growing
from vaclog.signals.in_cycle import pressures, slot_sparks
from vaclog.signals.scales import PressureScale, body_deg
from vaclog.signals.tables import AdvanceFrom, CycleFlag, CycleTable, FloatArray, IntArray
from vaclog.signals.tails import LONGEST_HOLE_US, PressureTail, PulseTail
from vaclog.signals.tally import Tally, has
from vaclog.units import rpm_from_cycle_us

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
            "marks": Growing(np.int64),
            "flags": Growing(np.uint8),
        }
        self.begin_boot(adc_bits)

    def begin_boot(self, adc_bits: int) -> None:
        """Start anew with another boot of the device; all before it must be finished."""
        self.scale = PressureScale(self._rig.pressure, adc_bits)
        self.pressure = PressureTail(self.scale)
        self.marks = PulseTail()
        self.body = PulseTail()
        self.coils = PulseTail()
        self._edges = NO_EDGES
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
        known = kpa[~has(self.column("flags"), CycleFlag.CRANKING) & np.isfinite(kpa)]
        return float(np.quantile(known, _LITTLE_ASKED)) if len(known) else None

    def median_deg(self, name: str) -> float | None:
        """Median advance of one source, ``mark_deg`` or ``body_deg``."""
        known = self.column(name)
        known = known[np.isfinite(known)]
        return float(np.median(known)) if len(known) else None

    def add_edges(self, edges: Edges) -> None:
        """Take cycle edges in order of time."""
        if len(edges):
            self._edges = join([self._edges, edges])

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
            self._edges = self._edges.rows(slice(ready, None))
        self._forget(upto_us)
        return ready

    def _ready(self, upto_us: int, marks_upto_us: int, coils_upto_us: int, final: bool) -> int:
        """How many of the waiting edges end something that is complete."""
        waiting = len(self._edges) - 1
        if waiting <= 0:
            return 0
        if final:
            return waiting
        if self.pressure.held:
            return 0
        end = self._edges.us[1:]
        reach = ((end - self._edges.us[:-1]) * _MARK_REACH).astype(np.int64)
        newest = int(self.pressure.us[-1]) if len(self.pressure.us) else -(1 << 62)
        sampled = max(newest, upto_us - LONGEST_HOLE_US)
        ready = (end <= sampled) & (end + reach < marks_upto_us) & (end < upto_us)
        ready &= end <= coils_upto_us
        return waiting if ready.all() else int(np.argmin(ready))

    def _refine(self, ready: int) -> None:
        """Move edges without a spark to where the marks say that it was."""
        us = self._edges.us.copy()
        for row in np.flatnonzero(self._edges.filled[: ready + 1]).tolist():
            if row == 0 or self._edges.breaks[row]:
                continue
            us[row] = self._by_marks(int(us[row - 1]), int(us[row]))
        self._edges = replace(self._edges, us=us)

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
        fresh = self._edges.breaks[: ready + 1].copy()
        if not self._linked:
            fresh[0] = True
        # A break edge only begins a cycle: the stretch before it is no cycle.
        rows = np.flatnonzero(~self._edges.breaks[1 : ready + 1])
        self._linked = not bool(self._edges.breaks[ready])
        if not len(rows):
            return
        start, end = self._edges.us[rows], self._edges.us[rows + 1]
        p = pressures(self.pressure, start, end, self._slots)
        blind = p.absent_part > _BLIND_PART
        rpm = rpm_from_cycle_us((end - start).astype(np.float64))
        flags = np.zeros(len(rows), np.uint8)
        flags[self._edges.filled[rows] | self._edges.filled[rows + 1]] |= np.uint8(CycleFlag.SPLIT)
        flags[p.absent_part > _GAP_PART] |= np.uint8(CycleFlag.GAP)
        flags[p.railed] |= np.uint8(CycleFlag.RAIL)
        flags[fresh[rows]] |= np.uint8(CycleFlag.AFTER_BREAK)
        flags[rpm < self._cranking_rpm] |= np.uint8(CycleFlag.CRANKING)
        unseen = self._edges.filled[rows] | ~self._edges.sparks[rows]
        mark_deg, turns, counted = self._from_marks(start, end, unseen)
        columns = {
            "start_us": start,
            "end_us": end,
            "rpm": rpm,
            "pressure_kpa": np.where(blind, np.nan, self.scale.kpa(p.mean)),
            "min_kpa": self.scale.kpa(p.low),
            "max_kpa": self.scale.kpa(p.high),
            "slot_kpa": np.where(blind[:, None], np.nan, self.scale.kpa(p.slots)),
            "turn_us": turns,
            "coil_us": slot_sparks(start, end, self.coils, self._slots),
            "mark_deg": self._keeper.feed(mark_deg, fresh[rows]),
            "body_deg": self._from_body(start, end),
            "marks": counted,
            "flags": flags,
        }
        for name, values in columns.items():
            self._columns[name].append(values)
        self.tally.add(flags, columns["mark_deg"], columns["body_deg"], counted)
        whole = (1.0 + _MARK_REACH) * _SOONER * float(end[-1] - start[-1])
        self.expected_us = int(end[-1]) + int(whole)

    def _from_marks(
        self, start: IntArray, end: IntArray, unseen: NDArray[np.bool_]
    ) -> tuple[FloatArray, FloatArray, IntArray]:
        """Advance, time of the two turns, and number of marks of each cycle."""
        marks, steps = self.marks.us, self.marks.values
        counted = np.searchsorted(marks, end) - np.searchsorted(marks, start)
        turns = np.full((len(start), 2), np.nan)
        if not len(marks):
            return np.full(len(start), np.nan), turns, counted
        angle = self._rig.mark.angle_deg if self._rig.mark else np.nan
        advance = mark_advance(start, marks, steps, angle)
        advance[unseen] = np.nan
        reach = (end - start) * _MARK_REACH
        last = len(marks) - 1
        right = np.minimum(marks.searchsorted(start), last)
        left = np.maximum(right - 1, 0)
        own = np.where(np.abs(marks[right] - start) < np.abs(marks[left] - start), right, left)
        sound = (np.abs(marks[own] - start) < reach) & (own + 2 <= last)
        one, two = np.minimum(own + 1, last), np.minimum(own + 2, last)
        sound &= np.abs(marks[two] - end) < reach
        turns[:, 0] = np.where(sound & (steps[one] == 1), marks[one] - marks[own], np.nan)
        turns[:, 1] = np.where(sound & (steps[two] == 1), marks[two] - marks[one], np.nan)
        return advance, turns, counted

    def _from_body(self, start: IntArray, end: IntArray) -> FloatArray:
        if self._rig.body is None:
            return np.full(len(start), np.nan)
        counts = body_counts_at(start, end, self.body.us, self.body.values)
        return body_deg(self._rig.body, counts)

    def _forget(self, upto_us: int) -> None:
        oldest = upto_us - _LONGEST_TAIL_US
        if len(self._edges):
            oldest = max(oldest, int(self._edges.us[0]))
        # Marks and body readings are looked at up to two turns before the spark.
        self.pressure.drop_before(oldest)
        self.marks.drop_before(oldest - 3_000_000)
        self.body.drop_before(oldest - 3_000_000)
        self.coils.drop_before(oldest - 3_000_000)

    def table(self, source: AdvanceFrom) -> CycleTable:
        """All rows so far with the advance of one source."""
        n = len(self)
        if source == AdvanceFrom.MARK:
            advance = self.column("mark_deg")
        elif source == AdvanceFrom.BODY:
            advance = self.column("body_deg")
        else:
            advance = np.full(n, np.nan)
        known = np.isfinite(advance)
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
            advance_from=np.where(known, source, AdvanceFrom.NONE).astype(np.uint8),
        )


def _nearest(times: IntArray, us: int) -> int | None:
    """Index of the time nearest to ``us``."""
    if not len(times):
        return None
    right = int(np.searchsorted(times, us))
    if right == len(times) or (right > 0 and us - times[right - 1] <= times[right] - us):
        return right - 1
    return right
