"""A simulated person over the engine: hears orders, turns the body, taps when done.

Enters: orders, one at a time, from whoever leads. Leaves: what the hand does every 20 ms, and
taps. People answer after half a second to a second and a half, turn in jerks, go too far, let
the body creep, and miss a word now and then.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, TypeAlias

import numpy as np

from vaclog.simulator.script import CONTROL_S, Command, Seen

Act: TypeAlias = Literal["turn", "freeze", "slower", "scribe", "lock", "loosen", "strobe", "leave"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What the person was told.

    Attributes
    ----------
    act
        "turn" the body by ``turn_deg``; "freeze": hands still; "slower"; "scribe" and tap;
        "lock" and tap; read the "strobe" and tap the number; "leave": done, end of the run.
    turn_deg
        Signed crank degrees, + is advance.
    tap
        What to tap when done.
    """

    act: Act
    turn_deg: float = 0.0
    tap: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Habits:
    """What a person and a body are like; angles are crank degrees.

    Attributes
    ----------
    react_s
        Shortest and longest time until the hand answers.
    ignores
        Share of orders that are not heard.
    spread
        Relative error of how far it is turned.
    slip_deg
        Size of the jerks in which a sticking body gives way.
    overshoot_deg
        Mean of what a turn goes too far.
    creep_deg_min, creep_spread
        How the body creeps while it is loose (the rotor drags it along), and its spread.
    slow_turns
        Turns slowly and on instead of nudging: crank degrees a second, 0: nudges.
    low_deg, high_deg
        Ends of the slot.
    lock_deg
        Standard deviation of what tightening the clamp moves.
    lock_slip_share, lock_slip_deg
        Share of lockings that turn the body clearly, and by how much.
    strobe_deg
        Standard deviation of a strobe reading.
    """

    react_s: tuple[float, float] = (0.5, 1.5)
    ignores: float = 0.1
    spread: float = 0.2
    slip_deg: float = 0.5
    overshoot_deg: float = 0.3
    creep_deg_min: float = -0.3
    creep_spread: float = 0.3
    slow_turns: float = 0.0
    low_deg: float = -10.0
    high_deg: float = 60.0
    lock_deg: float = 0.15
    lock_slip_share: float = 0.25
    lock_slip_deg: float = 2.0
    strobe_deg: float = 0.7


@dataclass(slots=True, kw_only=True)
class Tapped:
    """A tap or a reading of the person, at engine time."""

    t_s: float
    text: str
    value_deg: float | None = None


@dataclass(slots=True)
class Person:
    """Hears, and moves the body.

    Attributes
    ----------
    habits, rng
        What he is like, and chance.
    taps
        Taps not yet fetched.
    heard, missed
        Orders taken and not taken.
    """

    habits: Habits
    rng: np.random.Generator
    taps: list[Tapped] = field(default_factory=list)
    heard: int = 0
    missed: int = 0
    _now_s: float = 0.0
    _pending: Order | None = None
    _begin_s: float = 0.0
    _left_deg: float = 0.0
    _rate_deg_s: float = 3.0
    _stuck_s: float = 0.0
    _busy_until_s: float = 0.0
    _tap_after: str = ""
    _creep_deg_s: float | None = None
    _locked: bool = False
    _done: bool = False
    _true_deg: float = 0.0

    def hear(self, order: Order) -> None:
        """Take an order; it replaces what was not begun yet."""
        if order.act != "leave" and self.rng.random() < self.habits.ignores:
            self.missed += 1
            return
        self.heard += 1
        self._pending = order
        self._begin_s = self._now_s + float(self.rng.uniform(*self.habits.react_s))

    def act(self, seen: Seen, command: Command) -> bool:
        """Go on by one step of the hand."""
        self._now_s = seen.t_s
        self._true_deg = command.hand_deg
        if self._pending is not None and seen.t_s >= self._begin_s:
            order, self._pending = self._pending, None
            self._begin(order, command)
        self._move(command)
        if self._tap_after and seen.t_s >= self._busy_until_s and self._left_deg == 0.0:
            self._tap()
        return not self._done

    def _begin(self, order: Order, command: Command) -> None:
        habits, rng = self.habits, self.rng
        self._tap_after = order.tap
        if order.act == "turn":
            self._locked = False
            self._start_turn(order.turn_deg)
        elif order.act == "freeze":
            self._left_deg = 0.0
        elif order.act == "slower":
            self._rate_deg_s *= 0.5
        elif order.act == "lock":
            self._left_deg = 0.0
            slip = habits.lock_deg * float(rng.standard_normal())
            if rng.random() < habits.lock_slip_share:
                slip += habits.lock_slip_deg * float(rng.standard_normal())
            self._push(command, slip)
            self._locked = True
            self._busy_until_s = self._now_s + float(rng.uniform(2.0, 5.0))
        elif order.act == "loosen":
            self._locked = False
        elif order.act in ("scribe", "strobe"):
            self._busy_until_s = self._now_s + float(rng.uniform(1.5, 4.0))
        elif order.act == "leave":
            self._done = True

    def _start_turn(self, turn_deg: float) -> None:
        habits, rng = self.habits, self.rng
        go = turn_deg * float(np.exp(habits.spread * rng.standard_normal()))
        go += float(np.sign(turn_deg) * rng.exponential(habits.overshoot_deg)) * min(
            abs(turn_deg) / 2.0, 1.0
        )
        if habits.slow_turns > 0.0 and abs(turn_deg) > 1.5:
            go *= float(rng.uniform(1.0, 3.0))
            self._rate_deg_s = habits.slow_turns * float(rng.uniform(0.7, 1.4))
        else:
            self._rate_deg_s = float(rng.uniform(2.0, 5.0))
        self._left_deg = go
        self._stuck_s = float(rng.uniform(0.0, 0.4))
        self._creep_deg_s = None

    def _move(self, command: Command) -> None:
        habits, rng = self.habits, self.rng
        if self._left_deg != 0.0:
            self._stuck_s -= CONTROL_S
            if self._stuck_s > 0.0:
                return
            # Stick and slip: the body gives way in jerks at the hand's mean speed.
            jerk = max(float(rng.exponential(habits.slip_deg)), 0.05)
            jerk = min(jerk, abs(self._left_deg))
            way = float(np.sign(self._left_deg))
            self._push(command, way * jerk)
            self._left_deg -= way * jerk
            self._stuck_s = jerk / self._rate_deg_s
            if abs(self._left_deg) < 1e-9:
                self._left_deg = 0.0
        elif not self._locked:
            if self._creep_deg_s is None:
                creep = habits.creep_deg_min + habits.creep_spread * float(rng.standard_normal())
                self._creep_deg_s = creep / 60.0
            self._push(command, self._creep_deg_s * CONTROL_S)

    def _push(self, command: Command, by_deg: float) -> None:
        to_deg = command.hand_deg + by_deg
        command.hand_deg = min(max(to_deg, self.habits.low_deg), self.habits.high_deg)

    def _tap(self) -> None:
        text, self._tap_after = self._tap_after, ""
        value = None
        if text == "strobe":
            value = self._true_deg + self.habits.strobe_deg * float(self.rng.standard_normal())
        self.taps.append(Tapped(t_s=self._now_s, text=text, value_deg=value))
