"""What the hand does: to the distributor body, the throttle, the key and the gear lever.

Enters: a list of segments. Leaves: a coroutine that the engine asks every 20 ms what the
hand does now, and the true spans of what went on.

Angles of the hand are the advance that the engine has while its weights rest: crank degrees
before top dead centre.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field, replace
from typing import TypeAlias

import numpy as np

from vaclog.result import Direction, PhaseKind

CONTROL_S = 0.02
DYING_S = 1.0  # an engine that dies unasked does so in about this time


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What the hand's owner sees and hears: time, speed, and a needle with its own lag.

    ``rpm`` is the speed of this moment, ``calm_rpm`` what an ear makes of it (0.3 s).
    """

    t_s: float
    rpm: float
    calm_rpm: float
    needle_kpa: float


@dataclass(slots=True, kw_only=True)
class Command:
    """What the hand does now. ``throttle`` 0 is the idle stop, 1 wide open."""

    hand_deg: float
    throttle: float = 0.0
    ignition: bool = True
    fuel: bool = True
    starter: bool = False
    in_gear: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueSpan:
    """A half-open interval of engine time and what went on in it."""

    kind: PhaseKind
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueSweep:
    """One pass of the hand, from where it starts to where it stops."""

    start_s: float
    end_s: float
    direction: Direction
    from_deg: float
    to_deg: float


@dataclass(slots=True)
class Log:
    """What the script writes down as it goes."""

    spans: list[TrueSpan] = field(default_factory=list)
    sweeps: list[TrueSweep] = field(default_factory=list)
    moves: list[TrueSweep] = field(default_factory=list)

    def span(self, kind: PhaseKind, start_s: float, end_s: float) -> None:
        """Add a span; neighbours of one kind are joined."""
        if end_s <= start_s:
            return
        if self.spans and self.spans[-1].kind == kind and self.spans[-1].end_s == start_s:
            start_s = self.spans.pop().start_s
        self.spans.append(TrueSpan(kind=kind, start_s=start_s, end_s=end_s))


Run: TypeAlias = Generator[Command, Seen, None]


