"""The passes of the hand: which way it goes, where it has been, and how long it took.

Enters: the scene, when the hand rests and when it is turned round. Leaves: what the decisions of
the sweep (:mod:`vaclog.guidance.enough`) and its orders (:mod:`vaclog.guidance.sweeping`) ask.
"""

from __future__ import annotations

import math

from vaclog.guidance.scene import Scene


class Passes:
    """Where the hand was led so far.

    Attributes
    ----------
    way
        1: advancing, -1: retarding.
    turned
        A first pass was ended, its top passed or not.
    """

    def __init__(self) -> None:
        self.way = 1
        self.turned = False
        self._began_us: int | None = None
        self._pass_us = 0
        self._pass = (math.inf, -math.inf)  # lowest and highest hold of this pass
        self._trodden: list[tuple[float, float]] = []  # the same of those before

    @property
    def begun(self) -> bool:
        """Whether the first pass has begun."""
        return self._began_us is not None

    def begin(self, scene: Scene) -> None:
        """The sweep begins where the hand is."""
        self._began_us = self._pass_us = scene.now_us
        here = level_deg(scene)
        self._pass = (here, here)

    def skip(self, gap_us: int) -> None:
        """The engine stood for so long: that heats nothing and tells nothing."""
        if self._began_us is not None:
            self._began_us += gap_us
            self._pass_us += gap_us

    def tread(self, here_deg: float) -> None:
        """The hand has held here."""
        self._pass = (min(self._pass[0], here_deg), max(self._pass[1], here_deg))

    def turn_round(self, scene: Scene) -> None:
        """This pass ends and one the other way begins."""
        self.way = -self.way
        self.turned = True
        here = level_deg(scene)
        self._trodden.append(self._pass)
        self._pass = (here, here)
        scene.passes += 1
        self._pass_us = scene.now_us

    def crossings(self, foot_deg: float, far_deg: float) -> int:
        """How many passes held on both sides of a stretch."""
        return sum(
            each[0] <= foot_deg and each[1] >= far_deg for each in [*self._trodden, self._pass]
        )

    def spent_s(self, scene: Scene) -> float:
        """How long the sweep has taken."""
        assert self._began_us is not None
        return (scene.now_us - self._began_us) / 1e6

    def hot(self, scene: Scene) -> bool:
        """Whether this pass lasts too long, or stands too long below the baseline."""
        if (scene.now_us - self._pass_us) / 1e6 > scene.options.pass_cap_s:
            return True
        if self.way > 0 or scene.home_deg is None:
            return False
        rows = scene.cycles.start_us >= self._pass_us
        late = scene.cycles.advance_deg[rows] < scene.home_deg - 1.0
        spans = (scene.cycles.end_us - scene.cycles.start_us)[rows]
        return float(spans[late].sum()) / 1e6 > scene.options.late_cap_s


def level_deg(scene: Scene) -> float:
    """Where the hand stands, as steadily as can be told."""
    level = scene.recent_deg()
    if math.isfinite(level):
        return level
    return scene.watch.level_deg or 0.0
