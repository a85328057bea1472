"""Pulses made regular: ringing and stray pulses out, missing ones counted.

Enters: times of raw pulses of one pickup, in order. Leaves: the times that belong to the
engine's rhythm, each with the number of periods since the one before.

A pulse is judged by what makes a steady rhythm with its neighbours. Where that is in doubt,
several readings of the same pulses are carried along with a cost each, until one wins. Every
decision depends on the pulses alone, never on how they were delivered.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from vaclog.signals.tables import IntArray

BREAK = 0
"""Step of a pulse that does not continue what was before it."""

_MOST_MISSING = 3  # in a row; more than that is a break, not a gap to bridge

# What it costs to believe that a pulse is missing or a stray. Other costs are against these.
_COST_MISSING = 9.0
_COST_MISSING_TOO = 3.0  # losses come in bursts
_COST_STRAY = 9.0
_COST_RINGING = 0.5
_COST_LATER = 9.0
_COST_FIRST = 1.0  # the first period of a rhythm has nothing to agree with
_COST_BREAK = 20.0
_COST_IMPOSSIBLE = 40.0
# A period differs from the last by a per cent or two at idle, by 30 % in a hard blip (60 Nm on
# 0.15 kg m2 is 270 rpm within a cycle at 850 rpm), and never by half. So small changes cost
# something at once, those of a blip little more, and beyond that a squared law takes over:
# 1.55 or 0.65 of the last period is as odd as a lost pulse.
_SMALL_CHANGE = 0.35
_SIGMA = 0.15
_MARGIN = 17.0  # readings this much worse than the best are given up
_MOST_READINGS = 12
_LONGEST_DOUBT = 12  # pulses; then the best reading is taken

# Within these bounds a pulse is accepted at once, unless another follows within the guard
# (a part of the period): then one of the two is a stray, and the next pulse tells which.
_SURE_LOW, _SURE_HIGH = 0.95, 1.05
_GUARD = 0.1


_NO_PULSES = (np.empty(0, np.int64), np.empty(0, np.int64))


@dataclass(slots=True)
class _Reading:
    """One way to read the pulses so far: which ones belong to the rhythm."""

    cost: float
    last: int
    period: float | None
    pending: tuple[tuple[int, int], ...]
    sure: bool = False  # the last pulse came just when it had to


class Rhythm:
    """Follows the rhythm of one pickup.

    Parameters
    ----------
    shortest_us
        No engine makes a shorter period with this pickup; sooner pulses are ringing.
    silence_us
        Longer pauses end a rhythm.
    ringing_part
        A pulse sooner than this part of a period is an echo of the one before.
    burst_us
        So is one that follows any other within this time.

    Attributes
    ----------
    received, accepted, ringing, missing
        Counts of pulses that came, that were kept, that were dropped as echoes, and of
        periods without a pulse.
    """

    def __init__(
        self, *, shortest_us: int, silence_us: int, ringing_part: float, burst_us: int
    ) -> None:
        self._shortest = shortest_us
        self._silence = silence_us
        self._ringing = ringing_part
        self._burst = burst_us
        self._previous = -(1 << 62)  # the pulse before, kept or not
        self._readings: list[_Reading] = []
        self._out: list[tuple[int, int]] = []
        self.received = 0
        self.accepted = 0
        self.missing = 0
        self.ringing = 0

    def feed(self, times: IntArray, upto_us: int | None) -> tuple[IntArray, IntArray]:
        """Take pulses in order of time, give those that are now certain.

        Parameters
        ----------
        times
            int64 [n], not before any earlier one.
        upto_us
            No pulse before this time is still to come; None: no more pulses at all.

        Returns
        -------
        times, steps
            int64 [m] each; a step is the number of periods since the pulse before (1: none
            is missing), or ``BREAK``.
        """
        # Pulses are few and each hangs on the one before: plain numbers beat arrays here.
        self.received += len(times)
        come = times.tolist()
        for place, t in enumerate(come, 1):
            following = come[place] if place < len(come) else upto_us
            if not self._is_beyond_doubt(t, following):
                self._end_doubt(t)
                if self._is_plain_echo(t):
                    self.ringing += 1
                else:
                    self._step(t)
            self._previous = t
        if upto_us is not None:
            self._end_doubt(upto_us)
        if self._readings and (upto_us is None or upto_us - self._best().last > self._silence):
            self._finalise()
        return self._take()

    def settled_us(self, upto_us: int) -> int:
        """Pulses before this time are all given out, when none before ``upto_us`` is to come."""
        doubtful = [r.pending[0][0] for r in self._readings if r.pending]
        return min([*doubtful, upto_us])

    def _best(self) -> _Reading:
        return self._readings[0]

    def _take(self) -> tuple[IntArray, IntArray]:
        if not self._out:
            return _NO_PULSES
        out, self._out = self._out, []
        self.accepted += len(out)
        self.missing += sum(step - 1 for _, step in out if step > 1)
        pairs = np.array(out, np.int64)
        return pairs[:, 0], pairs[:, 1]

    def _is_beyond_doubt(self, t: int, following: int | None) -> bool:
        """Whether a pulse came just when it had to and alone; then takes it into the reading.

        ``following`` is the next pulse, or the time before which none is to come (None: never).
        """
        if len(self._readings) != 1:
            return False
        reading = self._readings[0]
        if reading.period is None or reading.pending:
            return False
        period = t - reading.last
        if not _is_sure(period / reading.period):
            return False
        if following is not None and following - t <= _GUARD * period:
            return False
        reading.last, reading.period = t, float(period)
        self._out.append((t, 1))
        return True

    def _end_doubt(self, t: int) -> None:
        """Nothing came soon after a pulse that came just when it had to: it is the one."""
        if not self._readings:
            return
        best = self._best()
        if not best.sure or len(best.pending) != 1 or best.period is None:
            return
        # All readings agree on what was before this pulse.
        if t - best.last > _GUARD * best.period:
            self._out += best.pending
            best.pending = ()
            self._readings = [best]

    def _step(self, t: int) -> None:
        if self._readings and t - self._best().last > self._silence:
            self._finalise()
        if not self._readings:
            self._readings = [_Reading(0.0, t, None, ((t, BREAK),))]
            self._commit()
            return
        grown: list[_Reading] = []
        for reading in self._readings:
            grown += self._continuations(reading, t)
        grown.sort(key=lambda r: r.cost)
        lowest = grown[0].cost
        kept: list[_Reading] = []
        seen: set[tuple[int, float | None]] = set()
        for reading in grown:
            if reading.cost - lowest >= _MARGIN or len(kept) == _MOST_READINGS:
                break
            # Of two readings that will judge the future alike, the cheaper one is enough.
            if (reading.last, reading.period) in seen:
                continue
            seen.add((reading.last, reading.period))
            reading.cost -= lowest
            kept.append(reading)
        self._readings = kept
        if kept[0].last != t and self._is_echo(kept[0], t):
            self.ringing += 1
        self._commit()

    def _continuations(self, reading: _Reading, t: int) -> list[_Reading]:
        """The ways to read one more pulse: skip it, continue with it, begin anew with it."""
        distance = t - reading.last
        skip = _COST_RINGING if self._is_echo(reading, t) else _COST_STRAY
        ways = [_Reading(reading.cost + skip, reading.last, reading.period, reading.pending, False)]
        if distance < self._shortest:
            return ways
        step, cost, period = self._continue(reading.period, distance)
        if t - self._previous < self._burst:
            cost += _COST_LATER  # the first of a burst is the spark
        if cost < _COST_IMPOSSIBLE:
            pending = (*reading.pending, (t, step))
            sure = reading.period is not None and _is_sure(distance / reading.period)
            ways.append(_Reading(reading.cost + cost, t, period, pending, sure))
        pending = (*reading.pending, (t, BREAK))
        ways.append(_Reading(reading.cost + _COST_BREAK, t, None, pending))
        return ways

    def _is_echo(self, reading: _Reading, t: int) -> bool:
        """Whether a pulse is ringing, or a further spark of a multi-spark box."""
        period = reading.period
        echo_us = self._shortest if period is None else self._ringing * period
        return t - reading.last < echo_us or t - self._previous < self._burst

    def _is_plain_echo(self, t: int) -> bool:
        """Whether a pulse echoes one that is beyond doubt but for what may follow it."""
        if not self._readings:
            return False
        best = self._best()
        if best.period is None or len(best.pending) > 1 or (best.pending and not best.sure):
            return False
        return t - best.last < self._ringing * best.period

    def _continue(self, period: float | None, distance: int) -> tuple[int, float, float]:
        """Step, cost and new period when the rhythm goes on after ``distance``."""
        if period is None:
            return 1, _COST_FIRST, float(distance)
        step = min(max(round(distance / period), 1), _MOST_MISSING + 1)
        best = (step, np.inf, float(distance) / step)
        for candidate in (step, step + 1, step - 1):
            if not 1 <= candidate <= _MOST_MISSING + 1:
                continue
            new = distance / candidate
            cost = _change_cost(new / period, candidate)
            if candidate > 1:
                cost += _COST_MISSING + _COST_MISSING_TOO * (candidate - 2)
            if cost < best[1]:
                best = (candidate, cost, new)
        return best

    def _commit(self) -> None:
        """Give out what all readings agree on."""
        if len(self._readings[0].pending) > _LONGEST_DOUBT:
            chosen = self._readings[0].pending[0]
            self._readings = [r for r in self._readings if r.pending and r.pending[0] == chosen]
        shared = 0
        shortest = min(len(r.pending) for r in self._readings)
        first = self._readings[0].pending
        while shared < shortest and all(r.pending[shared] == first[shared] for r in self._readings):
            shared += 1
        if shared:
            self._out += first[:shared]
            for reading in self._readings:
                reading.pending = reading.pending[shared:]

    def _finalise(self) -> None:
        """The rhythm has ended: the best reading is the answer."""
        self._out += self._best().pending
        self._readings = []


def _is_sure(ratio: float) -> bool:
    return _SURE_LOW < ratio < _SURE_HIGH


def _change_cost(ratio: float, periods: int) -> float:
    """What it costs that the mean of some periods is ``ratio`` of the one before."""
    change = abs(math.log(ratio))
    small = _COST_STRAY * (1.0 - math.exp(-change / _SMALL_CHANGE))
    # The mean of several periods is a steadier thing than one.
    return max(small, (change / _SIGMA) ** 2 * periods)