class Hand:
    """State that the segments share: where the hand is, what it last saw."""

    def __init__(self, start_deg: float, rng: np.random.Generator) -> None:
        self.command = Command(hand_deg=start_deg)
        self.seen = Seen(t_s=0.0, rpm=0.0, calm_rpm=0.0, needle_kpa=0.0)
        self.rng = rng
        self.log = Log()

    def wait(self, seconds: float) -> Run:
        """Do nothing for a while."""
        end = self.seen.t_s + seconds - 1e-9
        while self.seen.t_s < end:
            self.seen = yield self.command

    def move(self, to_deg: float, rate_deg_s: float) -> Run:
        """Turn at a steady rate; written down as a move."""
        start, begin = self.command.hand_deg, self.seen.t_s
        way = 1.0 if to_deg > start else -1.0
        seconds = abs(to_deg - start) / rate_deg_s
        while self.seen.t_s - begin < seconds - 1e-9:
            self.seen = yield self.command
            gone = min((self.seen.t_s - begin) * rate_deg_s, abs(to_deg - start))
            self.command.hand_deg = start + way * gone
        self.command.hand_deg = to_deg
        if seconds > 0:
            self._write(self.log.moves, start, begin)

    def sweep(self, start_deg: float, begin_s: float) -> None:
        """Write down that a pass of the hand ends now."""
        self._write(self.log.sweeps, start_deg, begin_s)

    def _write(self, into: list[TrueSweep], start_deg: float, begin_s: float) -> None:
        into.append(
            TrueSweep(
                start_s=begin_s,
                end_s=self.seen.t_s,
                direction="advancing" if self.command.hand_deg > start_deg else "retarding",
                from_deg=start_deg,
                to_deg=self.command.hand_deg,
            )
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Still:
    """Key on, engine not turning."""

    seconds: float

    def run(self, hand: Hand) -> Run:
        """Wait with the engine at rest."""
        begin = hand.seen.t_s
        yield from hand.wait(self.seconds)
        hand.log.span("still", begin, hand.seen.t_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """The starter turns the engine until it runs by itself."""

    dry_s: float = 1.0
    give_up_s: float = 8.0

    def run(self, hand: Hand) -> Run:
        """Crank without fire for ``dry_s``, then until speed says that it fires."""
        begin = hand.seen.t_s
        hand.command.starter, hand.command.fuel = True, False
        yield from hand.wait(self.dry_s)
        hand.command.fuel = True
        while hand.seen.rpm < 450.0 and hand.seen.t_s - begin < self.give_up_s:
            hand.seen = yield hand.command
        hand.command.starter = False
        hand.log.span("cranking", begin, hand.seen.t_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Warm:
    """Idle while the engine warms up, on a fast idle that comes down."""

    seconds: float
    fast_idle: float = 0.0

    def run(self, hand: Hand) -> Run:
        """Idle, hands off."""
        begin = hand.seen.t_s
        while hand.seen.t_s - begin < self.seconds - 1e-9:
            left = 1.0 - (hand.seen.t_s - begin) / self.seconds
            hand.command.throttle = self.fast_idle * left
            hand.seen = yield hand.command
        hand.command.throttle = 0.0
        hand.log.span("warming", begin, hand.seen.t_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """Idle at one setting, hands off."""

    seconds: float

    def run(self, hand: Hand) -> Run:
        """Wait."""
        begin = hand.seen.t_s
        yield from hand.wait(self.seconds)
        hand.log.span("hold", begin, hand.seen.t_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """A turn of the body to a setting.

    Attributes
    ----------
    to_deg
        Where to.
    rate_deg_s
        How fast, crank degrees a second, while moving.
    step_deg, wait_s
        Nudge by so much and wait so long; 0: turn without stopping.
    jerky
        Relative spread of rate, step and wait.
    """

    to_deg: float
    rate_deg_s: float = 1.0
    step_deg: float = 0.0
    wait_s: float = 0.0
    jerky: float = 0.0

    def run(self, hand: Hand) -> Run:
        """Turn; the whole is one sweep, each motion of it a move."""
        start, begin = hand.command.hand_deg, hand.seen.t_s
        way = 1.0 if self.to_deg > start else -1.0
        step = self.step_deg or (abs(self.to_deg - start) if not self.jerky else 2.5)
        while abs(self.to_deg - hand.command.hand_deg) > 1e-9:
            vary = np.exp(self.jerky * hand.rng.standard_normal(3)).tolist()
            left = abs(self.to_deg - hand.command.hand_deg)
            hop = min(step * vary[0], left)
            if left - hop < 0.3 * step:
                hop = left
            yield from hand.move(
                hand.command.hand_deg + way * hop if hop < left else self.to_deg,
                self.rate_deg_s * vary[1],
            )
            if abs(self.to_deg - hand.command.hand_deg) > 1e-9:
                yield from hand.wait(self.wait_s * vary[2])
        kind: PhaseKind = "advancing" if way > 0 else "retarding"
        hand.log.span(kind, begin, hand.seen.t_s)
        hand.sweep(start, begin)


@dataclass(frozen=True, slots=True, kw_only=True)
class Follow:
    """A hand that follows the needle: on while vacuum grows, back when it falls.

    Attributes
    ----------
    seconds
        How long.
    rate_deg_s, nudge_deg, look_s
        Speed and size of a nudge, and how long the needle is watched after it.
    turn_back_kpa
        The needle has to fall by so much below the best seen before the hand turns back.
    low_deg, high_deg
        The hand's own limits.
    """

    seconds: float
    rate_deg_s: float = 1.5
    nudge_deg: float = 1.5
    look_s: float = 2.0
    turn_back_kpa: float = 0.35
    low_deg: float = 0.0
    high_deg: float = 45.0

    def run(self, hand: Hand) -> Run:
        """Nudge, look, go on or turn back; each run one way is a sweep."""
        end = hand.seen.t_s + self.seconds
        way, best = 1.0, hand.seen.needle_kpa
        start, begin = hand.command.hand_deg, hand.seen.t_s
        while hand.seen.t_s < end:
            target = hand.command.hand_deg + way * self.nudge_deg
            target = min(max(target, self.low_deg), self.high_deg)
            at_end = abs(target - hand.command.hand_deg) < 1e-6
            if not at_end:
                yield from hand.move(target, self.rate_deg_s)
            yield from hand.wait(self.look_s)
            best = min(best, hand.seen.needle_kpa)
            if at_end or hand.seen.needle_kpa > best + self.turn_back_kpa:
                self._close(hand, way, start, begin)
                way, best = -way, hand.seen.needle_kpa
                start, begin = hand.command.hand_deg, hand.seen.t_s
        self._close(hand, way, start, begin)

    def _close(self, hand: Hand, way: float, start_deg: float, begin_s: float) -> None:
        if hand.command.hand_deg == start_deg:
            hand.log.span("hold", begin_s, hand.seen.t_s)
            return
        hand.log.span("advancing" if way > 0 else "retarding", begin_s, hand.seen.t_s)
        hand.sweep(start_deg, begin_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Blip:
    """The throttle is opened, held and let go; lasts until idle is regained.

    Attributes
    ----------
    throttle
        How far, 1 is wide open.
    open_s
        How long it is held open; it opens over ``rise_s`` and shuts over ``fall_s``.
    rise_s, fall_s
        Short for a blip, long for a slow rev-up and a slow way down.
    most_rpm
        The hand lets go there.
    """

    throttle: float = 0.15
    open_s: float = 0.5
    rise_s: float = 0.15
    most_rpm: float = 4500.0
    fall_s: float = 0.2

    def run(self, hand: Hand) -> Run:
        """Open, hold, shut, and wait for idle (within 5 % for half a second, at most 10 s)."""
        idle, begin = hand.seen.calm_rpm, hand.seen.t_s
        while (t := hand.seen.t_s - begin) < self.rise_s + self.open_s:
            hand.command.throttle = self.throttle * min(t / self.rise_s, 1.0)
            hand.seen = yield hand.command
            if hand.seen.rpm > self.most_rpm:
                break
        top, shut = hand.command.throttle, hand.seen.t_s
        while (t := hand.seen.t_s - shut) < self.fall_s:
            hand.command.throttle = top * (1.0 - t / self.fall_s)
            hand.seen = yield hand.command
        hand.command.throttle = 0.0
        near = 0.0
        while near < 0.5 and hand.seen.t_s - shut < 10.0:
            hand.seen = yield hand.command
            near = near + CONTROL_S if abs(hand.seen.calm_rpm / idle - 1.0) < 0.05 else 0.0
        hand.log.span("blip", begin, hand.seen.t_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """On the road in a middle gear: gentle, wide open, and off again.

    Attributes
    ----------
    gentle_s, load_s
        How long with a light and with a wide throttle.
    load_throttle
        1 is wide open.
    most_rpm
        The foot lifts there.
    """

    gentle_s: float = 4.0
    load_s: float = 8.0
    load_throttle: float = 0.9
    most_rpm: float = 3800.0

    def run(self, hand: Hand) -> Run:
        """Drive off, pull, lift off, and come back to idle out of gear."""
        begin = hand.seen.t_s
        hand.command.throttle, hand.command.in_gear = 0.03, False
        yield from hand.wait(1.0)
        hand.command.throttle, hand.command.in_gear = 0.08, True
        yield from hand.wait(self.gentle_s)
        hand.log.span("running", begin, hand.seen.t_s)
        begin = hand.seen.t_s
        hand.command.throttle = self.load_throttle
        while hand.seen.t_s - begin < self.load_s and hand.seen.rpm < self.most_rpm:
            hand.seen = yield hand.command
        hand.log.span("load", begin, hand.seen.t_s)
        begin = hand.seen.t_s
        hand.command.throttle = 0.0
        yield from hand.wait(2.0)
        hand.command.in_gear = False
        yield from hand.wait(6.0)
        hand.log.span("running", begin, hand.seen.t_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """The engine runs down, then stands still: key off, or out of fuel while it sparks."""

    still_s: float = 3.0
    out_of_fuel: bool = False

    def run(self, hand: Hand) -> Run:
        """Switch off and wait until nothing turns, then ``still_s`` longer."""
        begin = hand.seen.t_s
        hand.command.fuel = False
        hand.command.ignition = self.out_of_fuel
        while hand.seen.rpm > 0.0:
            hand.seen = yield hand.command
        hand.log.span("stall", begin, hand.seen.t_s)
        begin = hand.seen.t_s
        yield from hand.wait(self.still_s)
        hand.log.span("still", begin, hand.seen.t_s)


Segment: TypeAlias = Still | Start | Warm | Hold | Turn | Follow | Blip | Drive | Stop


@dataclass(frozen=True, slots=True, kw_only=True)
class Script:
    """A sequence of segments, and the setting the body has at first.

    A script that does not begin with :class:`Still` finds the engine idling, settled.
    """

    start_deg: float = 10.0
    segments: tuple[Segment, ...] = ()

    @property
    def starts_running(self) -> bool:
        """Whether the engine idles when the record begins."""
        return not (self.segments and isinstance(self.segments[0], Still | Start))


def perform(script: Script, hand: Hand) -> Run:
    """Run all segments; an engine that dies unasked is written down as stall and still."""
    first = yield hand.command
    hand.seen = replace(first, t_s=0.0)
    for segment in script.segments:
        begin, known = hand.seen.t_s, len(hand.log.spans)
        part = segment.run(hand)
        if isinstance(segment, Still | Start | Stop):
            yield from part
            continue
        start_deg = hand.command.hand_deg
        died = yield from _until_dead(part)
        if died is not None:
            del hand.log.spans[known:]
            yield from _after_death(segment, hand, start_deg, begin, died)
            return


def _until_dead(part: Run) -> Generator[Command, Seen, Seen | None]:
    """Run a segment to its end; what was seen when the engine had stopped, if it did."""
    try:
        command = next(part)
        while True:
            seen = yield command
            if seen.rpm <= 0.0:
                return seen
            command = part.send(seen)
    except StopIteration:
        return None


def _after_death(segment: Segment, hand: Hand, start_deg: float, begin_s: float, died: Seen) -> Run:
    """Write down the end of a cut segment, the last second as stall, then wait a little."""
    hand.seen = replace(died, t_s=max(begin_s, died.t_s - DYING_S))
    kind: PhaseKind = "hold"
    if isinstance(segment, Turn) and hand.command.hand_deg != start_deg:
        kind = "advancing" if segment.to_deg > start_deg else "retarding"
        hand.sweep(start_deg, begin_s)
    hand.log.span(kind, begin_s, hand.seen.t_s)
    hand.log.span("stall", hand.seen.t_s, died.t_s)
    hand.seen = died
    hand.command.throttle, hand.command.in_gear = 0.0, False
    yield from hand.wait(3.0)
    hand.log.span("still", died.t_s, hand.seen.t_s)
