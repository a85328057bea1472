"""Leads in a thread of its own: a look at the hill takes longer than a page may wait.

Enters: the calls of a session to its leader, in order. Leaves: the leader's instructions as
events, and a new view when something of it changed. What is said depends on the order of the
calls alone, so it is the same as in the session's own thread, only not waited for.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from queue import SimpleQueue
from typing import Final, TypeAlias

from vaclog.guidance.guide import Guide
from vaclog.guidance.instructions import Instruction
from vaclog.guidance.view import View
from vaclog.records import OperatorInput
from vaclog.session import Event, Instruct, Noticed
from vaclog.signals.tables import Background, CycleTable

HEAD_START_S: Final = 0.004
"""The cycle that is to be thought about is shown first: a leader that begins at once takes the
interpreter's lock from the thread that hands the cycle out. A busy leader does not wait."""

# A call of the guide, and the host time up to which it leads.
_Call: TypeAlias = tuple[Callable[[], list[Instruction]], int | None]


class LeaderThread:
    """A leader that answers later.

    Parameters
    ----------
    guide
        Who decides; touched by the thread alone from now on.
    on_event, on_view
        Called in the thread.
    on_led
        Called there with the host time up to which the hand has been led.
    make_view
        Makes a view of the guide.
    pause
        Waits some seconds.
    """

    def __init__(
        self,
        guide: Guide,
        *,
        on_event: Callable[[Event], None],
        on_view: Callable[[View], None],
        on_led: Callable[[int], None] = lambda _at_us: None,
        make_view: Callable[[Guide], View] = Guide.view,
        pause: Callable[[float], None] = time.sleep,
    ) -> None:
        self._guide = guide
        self._on_event, self._on_view, self._on_led = on_event, on_view, on_led
        self._make_view, self._pause = make_view, pause
        self._view = make_view(guide)
        self._shown: tuple[object, ...] = ()
        self._calls: SimpleQueue[_Call | None] = SimpleQueue()
        self._thread = threading.Thread(target=self._run, name="leader", daemon=True)
        self._thread.start()

    def on_cycles(
        self,
        cycles: CycleTable,
        background: Background,
        *,
        at_us: int | None = None,
        barometer_kpa: float | None = None,
    ) -> list[Instruction]:
        """Take the tables as they are now."""

        def call() -> list[Instruction]:
            return self._guide.on_cycles(
                cycles, background, at_us=at_us, barometer_kpa=barometer_kpa
            )

        self._calls.put((call, at_us))
        return []

    def on_input(self, operator: OperatorInput) -> list[Instruction]:
        """Take what a person said."""
        self._calls.put((lambda: self._guide.on_input(operator), None))
        return []

    def on_marker(self) -> list[Instruction]:
        """Take the marker button on the wire."""
        self._calls.put((self._guide.on_marker, None))
        return []

    def on_tick(self, at_us: int) -> list[Instruction]:
        """Take the clock."""
        self._calls.put((lambda: self._guide.on_tick(at_us), None))
        return []

    def on_lost(self) -> list[Instruction]:
        """The port is gone."""
        self._calls.put((self._guide.on_lost, None))
        return []

    def view(self) -> View:
        """The last view that was made."""
        return self._view

    def close(self) -> None:
        """Work off what is waiting and end."""
        self._calls.put(None)
        self._thread.join()

    def _run(self) -> None:
        while (call := self._calls.get()) is not None:
            if call[1] is not None and self._calls.empty():
                self._pause(HEAD_START_S)
            try:
                for instruction in call[0]():
                    self._on_event(Instruct(instruction=instruction))
                self._show()
                if call[1] is not None:
                    self._on_led(call[1])
            except Exception as error:
                # Whatever is wrong with the guidance, the recording goes on and answers.
                self._on_event(
                    Noticed(
                        text="The guidance has failed and is silent from here on; recording goes "
                        f"on and will be analysed ({type(error).__name__}: {error})."
                    )
                )
                break
        while call is not None:
            call = self._calls.get()

    def _show(self) -> None:
        """Make a new view where more than the ball has changed; the ball is shown by others."""
        guide, scene = self._guide, self._guide.scene
        number = 0 if guide.current is None else guide.current.number
        # A look at the hill is a record of its own: another one is another record.
        shown = (scene.known, number, guide.stage, scene.passes, scene.home_deg)
        if len(shown) == len(self._shown) and all(
            a is b or a == b for a, b in zip(shown, self._shown, strict=True)
        ):
            return
        self._shown = shown
        self._view = self._make_view(guide)
        self._on_view(self._view)
