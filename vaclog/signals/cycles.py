"""Exact 720-degree cycles: mean, least and greatest pressure, speed, advance.

Enters: pressure samples, marks, body readings and cycle edges, each in order of time. Leaves:
rows of the cycle table.

The mean is the integral of the pressure, taken as straight lines between samples, over the
half-open cycle, divided by its duration. Times and counts are whole numbers and so is the
running integral: a row does not depend on where the integral was begun, so neither on how
the data were delivered.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vaclog.cards import RigCard
from vaclog.signals.advance import (
    PLAUSIBLE_HIGH_DEG,
    PLAUSIBLE_LOW_DEG,
    AdvanceKeeper,
    body_counts_at,
    mark_advance,
)
from vaclog.signals.edges import NO_EDGES, Edges, join
from vaclog.signals.growing import Growing
from vaclog.signals.scales import PressureScale, body_deg
from vaclog.signals.tables import AdvanceFrom, CycleFlag, CycleTable, FloatArray, IntArray
from vaclog.units import rpm_from_cycle_us

_LONGEST_HOLE_US = 1_000_000
"""Across a longer pause of the samples nothing is known: no line is drawn over it."""

_BLOCK = 64
"""Samples from whose median spacing the next block's holes are told."""

_LONGEST_WAIT_US = 2_000_000
"""The first spacing is told after as much time, however few samples came."""

_HOLE_PERIODS = 3.0
"""A sketch that prints may delay a sample by a period or two; three are a loss."""

_GAP_PART = 0.1
_BLIND_PART = 0.5  # with more than this missing, the mean is no measurement
_RAIL_PART = 0.05

_MARK_REACH = 0.3
"""Part of a cycle within which an edge's own mark is looked for: half a turn and a margin."""

_SOONER = 0.97
"""The next cycle may be shorter than the last by so much without being noticed late: an idling
engine's vary by a per cent or two."""

_LITTLE_ASKED = 0.2
"""Share of the cycles that are taken for the least that was asked of the engine."""

_LONGEST_TAIL_US = 12_000_000
"""Longest cycle that can be bridged: 2.5 s of silence, three sparks missing."""


