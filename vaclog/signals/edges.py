"""From the sparks of one pickup to the edges of 720-degree cycles.

Enters: sparks in rhythm, with the number of periods between them. Leaves: the times at which
a cycle ends and the next begins, missing sparks put in, and where the line breaks.

A cycle has one edge, so edges are single records, not columns: there is hardly ever more than
one at a time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

from vaclog.signals.pulses import BREAK


class Edge(NamedTuple):
    """One cycle edge.

    Attributes
    ----------
    us
        When.
    filled
        The pulse was missing here: the time is that of a steady rhythm.
    spark
        False where cycles are made from marks and no spark is known at all.
    begins
        No cycle ends here, one only begins.
    """

    us: int
    filled: bool
    spark: bool = True
    begins: bool = False


def fill(
    times: Sequence[int], steps: Sequence[int], last: int | None
) -> Iterator[tuple[int, bool]]:
    """Every pulse of a stretch, missing ones put in at even distances.

    Parameters
    ----------
    times, steps
        Pulses in rhythm and the periods since the one before, equally many.
    last
        The pulse before the first one, None after a break.

    Yields
    ------
    time, filled
        In us; True where there was no pulse.
    """
    for time, step in zip(times, steps, strict=True):
        if last is None:
            last = time
        for part in range(1, step):
            yield last + (time - last) * part // step, True
        yield time, False
        last = time


class CycleEdges:
    """Takes every ``per_cycle``-th pulse as an edge.

    Parameters
    ----------
    per_cycle
        1 on the No. 1 lead, 2 on a wasted-spark lead, N on the coil lead, 2 for marks.
    choose
        Which of the first ``per_cycle`` pulses (times, after a break) begins a cycle;
        None as long as the crank marks around them are not known yet. The second argument is
        True when the rhythm has ended and no more will be known.
    sparks
        False when the pulses are marks.
    """

    def __init__(
        self,
        per_cycle: int,
        choose: Callable[[list[int], bool], int | None],
        *,
        sparks: bool = True,
    ) -> None:
        self._per_cycle = per_cycle
        self._choose = choose
        self._sparks = sparks
        self._last: int | None = None
        self._waiting: list[Edge] = []  # pulses since a break, before the phase is known
        self._to_skip: int | None = None  # pulses until the next edge, once known
        self._begins = True

    def feed(self, times: Sequence[int], steps: Sequence[int], *, final: bool) -> list[Edge]:
        """Take pulses, give the edges that are certain."""
        out: list[Edge] = []
        for time, step in zip(times, steps, strict=True):
            if step == BREAK:
                out += self._segment(ended=True)
                self._last, self._to_skip, self._begins = None, None, True
            self._waiting += (
                Edge(us, filled, self._sparks) for us, filled in fill((time,), (step,), self._last)
            )
            self._last = time
        return out + self._segment(ended=final)

    def _segment(self, *, ended: bool) -> list[Edge]:
        """Edges among the waiting pulses, once it is known which spark begins a cycle."""
        pulses = self._waiting
        if not pulses:
            return []
        if self._to_skip is None:
            if len(pulses) < self._per_cycle and not ended:
                return []
            self._to_skip = self._choose([each.us for each in pulses[: self._per_cycle]], ended)
            if self._to_skip is None:
                return []
        self._waiting = []
        edges = pulses[self._to_skip :: self._per_cycle]
        self._to_skip += len(edges) * self._per_cycle - len(pulses)
        if edges and self._begins:
            edges[0] = edges[0]._replace(begins=True)
            self._begins = False
        return edges
