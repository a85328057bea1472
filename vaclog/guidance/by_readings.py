"""A stage led by readings: after each turn the strobe or the strip is read, then it goes on.

Enters: the scene, and readings in crank degrees as they are tapped or spoken. Leaves: the
instructions of the stage, and between them the question for the reading.
"""

from __future__ import annotations

from typing import Final, Protocol

from vaclog.guidance.instructions import Because, Instruction, Step, Tap
from vaclog.guidance.readings import ReadHand
from vaclog.guidance.scene import Scene

# Time to hear, to turn, and for the body to come to rest; cycles of it belong to no hold.
TURN_S: Final = 4.0
ASK_AGAIN_S: Final = 15.0


class Stage(Protocol):
    """What the guide goes through."""

    @property
    def name(self) -> str:
        """Of the stage, as the view has it."""
        ...

    @property
    def done(self) -> bool:
        """Whether the stage is over."""
        ...

    def step(self, scene: Scene) -> Instruction | None:
        """The next instruction, if it is time for one."""
        ...

    def tap(self, scene: Scene, tap: Tap) -> None:
        """What the person said."""
        ...

    def resume(self, scene: Scene, gap_us: int) -> Instruction | None:
        """The engine stood for so long, and was started again; what is to be said, if known."""
        ...


class ByReadings:
    """A stage that is led by readings.

    Parameters
    ----------
    stage
        The sweep or the setting, which sees the readings as if a sensor had given them.
    """

    def __init__(self, stage: Stage) -> None:
        self.stage = stage
        self.name = stage.name
        self._turned_us: int | None = None
        self._asked_us: int | None = None

    @property
    def done(self) -> bool:
        """Whether the stage is."""
        return self.stage.done

    def step(self, scene: Scene) -> Instruction | None:
        """Ask for the reading that is missing, else go on."""
        if scene.watch.here_deg is None and self._turned_us is None:
            self._turned_us = scene.now_us - round(TURN_S * 1e6)  # the baseline, nobody turned
        if self._turned_us is not None:
            return self._ask(scene)
        instruction = self.stage.step(scene)
        if instruction is not None and instruction.to_go_deg is not None and not self.stage.done:
            scene.readings.leave(scene.now_us)
            self._turned_us, self._asked_us = scene.now_us, None
        return instruction

    def tap(self, scene: Scene, tap: Tap) -> None:
        """Passed on; a "done" while a reading is asked for means nothing."""
        if self._turned_us is None or tap not in (Tap.DONE, Tap.MOVED):
            self.stage.tap(scene, tap)

    def resume(self, scene: Scene, gap_us: int) -> Instruction | None:
        """Passed on, unless a reading is waited for: that is asked for again."""
        self._asked_us = None
        if self._turned_us is None:
            return self.stage.resume(scene, gap_us)
        self._turned_us += gap_us
        return None

    def reading(self, scene: Scene, deg: float) -> None:
        """What the strobe or the strip reads."""
        assert isinstance(scene.watch, ReadHand)
        start_us = scene.watch.still_since_us
        if self._turned_us is not None:
            start_us = self._turned_us + round(TURN_S * 1e6)
        scene.readings.add(start_us, deg)
        scene.watch.read(start_us, deg)
        if scene.home_deg is None:
            scene.home_deg = deg
        scene.refill()
        self._turned_us = self._asked_us = None

    def undo(self, scene: Scene) -> None:
        """The last reading was wrong: as if it had not been said; it is asked for again."""
        assert isinstance(scene.watch, ReadHand)
        taken = scene.readings.undo()
        if taken is None:
            return
        start_us, end_us, _ = taken
        last_deg = scene.readings.last_deg
        scene.watch.unread(last_deg)
        if last_deg is None:
            scene.home_deg = None
        scene.refill()
        if end_us is None:  # the hand is still there
            self._turned_us = start_us - round(TURN_S * 1e6)
            self._asked_us = None

    def _ask(self, scene: Scene) -> Instruction | None:
        assert self._turned_us is not None
        if scene.now_us < self._turned_us + round(TURN_S * 1e6):
            return None
        if self._asked_us is not None and scene.now_us - self._asked_us < ASK_AGAIN_S * 1e6:
            return None
        self._asked_us = scene.now_us
        return scene.say(Step.READ_STROBE, Because.READING, valid_s=10.0)
