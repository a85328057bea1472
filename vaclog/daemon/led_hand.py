"""A simulated engine with a simulated hand that does what the guidance says.

Enters: an engine and rig of the simulator, instructions. Leaves: records as a port would give
them, at the wanted pace, and taps at the desk: the loop is closed, as in a real visit.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from queue import SimpleQueue
from typing import TYPE_CHECKING, Final

import numpy as np

from vaclog.daemon.desk import Desk, Handed
from vaclog.guidance.instructions import Instruction, Step, Tap
from vaclog.records import CardText, Chunk, PortClosed, PortOpened, Record
from vaclog.simulator.person import Habits, Order, Person, Tapped
from vaclog.simulator.presets import Scenario
from vaclog.simulator.script import Command, Script, Seen

if TYPE_CHECKING:
    from vaclog.simulator.live import LiveRun

# What a hand makes of a step that turns nothing.
_ORDERS: Final = {
    Step.STOP: Order(act="freeze"),
    Step.HOLD: Order(act="freeze"),
    Step.LISTEN: Order(act="freeze"),
    Step.SLOWER: Order(act="slower"),
    Step.SCRIBE: Order(act="scribe", tap=Tap.SCRIBED),
    Step.READ_STROBE: Order(act="strobe", tap="strobe"),
    Step.LOCK: Order(act="lock", tap=Tap.LOCKED),
    Step.LOCKED: Order(act="leave"),
    Step.AT_HOME: Order(act="leave"),
}
# Whoever leads may be behind by so much before the engine waits: less than a hand's reaction.
_AHEAD_US: Final = 400_000
_PATIENCE_S: Final = 5.0
# A USB bridge hands over what it has every 16 to 20 ms; a frame of the wire is 20 ms.
_READ_S: Final = 0.02


def order_of(instruction: Instruction) -> Order | None:
    """What a hand makes of an instruction; None: nothing to do."""
    if instruction.step in _ORDERS:
        return _ORDERS[instruction.step]
    if instruction.way and instruction.to_go_deg is not None:
        tap = Tap.DONE if instruction.waits_for is Tap.DONE else ""
        return Order(act="turn", turn_deg=instruction.way * instruction.to_go_deg, tap=tap)
    return None


def handed_of(tapped: Tapped) -> Handed:
    """A person's tap as it is handed in."""
    if tapped.value_deg is not None:
        return Handed(kind="strobe", value_deg=round(tapped.value_deg, 1))
    return Handed(kind="tap", text=tapped.text)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cards:
    """The two cards of a scenario, as TOML."""

    engine: str
    rig: str


def cards_of(scenario: Scenario) -> Cards:
    """What the maker and the rig say."""
    from vaclog.simulator.recording import engine_card, rig_card

    script = Script(start_deg=scenario.script.start_deg)
    return Cards(
        engine=engine_card(scenario.engine, script, scenario.maker),
        rig=rig_card(scenario.engine, script, scenario.rig),
    )


class LedHand:
    """A source that runs while it is led.

    Parameters
    ----------
    scenario
        Its engine, rig and maker's book; its own script of the hand is not used.
    desk
        Where the person taps.
    seed
        Another seed, another day.
    speed
        Times real time.
    habits
        What the person is like.
    """

    def __init__(
        self,
        scenario: Scenario,
        desk: Desk,
        *,
        seed: int = 1,
        speed: float = 1.0,
        habits: Habits | None = None,
    ) -> None:
        self._scenario, self._desk = scenario, desk
        self._seed, self._speed = seed, speed
        self._lock = threading.Condition()
        self._person = Person(habits or Habits(), np.random.default_rng([seed, 21]))
        self._led_us = 0
        self._waits = True
        self.now_us = 0

    def hear(self, instruction: Instruction) -> None:
        """Tell the person; from any thread. A word that has gone stale is not told."""
        order = order_of(instruction)
        if order is not None and self.now_us - instruction.at_us < instruction.valid_us:
            self.tell(order)

    def tell(self, order: Order) -> None:
        """Give the person an order; from any thread."""
        with self._lock:
            self._person.hear(order)

    def led(self, at_us: int) -> None:
        """Whoever leads has seen everything until then."""
        with self._lock:
            self._led_us, self._waits = at_us, True
            self._lock.notify_all()

    def read_records(self, stop: threading.Event) -> Iterator[Record]:
        """Yield the records of the run."""
        cards = cards_of(self._scenario)
        yield CardText(at_us=0, which="engine", toml=cards.engine)
        yield CardText(at_us=0, which="rig", toml=cards.rig)
        yield PortOpened(at_us=0, name="simulator")
        chunks: SimpleQueue[Chunk | None] = SimpleQueue()

        def run() -> None:
            try:
                self.run(stop, lambda at_us, data: chunks.put(Chunk(at_us=at_us, data=data)))
            finally:
                chunks.put(None)

        thread = threading.Thread(target=run, name="engine", daemon=True)
        thread.start()
        at_us = 0
        while (chunk := chunks.get()) is not None:
            at_us = chunk.at_us or at_us
            yield chunk
        thread.join()
        yield PortClosed(at_us=at_us)

    def run(self, stop: threading.Event, send: Callable[[int, bytes], None]) -> LiveRun:
        """Let the engine run until the person leaves; `send` gets time and bytes of each read.

        The engine keeps the wanted pace, but does not run ahead of who leads: a hand that is
        told late would turn too far, and that would be this program's fault alone.
        """
        from vaclog.simulator.crank import build
        from vaclog.simulator.live import run_live

        start_us = time.monotonic_ns() // 1000

        def deliver(at_us: int, data: bytes) -> None:
            due_us = start_us + round(at_us / self._speed)
            while (left_us := due_us - time.monotonic_ns() // 1000) > 0:
                if stop.wait(left_us / 1e6):
                    break
            self.now_us = at_us
            send(at_us, data)
            with self._lock:
                self._wait_for_leader(stop)
                taps = list(self._person.taps)
                self._person.taps.clear()
            for tapped in taps:
                self._desk.hand_in(handed_of(tapped))

        return run_live(
            build(self._scenario.engine),
            self._scenario.rig,
            _Stoppable(self._person, self._lock, stop),
            deliver,
            start_deg=self._scenario.script.start_deg,
            seed=self._seed,
            read_s=_READ_S,
        )

    def _wait_for_leader(self, stop: threading.Event) -> None:
        """Wait until the leader is near; when it does not come nearer, do not wait again."""
        if not self._waits:
            return
        near = self._lock.wait_for(
            lambda: stop.is_set() or self.now_us - self._led_us <= _AHEAD_US, _PATIENCE_S
        )
        self._waits = near


@dataclass(slots=True)
class _Stoppable:
    """The person, who also goes when told to stop from outside."""

    person: Person
    lock: threading.Condition
    stop: threading.Event

    def act(self, seen: Seen, command: Command) -> bool:
        """Go on by one step of the hand."""
        with self.lock:
            return self.person.act(seen, command) and not self.stop.is_set()
