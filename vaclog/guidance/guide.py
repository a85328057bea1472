"""The guide: decides from the growing cycle table what the hand should do next.

Enters: cycles and background as they grow, what a person says, the clock's ticks, a port lost and
found. Leaves: :class:`~vaclog.guidance.instructions.Instruction` records, and a
:class:`~vaclog.guidance.view.View` on demand.

Stages: *prepare* (scribe, warm up), *sweep*, *set* (with the lock), or *home*; *stopped* when the
person wants quiet, *done* at the end. Everything is driven by the count of cycles and by the
times in records, never by load or a clock of its own: a replayed capture gives the same
instructions, however its bytes are cut.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from vaclog.analysis.holds.readings import UNDO
from vaclog.cards import EngineCard, RigCard
from vaclog.guidance.blind import Blind
from vaclog.guidance.by_readings import ByReadings, Stage
from vaclog.guidance.catalogue import ENGLISH, Catalogue
from vaclog.guidance.instructions import Because, Instruction, Step, Tap, Urgency
from vaclog.guidance.preparing import Preparing
from vaclog.guidance.scene import Options, Scene, first_rows, until
from vaclog.guidance.setting import Setting
from vaclog.guidance.stall import Stall, stands
from vaclog.guidance.sweeping import Sweeping
from vaclog.guidance.view import View
from vaclog.guidance.viewing import make_view
from vaclog.records import OperatorInput
from vaclog.signals.tables import Background, CycleFlag, CycleTable
from vaclog.units import PressureUnit

STEP_CYCLES: Final = 2  # a third of a second at idle: sooner than a hand can answer
LOST_US: Final = 3_000_000
LEAST_CYCLES: Final = 16
READ_TOLERANCE_DEG: Final = 1.0
# Before deciding that nothing measures the angle, the first cycles must have been seen.
JUDGE_SOURCE_CYCLES: Final = 60


class Guide:
    """Leads a hand through the sweep to the setting.

    Parameters
    ----------
    engine, rig
        The cards.
    options
        What is wanted.
    """

    def __init__(self, engine: EngineCard, rig: RigCard, options: Options | None = None) -> None:
        options = options or Options()
        if options.strobe:
            # Nearer than a reading is good to, the hand would be led after the eye's error.
            tolerance = max(options.tolerance_deg, READ_TOLERANCE_DEG)
            options = replace(options, tolerance_deg=tolerance)
        self.scene = Scene(engine, rig, options)
        self._stage: Stage = Preparing()
        self._seen = 0
        self._number = 0
        self._current: Instruction | None = None
        self._quiet = False
        self._finished = False
        self._host_us: int | None = None
        self._rows = 0
        self._paused = False
        self._stall: Stall | None = None  # of a pause for that reason

    # What enters -----------------------------------------------------------------------------

    def on_cycles(
        self,
        cycles: CycleTable,
        background: Background,
        *,
        at_us: int | None = None,
        barometer_kpa: float | None = None,
    ) -> list[Instruction]:
        """Take the table as it is now.

        Parameters
        ----------
        cycles, background
            All rows so far; rows seen before must not have changed. Without a new one the
            background alone went on: the engine may have stopped.
        at_us
            Host time of the record that brought them.
        barometer_kpa
            Air outside as the signals room knows it.

        Returns
        -------
        list of Instruction
            What is to be done next, in order; mostly empty.
        """
        said: list[Instruction] = []
        self.scene.barometer_kpa = barometer_kpa
        if len(cycles) == self._rows:
            return self._on_none(background)
        self._rows = len(cycles)
        if at_us is not None:
            self._host_us = at_us
        if self._paused and self._stall is None:
            said += self._resume()
        while self._seen + STEP_CYCLES <= len(cycles):
            self._seen += STEP_CYCLES
            rows = first_rows(cycles, self._seen)
            self.scene.advance(rows, until(background, int(rows.end_us[-1])), STEP_CYCLES)
            said += self._step()
        return said

    def on_input(self, operator: OperatorInput) -> list[Instruction]:
        """Take what a person said.

        A tap's ``text`` is a :class:`~vaclog.guidance.instructions.Tap`; a strobe reading has
        ``value_deg``; a marker stands for "done". Words that are not known are passed over.
        """
        if self._seen == 0:
            return []
        if operator.kind == "strobe":
            if isinstance(self._stage, ByReadings):
                if operator.value_deg is not None:
                    self._stage.reading(self.scene, operator.value_deg)
                elif operator.text == UNDO:
                    self._stage.undo(self.scene)
            return self._step()
        text = operator.text.strip().lower() if operator.kind == "tap" else Tap.DONE.value
        if text not in {each.value for each in Tap}:
            return []
        return self._on_tap(Tap(text))

    def on_marker(self) -> list[Instruction]:
        """The marker button on the wire: "done"."""
        return self._on_tap(Tap.DONE) if self._seen else []

    def on_tick(self, at_us: int) -> list[Instruction]:
        """Take the injected clock: says so when nothing comes any more."""
        if self._host_us is None or self._paused or self._finished or self._quiet:
            return []
        if at_us - self._host_us < LOST_US:
            return []
        return self._pause()

    def on_lost(self) -> list[Instruction]:
        """The port is gone; what was measured is kept."""
        return [] if self._paused or self._seen == 0 or self._finished else self._pause()

    # What leaves -----------------------------------------------------------------------------

    @property
    def current(self) -> Instruction | None:
        """The instruction of the moment."""
        return self._current

    @property
    def stage(self) -> str:
        """Name of the stage, as the view has it."""
        if self._paused:
            return "paused"
        if self._quiet:
            return "stopped"
        if self._finished:
            return "done"
        stage = self._stage.stage if isinstance(self._stage, ByReadings) else self._stage
        if isinstance(stage, Setting) and stage.home:
            return "home"
        return self._stage.name

    def view(self, catalogue: Catalogue = ENGLISH, unit: PressureUnit = "inHg") -> View:
        """What a page shows now."""
        return make_view(self, catalogue, unit)

    # Inside ----------------------------------------------------------------------------------

    def _step(self) -> list[Instruction]:
        """One look at the scene; a stage that ends hands over at once."""
        scene = self.scene
        if self._stall is not None:
            return self._after_stall(self._stall)
        if self._quiet or self._finished or self._seen < LEAST_CYCLES:
            return []
        if int(scene.cycles.flags[-1]) & int(CycleFlag.CRANKING):
            return []
        said: list[Instruction] = []
        for _ in range(3):
            instruction = self._stage.step(scene)
            if instruction is not None:
                said.append(self._emit(instruction))
            if not self._stage.done:
                break
            self._next_stage()
            if self._finished or instruction is not None:
                break
        return said

    def _next_stage(self) -> None:
        stage = self._stage
        inner = stage.stage if isinstance(stage, ByReadings) else stage
        if isinstance(inner, Preparing):
            self._stage = self._sweep()
        elif isinstance(inner, Sweeping):
            self._stage = self._led(Setting())
        else:
            self._finished = True

    def _sweep(self) -> Stage:
        """The sweep that this rig allows."""
        if self.scene.options.strobe or self.scene.sees_angle:
            return self._led(Sweeping())
        return Blind()

    def _led(self, stage: Stage) -> Stage:
        return ByReadings(stage) if self.scene.options.strobe else stage

    def _on_tap(self, tap: Tap) -> list[Instruction]:
        scene = self.scene
        if tap is Tap.STOP:
            self._quiet = True
            return []
        if tap is Tap.GO_ON:
            self._quiet = False
            return self._repeat()
        if tap is Tap.HOME:
            self._quiet = self._finished = False
            self._stage = self._led(Setting(home=True, because=Because.ASKED))
        elif tap is Tap.AGAIN:
            self._quiet = self._finished = False
            self._stage = self._sweep()
        else:
            self._stage.tap(scene, tap)
        return self._step()

    def _emit(self, instruction: Instruction) -> Instruction:
        self._number += 1
        self._current = replace(instruction, number=self._number)
        return self._current

    def _repeat(self) -> list[Instruction]:
        """Say the instruction of the moment again."""
        if self._current is None:
            return []
        return [self._emit(replace(self._current, at_us=self.scene.now_us))]

    def _pause(self) -> list[Instruction]:
        self._paused = True
        self._before_pause = self._current
        paused = self.scene.say(Step.PAUSED, Because.NO_DATA, urgency=Urgency.SOON, valid_s=10.0)
        return [self._emit(paused)]

    def _resume(self) -> list[Instruction]:
        self._paused = False
        self._current = self._before_pause
        return self._repeat()

    def _on_none(self, background: Background) -> list[Instruction]:
        """No new cycle, though the device goes on: say so where the engine has stopped."""
        scene, stall = self.scene, self._stall
        if self._seen == 0 or self._finished or self._quiet:
            return []
        if stall is not None and stall.runs_us is None:
            return []  # said, and not started since
        if not stands(background, scene.cycles, scene.barometer_kpa):
            return []
        if stall is None:
            self._stall, self._paused = Stall(scene.now_us), True
        else:
            stall.runs_us = None
        return [
            self._emit(scene.say(Step.STALLED, Because.KEPT, urgency=Urgency.SOON, valid_s=20.0))
        ]

    def _after_stall(self, stall: Stall) -> list[Instruction]:
        """Go on where it was, once the engine has settled."""
        scene, ran = self.scene, stall.runs_us is not None
        settled = stall.settled(scene.cycles)
        if not ran and stall.runs_us is not None:
            scene.watch.forget(scene.now_us)
        if not settled:
            return []
        self._stall, self._paused = None, False
        scene.breaks.append((stall.at_us, scene.now_us))
        instruction = self._stage.resume(scene, scene.now_us - stall.at_us)
        if self._quiet or self._finished:
            self._current = None  # "go on" then repeats nothing that is over
            return []
        return [self._emit(instruction)] if instruction is not None else self._step()
