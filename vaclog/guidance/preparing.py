"""Before the first nudge: scribe the body, wait for a warm engine and a steady idle.

Enters: the scene. Leaves: instructions, and the baseline of the scene.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from vaclog.guidance.instructions import Because, Instruction, Step, Tap, Urgency
from vaclog.guidance.scene import Scene
from vaclog.signals.tables import CycleFlag

# Two stretches of this length are compared: longer than an idle's own slow swing.
STRETCH_S: Final = 10.0
# Of the speed, from one stretch to the next: a warm-up of a tenth of the speed a minute shows,
# the wander of a rough idle averaged over ten seconds does not.
STEADY: Final = 0.012
BASELINE_S: Final = 8.0
_ASK_AGAIN_S: Final = 25.0
# The hand went to work without waiting to be told.
_BEGUN_DEG: Final = 1.5


class Preparing:
    """First stage."""

    name = "prepare"

    def __init__(self) -> None:
        self._asked_us: int | None = None
        self._scribed = False
        self._ready = False
        self._begin_deg: float | None = None
        self.done = False

    def step(self, scene: Scene) -> Instruction | None:
        """Ask for the scribed line, then for patience; done when the idle is steady."""
        self._note_baseline(scene)
        if self._moved(scene):
            self.done = True
            return None
        if not self._scribed:
            return self._ask(scene, Step.SCRIBE, Because.BASELINE, Tap.SCRIBED)
        if self._ready or steady(scene):
            self.done = True
            return None
        return self._ask(scene, Step.WARM_UP, Because.NOT_STEADY, Tap.READY)

    def tap(self, scene: Scene, tap: Tap) -> None:
        """Scribed; or warm enough, by the person's judgement."""
        if tap in (Tap.SCRIBED, Tap.DONE) and not self._scribed:
            self._scribed = True
            self._asked_us = None
        elif tap in (Tap.READY, Tap.DONE):
            self._scribed = self._ready = True

    def resume(self, scene: Scene, gap_us: int) -> Instruction | None:
        """The engine was started again: what is waited for is asked for again, at once."""
        self._asked_us = None
        return None

    def _ask(self, scene: Scene, step: Step, because: Because, tap: Tap) -> Instruction | None:
        last = self._asked_us
        if last is not None and scene.now_us - last < _ASK_AGAIN_S * 1e6:
            return None
        self._asked_us = scene.now_us
        urgency = Urgency.CALM if step is Step.WARM_UP else Urgency.NORMAL
        return scene.say(step, because, urgency=urgency, valid_s=20.0, waits_for=tap)

    def _note_baseline(self, scene: Scene) -> None:
        """Where the body stands while nobody touches it."""
        if scene.watch.moving or not scene.sees_angle:
            return
        if scene.watch.still_s(scene.now_us) < 2.0:
            return
        if self._begin_deg is None:
            self._begin_deg = scene.watch.level_deg
        angles = scene.since(scene.now_us - round(BASELINE_S * 1e6), scene.cycles.advance_deg)
        angles = angles[np.isfinite(angles)]
        if len(angles) >= 8 and not self._moved(scene):
            scene.home_deg = float(np.median(angles))

    def _moved(self, scene: Scene) -> bool:
        here = scene.watch.here_deg
        return (
            self._begin_deg is not None
            and here is not None
            and abs(here - self._begin_deg) > _BEGUN_DEG
        )


def steady(scene: Scene) -> bool:
    """Whether the speed has stopped drifting: two stretches in a row agree."""
    cycles = scene.cycles
    length_us = round(STRETCH_S * 1e6)
    late = cycles.start_us >= scene.now_us - length_us
    early = (cycles.start_us >= scene.now_us - 2 * length_us) & ~late
    if (cycles.flags[late | early] & int(CycleFlag.CRANKING)).any():
        return False
    span_us = scene.now_us - int(cycles.start_us[0])
    if span_us < 1.8 * length_us or min(late.sum(), early.sum()) < 20:
        return False
    speeds = [float(np.median(cycles.rpm[part])) for part in (early, late)]
    return abs(speeds[1] / speeds[0] - 1.0) < STEADY
