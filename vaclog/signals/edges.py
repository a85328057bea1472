"""From the sparks of one pickup to the edges of 720-degree cycles.

Enters: sparks in rhythm, with the number of periods between them. Leaves: the times at which
a cycle ends and the next begins, missing sparks put in, and where the line breaks.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from vaclog.signals.pulses import BREAK
from vaclog.signals.tables import IntArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Edges:
    """Cycle edges in order of time.

    Attributes
    ----------
    us
        int64 [n].
    filled
        bool [n], the pulse was missing here: the time is that of a steady rhythm.
    sparks
        bool [n], False where cycles are made from marks and no spark is known at all.
    breaks
        bool [n], no cycle ends here, one only begins.
    """

    us: IntArray
    filled: NDArray[np.bool_]
    sparks: NDArray[np.bool_]
    breaks: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.us)

    def rows(self, chosen: slice | IntArray) -> Edges:
        """Some of the rows."""
        return Edges(
            us=self.us[chosen],
            filled=self.filled[chosen],
            sparks=self.sparks[chosen],
            breaks=self.breaks[chosen],
        )


_NOTHING = np.empty(0, np.bool_)
NO_EDGES = Edges(us=np.empty(0, np.int64), filled=_NOTHING, sparks=_NOTHING, breaks=_NOTHING)


def join(parts: list[Edges]) -> Edges:
    """One table of several."""
    full = [p for p in parts if len(p)]
    if len(full) < 2:
        return full[0] if full else NO_EDGES
    return Edges(
        us=np.concatenate([p.us for p in full]),
        filled=np.concatenate([p.filled for p in full]),
        sparks=np.concatenate([p.sparks for p in full]),
        breaks=np.concatenate([p.breaks for p in full]),
    )


def fill(times: IntArray, steps: IntArray, last: int | None) -> tuple[IntArray, NDArray[np.bool_]]:
    """Every pulse of a stretch, missing ones put in at even distances.

    Parameters
    ----------
    times, steps
        int64 [n] each, pulses in rhythm and the periods since the one before.
    last
        The pulse before the first one, None after a break.

    Returns
    -------
    times, filled
        int64 [m], and bool [m]: True where there was no pulse.
    """
    counts = np.maximum(steps, 1)
    before = np.empty_like(times)
    before[0] = times[0] if last is None else last
    before[1:] = times[:-1]
    row = np.repeat(np.arange(len(times)), counts)
    part = np.arange(len(row)) - np.repeat(np.cumsum(counts) - counts, counts) + 1
    us = before[row] + (times - before)[row] * part // counts[row]
    return us, part < counts[row]


class CycleEdges:
    """Takes every ``per_cycle``-th pulse as an edge.

    Parameters
    ----------
    per_cycle
        1 on the No. 1 lead, 2 on a wasted-spark lead, N on the coil lead, 2 for marks.
    choose
        Which of the first ``per_cycle`` pulses (int64, after a break) begins a cycle;
        None as long as the crank marks around them are not known yet. The second argument is
        True when the rhythm has ended and no more will be known.
    sparks
        False when the pulses are marks.
    """

    def __init__(
        self,
        per_cycle: int,
        choose: Callable[[IntArray, bool], int | None],
        *,
        sparks: bool = True,
    ) -> None:
        self._per_cycle = per_cycle
        self._choose = choose
        self._sparks = sparks
        self._last: int | None = None
        self._waiting: list[Edges] = []  # events since a break, before the phase is known
        self._to_skip: int | None = None  # events until the next edge, once known
        self._begins = True

    def feed(self, times: IntArray, steps: IntArray, *, final: bool) -> Edges:
        """Take pulses, give the edges that are certain."""
        if not len(times) and not final and not self._waiting:
            return NO_EDGES
        out: list[Edges] = []
        starts = np.flatnonzero(steps == BREAK)
        bounds = np.unique(np.concatenate(([0], starts, [len(times)])))
        for low, high in pairwise(bounds.tolist()):
            if steps[low] == BREAK:
                out.append(self._segment(ended=True))
                self._last, self._to_skip, self._begins = None, None, True
            self._waiting.append(self._expand(times[low:high], steps[low:high]))
            out.append(self._segment(ended=False))
        out.append(self._segment(ended=final))
        return join(out)

    def _expand(self, times: IntArray, steps: IntArray) -> Edges:
        us, filled = fill(times, steps, self._last)
        self._last = int(times[-1])
        none = np.zeros(len(us), np.bool_)
        return Edges(us=us, filled=filled, sparks=none | self._sparks, breaks=none)

    def _segment(self, *, ended: bool) -> Edges:
        """Edges among the waiting events, once it is known which spark begins a cycle."""
        events = join(self._waiting)
        if not len(events):
            return events
        if self._to_skip is None:
            known = len(events) >= self._per_cycle
            if not known and not ended:
                return join([])
            chosen = self._choose(events.us[: self._per_cycle], ended)
            if chosen is None:
                return join([])
            self._to_skip = chosen
        self._waiting = []
        rows = np.arange(self._to_skip, len(events), self._per_cycle)
        past = self._to_skip if not len(rows) else int(rows[-1]) + self._per_cycle
        self._to_skip = past - len(events)
        chosen_events = events.rows(rows)
        if len(rows) and self._begins:
            breaks = np.zeros(len(rows), np.bool_)
            breaks[0] = True
            self._begins = False
            chosen_events = replace(chosen_events, breaks=breaks)
        return chosen_events
