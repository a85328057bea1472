"""What turns the spark away from where hand and speed would have it: weights, canister, drive.

Enters: specs, and at each control step speed, pressure and throttle. Leaves: the advance that
weights and canister add, and how far the drive lets each spark stray.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True, kw_only=True)
class CanisterSpec:
    """A vacuum advance.

    Attributes
    ----------
    most_deg
        Crank degrees that it adds when pulled home.
    start_kpa, full_kpa
        Vacuum at which it begins to move and at which it is home.
    fed
        "manifold", or "port": at the throttle's edge, so that it feels the vacuum only with the
        throttle opened.
    lag_s
        Time constant of hose and membrane.
    """

    most_deg: float = 14.0
    start_kpa: float = 15.0
    full_kpa: float = 45.0
    fed: Literal["manifold", "port"] = "manifold"
    lag_s: float = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveSpec:
    """A worn drive, shaft and bush; crank degrees.

    Attributes
    ----------
    play_deg
        Standard deviation of each spark, from one to the next.
    wander_deg, wander_sparks
        Standard deviation and memory (in sparks) of a slow stray.
    alternate_deg
        Every other turn of the distributor is early by so much, the turns between late.
    """

    play_deg: float = 0.0
    wander_deg: float = 0.0
    wander_sparks: float = 40.0
    alternate_deg: float = 0.0

    @property
    def any(self) -> bool:
        """Whether there is anything to it."""
        return bool(self.play_deg or self.wander_deg or self.alternate_deg)


class Weights:
    """Centrifugal weights with lag and dry friction, and the canister beside them.

    Parameters
    ----------
    curve
        What the weights add, settled, over speed.
    lag_s, stick_deg
        Lag; angle by which dry friction holds them back either way. At their stops springs and
        stops are stronger than the friction.
    most_deg
        Where the outer stop is.
    canister
        Vacuum advance, None: none or its hose off.
    ambient_kpa
        Air outside.
    """

    def __init__(
        self,
        curve: Callable[[float], float],
        *,
        lag_s: float,
        stick_deg: float,
        most_deg: float,
        canister: CanisterSpec | None,
        ambient_kpa: float,
    ) -> None:
        self._curve, self._lag_s, self._stick_deg = curve, lag_s, stick_deg
        self._most_deg, self._canister, self._ambient_kpa = most_deg, canister, ambient_kpa
        self._out_deg = 0.0
        self._pulled_deg = 0.0

    def settle(self, rpm: float, kpa: float) -> float:
        """Advance after a long time at this speed and pressure, throttle shut."""
        self._out_deg = self._curve(rpm)
        self._pulled_deg = self._pull_deg(kpa, 0.0)
        return self._out_deg + self._pulled_deg

    def step(self, dt: float, rpm: float, kpa: float, throttle: float) -> float:
        """Advance that weights and canister add after ``dt`` more."""
        target = self._curve(rpm)
        if 0.0 < target < self._most_deg:
            # Within the friction nothing pulls hard enough to move them.
            target = min(max(self._out_deg, target - self._stick_deg), target + self._stick_deg)
        self._out_deg += (target - self._out_deg) * min(dt / self._lag_s, 1.0)
        if self._canister is not None:
            pull = self._pull_deg(kpa, throttle)
            self._pulled_deg += (pull - self._pulled_deg) * min(dt / self._canister.lag_s, 1.0)
        return self._out_deg + self._pulled_deg

    def _pull_deg(self, kpa: float, throttle: float) -> float:
        spec = self._canister
        if spec is None or (spec.fed == "port" and throttle <= 0.0):
            return 0.0
        share = (self._ambient_kpa - kpa - spec.start_kpa) / (spec.full_kpa - spec.start_kpa)
        return spec.most_deg * min(max(share, 0.0), 1.0)


class Stray:
    """How far each spark strays by the drive."""

    def __init__(self, spec: DriveSpec, cylinders: int, normal: Callable[[], float]) -> None:
        self._spec, self._cylinders, self._normal = spec, cylinders, normal
        self._keep = math.exp(-1.0 / spec.wander_sparks)
        self._wander = 0.0

    def deg(self, event: int) -> float:
        """Stray of one spark, to be asked for in order."""
        spec = self._spec
        fresh = math.sqrt(1.0 - self._keep * self._keep)
        self._wander = self._keep * self._wander + fresh * self._normal()
        turn = event // self._cylinders
        alternate = spec.alternate_deg * (1.0 if turn % 2 == 0 else -1.0)
        return spec.play_deg * self._normal() + spec.wander_deg * self._wander + alternate
