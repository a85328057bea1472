"""Where the hand is now and whether it moves: cheap enough for every cycle.

Enters: the hand's angle, cycle by cycle (advance less what the weights add). Leaves: the level
since the hand stands still, since when, and how far it went in the last seconds.

A few dozen numbers are handled as such: arrays of them would cost several times as much.

The phases of the analysis look back over the whole capture and find edges well; this looks at
the last seconds only, so that an order can be given while the hand is still on the body.
"""

from __future__ import annotations

import math
from collections import deque
from itertools import pairwise
from statistics import median
from typing import Final

import numpy as np

# A nudge is two to three degrees; half of a small one is a move, less is tremor or creep.
MOVED_DEG: Final = 0.7
STILL_DEG: Final = 0.35
# A mean of three cycles scatters by 0.6 of a cycle's own: seen from a look a third of a second,
# four and a half of it are passed by chance once in a day.
MOVED_SIGMA: Final = 2.6
_RECENT: Final = 4  # cycles: half a second at idle
_KEPT: Final = 48
_LONGEST_LEVEL: Final = 160


class HandWatch:
    """Follows the hand.

    Attributes
    ----------
    moving
        The hand is turning the body.
    still_since_us
        Since when it stands; the last time known while it moves.
    here_deg
        Where it is: mean of half a second; None before anything is known.
    """

    def __init__(self) -> None:
        self.moving = False
        self.still_since_us = 0
        self.here_deg: float | None = None
        self._t: deque[int] = deque(maxlen=_KEPT)
        self._deg: deque[float] = deque(maxlen=_KEPT)
        self._level: deque[float] = deque(maxlen=_LONGEST_LEVEL)

    def add(self, at_us: int, hand_deg: float) -> None:
        """Take the angle of one cycle; NaN is passed over."""
        if not math.isfinite(hand_deg):
            return
        if self._t and at_us - self._t[-1] > 3_000_000:
            self.forget(at_us)
        self._t.append(at_us)
        self._deg.append(hand_deg)
        if len(self._deg) < 2 * _RECENT:
            self.here_deg = median(self._deg)
            self.still_since_us = self._t[0]
            self._level.append(hand_deg)
            return
        tail = list(self._deg)[-2 * _RECENT :]
        now, before = _middle(tail[_RECENT:]), _middle(tail[:_RECENT])
        self.here_deg = now
        sigma = self.sigma_deg()
        if not self.moving:
            away = abs(now - self._level_deg()) if self._level else 0.0
            if away > max(MOVED_DEG, MOVED_SIGMA * sigma):
                self.moving = True
                self._level.clear()
            else:
                self._level.append(hand_deg)
        elif abs(now - before) < max(STILL_DEG, 1.8 * sigma):
            self.moving = False
            self.still_since_us = list(self._t)[-_RECENT]
            self._level.extend(tail[_RECENT:])

    @property
    def level_deg(self) -> float | None:
        """Mean since the hand stands (the last twenty seconds of it); where it is, moving."""
        return self._level_deg() if self._level else self.here_deg

    def _level_deg(self) -> float:
        """Mean of the level without what stands far off its median: a pulse from nowhere."""
        level = np.array(self._level)
        middle = median(self._level)
        near = level[np.abs(level - middle) <= max(5.0 * self.sigma_deg(), 0.5)]
        return float(near.mean()) if len(near) else middle

    def still_s(self, now_us: int) -> float:
        """For how long the hand has stood; 0 while it moves."""
        return 0.0 if self.moving else (now_us - self.still_since_us) / 1e6

    def travel_deg(self, seconds: float) -> float:
        """How far it is from where it was so long ago, signed."""
        if len(self._t) < 2 * _RECENT or self.here_deg is None:
            return 0.0
        then = self._t[-1] - round(seconds * 1e6)
        old = [d for t, d in zip(self._t, self._deg, strict=True) if t <= then][-_RECENT:]
        return self.here_deg - (_middle(old) if old else self._deg[0])

    def sigma_deg(self) -> float:
        """Scatter of a single cycle's angle, from its second differences.

        No steady turn enters them; for white noise of scale s they have scale s·√6, and the
        median of their size is that over 1.4826.
        """
        steps = [after - before for before, after in pairwise(self._deg)]
        bends = [abs(after - before) for before, after in pairwise(steps)]
        return 1.4826 * median(bends) / math.sqrt(6.0) if len(bends) > 4 else 0.0

    def forget(self, at_us: int) -> None:
        """Nothing was seen for a while: what stood then need not stand now."""
        self._t.clear()
        self._deg.clear()
        self._level.clear()
        self.moving = False
        self.still_since_us = at_us


def _middle(values: list[float]) -> float:
    """Mean of the values without the one furthest from their median: one stray may enter."""
    if len(values) < 3:
        return sum(values) / len(values)
    middle = median(values)
    off = [abs(value - middle) for value in values]
    stray = off.index(max(off))
    rest = values[:stray] + values[stray + 1 :]
    return sum(rest) / len(rest)
