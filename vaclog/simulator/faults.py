"""What an engine can have besides misfire: valves, springs, exhaust, a throttle left open.

Enters: a :class:`FaultSpec`, and event by event what the engine does. Leaves: gas that the
manifold gets (or keeps) which a sound engine would not give it, on the crank's steps, and what is
left of the work of the event.

Everything a valve does to the manifold is a puff: gas blown back through an inlet that does not
seal comes between compression and exhaust of its own cylinder; gas that a cylinder does not draw
is a puff in its intake stroke. Amounts are shares of that cylinder's charge; sizes are our own
choice.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

HOT = 1.8  # gas blown back is hotter than the charge was: so much more pressure per kilogram
INTAKE_FROM_DEG = 360.0  # after the firing top comes the intake top of the next charge
INTAKE_LONG_DEG = 216.0
BLOW_LONG_DEG = 180.0  # from the spark on: the end of compression, and the burning
EXHAUST_S = 6.0  # a choked exhaust fills and heats over some seconds
RING = 256  # steps, as long as that of the torque


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultSpec:
    """Faults; all shares are of the charge of one cylinder.

    Attributes
    ----------
    slot
        The firing place (1 is No. 1) that has the valve faults; None: any, for ``stick``.
    leak
        Share blown back into the manifold each cycle by an inlet valve that does not seal.
    weak_draw
        Share of its charge that the cylinder does not draw: a burned exhaust valve, a worn cam.
    stick, stick_leak
        Probability per event that a valve sticks: no fire, and so much blown back.
    flutter, flutter_per_1000rpm
        Standard deviation of a random share blown back by any cylinder, at idle and what it
        grows by with speed above idle: worn guides, tired springs.
    exhaust_block
        Share of the charge that stays in the cylinder at the fourfold air flow of the idle, when
        a blocked exhaust has filled.
    starter_air
        Air area while the starter turns, above that of the idle, relative to it.
    uneven
        What each cylinder in firing order draws too little (or too much) of its charge: the
        ordinary inequality of a sound manifold.
    """

    slot: int | None = None
    leak: float = 0.0
    weak_draw: float = 0.0
    stick: float = 0.0
    stick_leak: float = 0.8
    flutter: float = 0.0
    flutter_per_1000rpm: float = 0.0
    exhaust_block: float = 0.0
    starter_air: float = 0.0
    uneven: tuple[float, ...] = ()

    @property
    def any(self) -> bool:
        """Whether there is a fault at all."""
        return self != FaultSpec()


@dataclass(slots=True, kw_only=True)
class Faults:
    """The faults of a run, as they go on.

    Attributes
    ----------
    spec
        What is wrong.
    step_deg
        Crank degrees of a step.
    uniform, normal
        Sources of chance.
    idle_rpm, idle_charge_kg
        What speed and charge are compared with.
    puff
        Gas to come, in kilograms at the temperature of the charge, by step modulo ``RING``.
    """

    spec: FaultSpec
    step_deg: float
    uniform: Callable[[], float]
    normal: Callable[[], float]
    idle_rpm: float
    idle_charge_kg: float
    puff: list[float] = field(default_factory=lambda: [0.0] * RING)
    filled: float = 0.0
    last_s: float = 0.0

    def event(self, step: int, top: int, slot: int, now_s: float, air: float, rpm: float) -> float:
        """Let an event go wrong: schedule its puffs; share of its work that is left.

        Parameters
        ----------
        step, top
            The crank's step now, and that of the firing top of the event.
        slot
            Firing place, 0 is No. 1.
        now_s
            Time of the spark.
        air, rpm
            Charge (kg) and speed.
        """
        spec, left = self.spec, 1.0
        mine = spec.slot is None or slot == spec.slot - 1
        if spec.stick and mine and self.uniform() < spec.stick:
            self._spread(step, BLOW_LONG_DEG, spec.stick_leak * air * HOT)
            left = 0.0
        if spec.leak and mine:
            self._spread(step, BLOW_LONG_DEG, spec.leak * air * HOT)
            left *= 1.0 - spec.leak
        undrawn = spec.weak_draw * mine + (spec.uneven[slot] if spec.uneven else 0.0)
        if undrawn:
            first = top + round(INTAKE_FROM_DEG / self.step_deg)
            self._spread(first, INTAKE_LONG_DEG, undrawn * air)
            left *= 1.0 - undrawn  # the charge counted as air is the whole one
        shake = spec.flutter + spec.flutter_per_1000rpm * max(rpm - self.idle_rpm, 0.0) / 1e3
        if shake:
            share = abs(shake * self.normal())
            self._spread(step, BLOW_LONG_DEG, share * air * HOT)
            left *= max(1.0 - share, 0.0)
        if spec.exhaust_block:
            left *= self._exhaust(top, now_s, air, rpm)
        return left

    def _exhaust(self, top: int, now_s: float, air: float, rpm: float) -> float:
        flow = air * rpm / (self.idle_charge_kg * self.idle_rpm)
        dt, self.last_s = max(now_s - self.last_s, 0.0), now_s
        self.filled += ((flow / 4.0) ** 2 - self.filled) * min(dt / EXHAUST_S, 1.0)
        kept = min(self.spec.exhaust_block * self.filled, 0.6)
        first = top + round(INTAKE_FROM_DEG / self.step_deg)
        self._spread(first, INTAKE_LONG_DEG, kept * air)
        return 1.0 - kept

    def _spread(self, first: int, long_deg: float, gas_kg: float) -> None:
        count = round(long_deg / self.step_deg)
        for step in range(first, first + count):
            self.puff[step % RING] += gas_kg / count