class PressureTail:
    """Samples from the oldest cycle not yet finished, with running sums.

    Attributes
    ----------
    us, counts
        int64 [n].
    area
        int64 [n]: twice the integral of counts over time up to each sample.
    absent
        int64 [n]: time up to each sample for which samples are missing.
    railed
        int64 [n]: samples before each one that sit at a rail.
    """

    def __init__(self, scale: PressureScale) -> None:
        self._scale = scale
        empty = np.empty(0, np.int64)
        self.us, self.counts = empty, empty
        self.area, self.absent, self.railed = empty, empty, empty
        self._early: list[tuple[IntArray, IntArray]] = []  # before the spacing is known
        self._period: float | None = None
        self._block = np.empty(0, np.int64)  # spacings since the last full block

    @property
    def held(self) -> bool:
        """Whether samples are kept back until their spacing is known."""
        return bool(self._early)

    def append(self, us: IntArray, counts: IntArray, upto_us: int | None) -> None:
        """Take samples in order of time; none before ``upto_us`` is to come (None: none at all)."""
        if self._period is None:
            if len(us):
                self._early.append((us, counts))
            if not self._early:
                return
            us = np.concatenate([e[0] for e in self._early])
            counts = np.concatenate([e[1] for e in self._early])
            latest = int(us[0]) + _LONGEST_WAIT_US
            first = min(int(np.searchsorted(us, latest)), _BLOCK + 1)
            if first == len(us) <= _BLOCK and upto_us is not None and upto_us < latest:
                return
            self._early = []
            self._period = float(np.median(np.diff(us[:first]))) if first > 1 else 1000.0
        if not len(us):
            return
        if len(self.us):
            earlier_us, before = self.us[-1:], np.concatenate((self.counts[-1:], counts[:-1]))
            sums = self.area[-1], self.absent[-1], self.railed[-1]
        else:
            earlier_us, before = us[:1], np.concatenate((counts[:1], counts[:-1]))
            sums = np.int64(0), np.int64(0), np.int64(0)
        spacing = us - np.concatenate((earlier_us, us[:-1]))
        absent = self._absent(spacing)
        railed = self._scale.at_rail(before)
        self.us = np.concatenate((self.us, us))
        self.counts = np.concatenate((self.counts, counts))
        self.area = np.concatenate((self.area, sums[0] + np.cumsum((before + counts) * spacing)))
        self.absent = np.concatenate((self.absent, sums[1] + np.cumsum(absent)))
        self.railed = np.concatenate((self.railed, sums[2] + np.cumsum(railed)))

    def _absent(self, spacing: IntArray) -> IntArray:
        """Time without samples in each spacing, judged on the median of the block before."""
        assert self._period is not None
        joined = np.concatenate((self._block, spacing))
        full = len(joined) // _BLOCK
        levels = np.array([self._period])
        if full:
            ranked = np.sort(joined[: full * _BLOCK].reshape(full, _BLOCK), axis=1)
            medians = (ranked[:, _BLOCK // 2 - 1] + ranked[:, _BLOCK // 2]) / 2
            levels = np.concatenate((levels, medians))
        period = np.repeat(levels, _BLOCK)[len(self._block) : len(joined)]
        self._period = float(levels[-1])
        self._block = joined[full * _BLOCK :]
        hole = spacing > _HOLE_PERIODS * period
        absent = np.where(hole, spacing - period.astype(np.int64), 0)
        return np.where(spacing > _LONGEST_HOLE_US, spacing, absent)

    def drop_before(self, us: int) -> None:
        """Forget what no cycle needs any more; the sample before ``us`` stays."""
        first = int(np.searchsorted(self.us, us, side="right")) - 1
        # Only now and then: dropping copies the rest.
        if first < max(len(self.us) // 2, _BLOCK):
            return
        self.us, self.counts = self.us[first:].copy(), self.counts[first:].copy()
        self.area, self.absent = self.area[first:].copy(), self.absent[first:].copy()
        self.railed = self.railed[first:].copy()

    def measure(self, edges: FloatArray) -> tuple[IntArray, FloatArray, FloatArray, FloatArray]:
        """What the running sums are at times between samples.

        Parameters
        ----------
        edges
            float64 [...], times in us.

        Returns
        -------
        row, area, absent, counts
            The sample before each time (int64), and what area and absent grew since it, and
            the interpolated counts (float64).
        """
        row = np.maximum(self.us.searchsorted(edges, side="right") - 1, 0)
        after = np.minimum(row + 1, len(self.us) - 1)
        since = edges - self.us[row]
        spacing = self.us[after] - self.us[row]
        known = (spacing > 0) & (spacing <= _LONGEST_HOLE_US) & (since >= 0)
        span = np.where(known, spacing, 1)
        rise = np.where(known, self.counts[after] - self.counts[row], 0) * since / span
        area = (2.0 * self.counts[row] + rise) * since
        share = np.where(known, (self.absent[after] - self.absent[row]) / span, 1.0)
        return row, area, share * since, self.counts[row] + rise


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Pressures:
    """Columns of the table that come from the samples, in counts."""

    mean: FloatArray
    low: FloatArray
    high: FloatArray
    slots: FloatArray
    absent_part: FloatArray
    railed: NDArray[np.bool_]


def _pressures(tail: PressureTail, start: IntArray, end: IntArray, slots: int) -> _Pressures:
    """Means over each cycle and its equal parts; least and greatest of samples and edges."""
    n = len(start)
    if not len(tail.us):
        nothing = np.full(n, np.nan)
        return _Pressures(
            mean=nothing,
            low=nothing,
            high=nothing,
            slots=np.full((n, slots), np.nan),
            absent_part=np.ones(n),
            railed=np.zeros(n, np.bool_),
        )
    duration = (end - start).astype(float)
    edges = start[:, None] + duration[:, None] * (np.arange(slots + 1) / slots)
    row, area, absent, counts = tail.measure(edges)
    areas = tail.area[row]
    grown = (areas[:, 1:] - areas[:, :-1]) + (area[:, 1:] - area[:, :-1])
    first, last = row[:, 0], row[:, -1]
    mean = (tail.area[last] - tail.area[first]) + (area[:, -1] - area[:, 0])
    missing = (tail.absent[last] - tail.absent[first]) + (absent[:, -1] - absent[:, 0])
    # Samples inside the cycle are first + 1 … last; reduceat wants them as pairs of indices.
    inside = last > first
    pairs = np.stack((np.minimum(first + 1, len(tail.us) - 1), last + 1), axis=1).ravel()
    padded = np.append(tail.counts, tail.counts[-1])
    low = np.minimum(counts[:, 0], counts[:, -1])
    high = np.maximum(counts[:, 0], counts[:, -1])
    least = np.minimum.reduceat(padded, pairs)[::2]
    greatest = np.maximum.reduceat(padded, pairs)[::2]
    rails = tail.railed[last] - tail.railed[first]
    return _Pressures(
        mean=mean / (2.0 * duration),
        low=np.where(inside, np.minimum(low, least), low),
        high=np.where(inside, np.maximum(high, greatest), high),
        slots=grown / (2.0 * duration[:, None] / slots),
        absent_part=missing / duration,
        railed=rails > _RAIL_PART * np.maximum(last - first, 1),
    )


class PulseTail:
    """Times and steps (or counts) of pulses not older than the oldest unfinished cycle."""

    def __init__(self) -> None:
        self.us = np.empty(0, np.int64)
        self.values = np.empty(0, np.int64)

    def append(self, us: IntArray, values: IntArray) -> None:
        """Take pulses in order of time."""
        if len(us):
            self.us = np.concatenate((self.us, us))
            self.values = np.concatenate((self.values, values))

    def drop_before(self, us: int) -> None:
        """Forget the old ones."""
        first = int(np.searchsorted(self.us, us))
        if first > 64:
            self.us, self.values = self.us[first:].copy(), self.values[first:].copy()


@dataclass(slots=True)
class Tally:
    """Running totals over the rows of a firing engine, for the choice of source and warnings.

    Attributes
    ----------
    rows
        Rows at a firing engine's speed.
    cranking, split, gap, rail
        Rows so flagged.
    mark, body
        Rows with an advance from the mark, from the body.
    mark_plausible, body_plausible
        Of those, rows whose advance is one that engines have.
    marks
        int64 [9], rows by the number of marks in them; the last counts 8 and more.
    """

    rows: int = 0
    cranking: int = 0
    split: int = 0
    gap: int = 0
    rail: int = 0
    mark: int = 0
    body: int = 0
    mark_plausible: int = 0
    body_plausible: int = 0
    marks: IntArray = field(default_factory=lambda: np.zeros(9, np.int64))

    def add(
        self,
        flags: NDArray[np.uint8],
        mark_deg: FloatArray,
        body_deg: FloatArray,
        marks: IntArray,
    ) -> None:
        """Count new rows."""
        cranking = _has(flags, CycleFlag.CRANKING)
        self.cranking += int(cranking.sum())
        firing = ~cranking
        self.rows += int(firing.sum())
        self.split += int(_has(flags, CycleFlag.SPLIT)[firing].sum())
        self.gap += int(_has(flags, CycleFlag.GAP)[firing].sum())
        self.rail += int(_has(flags, CycleFlag.RAIL)[firing].sum())
        self.mark += int(np.isfinite(mark_deg[firing]).sum())
        self.body += int(np.isfinite(body_deg[firing]).sum())
        self.mark_plausible += int(_plausible(mark_deg[firing]).sum())
        self.body_plausible += int(_plausible(body_deg[firing]).sum())
        self.marks += np.bincount(np.minimum(marks[firing], 8), minlength=9)


def _has(flags: NDArray[np.uint8], flag: CycleFlag) -> NDArray[np.bool_]:
    return np.asarray((flags & np.uint8(flag)) > 0)


def _plausible(advance_deg: FloatArray) -> NDArray[np.bool_]:
    return np.asarray((advance_deg > PLAUSIBLE_LOW_DEG) & (advance_deg < PLAUSIBLE_HIGH_DEG))


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
        known = kpa[~_has(self.column("flags"), CycleFlag.CRANKING) & np.isfinite(kpa)]
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
        sampled = max(newest, upto_us - _LONGEST_HOLE_US)
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
        p = _pressures(self.pressure, start, end, self._slots)
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


def slot_sparks(start: IntArray, end: IntArray, coils: PulseTail, slots: int) -> FloatArray:
    """Time of each slot's spark after the start of its cycle.

    Parameters
    ----------
    start, end
        int64 [n], the cycles.
    coils
        Sparks of all cylinders in rhythm, with their steps.
    slots
        Number of cylinders N.

    Returns
    -------
    float64 [n, N]
        NaN in a row with a spark too few or too many: which one is missing is then a guess.
    """
    known = np.full((len(start), slots), np.nan)
    if not len(coils.us) or not len(start):
        return known
    # Two pickups see No. 1's spark some microseconds apart; a quarter of a slot tells the
    # spark that begins the cycle from the one before it, on unevenly firing engines too.
    early = (end - start) // (4 * slots)
    low = np.searchsorted(coils.us, start - early)
    high = np.searchsorted(coils.us, end - early)
    rows = np.flatnonzero(high - low == slots)
    each = low[rows, None] + np.arange(slots)
    whole = (coils.values[each[:, 1:]] == 1).all(axis=1)
    rows, each = rows[whole], each[whole]
    known[rows] = coils.us[each] - start[rows, None]
    return known


def _nearest(times: IntArray, us: int) -> int | None:
    """Index of the time nearest to ``us``."""
    if not len(times):
        return None
    right = int(np.searchsorted(times, us))
    if right == len(times) or (right > 0 and us - times[right - 1] <= times[right] - us):
        return right - 1
    return right
