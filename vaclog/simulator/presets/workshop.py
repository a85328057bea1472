"""One engine through a whole visit: what each step of it would record.

Enters: the setting, and what goes wrong at a step. Leaves: scenarios of one and the same engine,
rig and pair of cards, and :data:`WORKSHOP`, the story by name.

The story is our own. An ordinary engine stands 2 degrees later than its maker wants, is not warm
at the first check, is turned by its clamp as it is locked, and pinks on poor fuel a little above
the maker's figure: so each step that a visit may have to repeat is repeated once.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final

from vaclog.simulator.passenger import PinkSpec
from vaclog.simulator.presets.adjustable import knobs
from vaclog.simulator.presets.scenario import Scenario, Story
from vaclog.simulator.recording import MakerFacts
from vaclog.simulator.rig import RigSpec
from vaclog.simulator.script import (
    Blip,
    Drive,
    Hold,
    Script,
    Segment,
    Start,
    Still,
    Turn,
    Warm,
)

FOUND_DEG: Final = 8.0  # where the engine is found
TOP_DEG: Final = 24.0
STEEP_PER_DEG2: Final = 4.5e-4  # of the hill: an engine that shows its top well
SET_DEG: Final = 10.9  # where a scenario by name begins after setting
# At idle, hands off: from here on it pinks at full load. Between the maker's figure and what the
# sweep allows, so that the road test has something to say.
PINKS_FROM_DEG: Final = 9.8
MAKER: Final = MakerFacts(
    name="Workshop engine", static_deg=10.0, idle_rpm=850.0, altitude_m=120.0, max_total_deg=36.0
)
_AIR_KPA: Final = 99.9  # standard atmosphere at the workshop's altitude (ISO 2533)
_IDLE_KPA: Final = 38.0
_LEAKY_KPA: Final = 64.0  # thin mixture: more of it is needed for the same idle
_RIG: Final = RigSpec(mark_deg=20.0, declared_u_mark_deg=0.4)  # checked with a piston stop


def check_cold(at_deg: float = FOUND_DEG) -> Scenario:
    """The check of an engine that is still warming up."""
    return _scenario("workshop-cold", at_deg, *_CHECK, cold=0.25)


def check(at_deg: float = FOUND_DEG) -> Scenario:
    """The check of the same engine, warm and in order."""
    return _scenario("workshop-check", at_deg, *_CHECK)


def check_leak() -> Scenario:
    """The check with a hose off: air that the carburettor does not know of."""
    found = _scenario("workshop-leak", FOUND_DEG, *_CHECK)
    return replace(found, engine=replace(found.engine, idle_kpa=_LEAKY_KPA, scatter=0.13))


def curve(at_deg: float = FOUND_DEG) -> Scenario:
    """A slow rev-up and a slow way down: what the weights add."""
    rev_up = Blip(throttle=0.10, rise_s=9.0, open_s=3.0, most_rpm=3700.0, fall_s=5.0)
    return _scenario("workshop-curve", at_deg, Hold(seconds=10.0), rev_up, Hold(seconds=10.0))


def sweep(at_deg: float = FOUND_DEG) -> Scenario:
    """Nudged over the top, and back to where it stood."""
    return _scenario(
        "workshop-sweep",
        at_deg,
        Hold(seconds=20.0),
        Turn(to_deg=TOP_DEG + 7.0, rate_deg_s=3.0, step_deg=2.5, wait_s=5.5),
        Hold(seconds=6.0),
        Turn(to_deg=at_deg, rate_deg_s=3.0, step_deg=2.5, wait_s=5.5),
        Hold(seconds=14.0),
    )


def again(at_deg: float = SET_DEG) -> Scenario:
    """A short sweep over the top after idle and mixture, that ends at the setting."""
    return _scenario(
        "workshop-again",
        at_deg,
        Hold(seconds=12.0),
        Turn(to_deg=TOP_DEG + 7.0, rate_deg_s=1.0),
        Hold(seconds=4.0),
        Turn(to_deg=at_deg - 2.0, rate_deg_s=1.0),
        Hold(seconds=3.0),
        Turn(to_deg=at_deg, rate_deg_s=1.0),
        Hold(seconds=15.0),
    )


def lock(at_deg: float = SET_DEG, *, moved_deg: float = 0.0) -> Scenario:
    """Idle, the clamp is tightened, idle."""
    name = "workshop-lock-moved" if moved_deg else "workshop-lock"
    turned: tuple[Segment, ...] = (
        (Turn(to_deg=at_deg + moved_deg, rate_deg_s=2.0),) if moved_deg else ()
    )
    return _scenario(name, at_deg, Hold(seconds=20.0), *turned, Hold(seconds=20.0))


def road(at_deg: float = SET_DEG) -> Scenario:
    """Two pulls; whether it pinks is up to the setting, and the passenger presses the button."""
    drive = Drive(load_s=12.0)
    found = _scenario("workshop-road", at_deg, Hold(seconds=6.0), drive, drive, Hold(seconds=6.0))
    # As the weights add from 1500 rpm on: it pinks all through a pull or not at all.
    pinks = PinkSpec(limit_deg=PINKS_FROM_DEG + 14.0, per_1000_rpm_deg=8.0, share_per_deg=0.3)
    return replace(found, pinks=pinks)


LOCK_MOVES_DEG: Final = 1.6

_NAMED: Final[tuple[tuple[str, Callable[[], Scenario]], ...]] = (
    ("before the visit: the check of an engine that is not warm yet", check_cold),
    ("the check of the same engine, warm and in order", check),
    ("the check with a hose off: an air leak", check_leak),
    ("a slow rev-up that shows what the weights add", curve),
    ("the sweep: nudged over the top, and back", sweep),
    ("the short sweep after idle and mixture, ending at the setting", again),
    ("the clamp is tightened, and the body turns with it", lambda: lock(moved_deg=LOCK_MOVES_DEG)),
    ("the clamp is tightened, and it holds", lock),
    ("two pulls at the setting of the sweep: it pinks", road),
    ("two pulls two degrees later: nothing pinks", lambda: _renamed(road(SET_DEG - 2.0))),
)
_CHECK: Final[tuple[Segment, ...]] = (
    Still(seconds=5.0),
    Start(dry_s=3.0),
    Warm(seconds=5.0),
    Hold(seconds=60.0),
    Blip(throttle=0.3, open_s=0.6),
    Hold(seconds=20.0),
)


def _renamed(scenario: Scenario) -> Scenario:
    return replace(scenario, name=f"{scenario.name}-later")


def _scenario(name: str, at_deg: float, *segments: Segment, cold: float = 0.0) -> Scenario:
    """The engine, its idle brought back to the card's at this setting, and what is done to it."""
    base = knobs(peak_deg=TOP_DEG, k_per_deg2=STEEP_PER_DEG2, scatter=0.05, low_deg=at_deg).engine
    # Later timing wants more air for the same idle.
    off = STEEP_PER_DEG2 * ((TOP_DEG - at_deg) ** 2 - (TOP_DEG - SET_DEG) ** 2)
    engine = replace(
        base,
        barometer_kpa=_AIR_KPA,
        idle_kpa=_IDLE_KPA * (1.0 + off),
        cold_friction=cold,
        warm_s=45.0,
    )
    script = Script(start_deg=at_deg, segments=segments)
    return Scenario(name=name, engine=engine, script=script, rig=_RIG, maker=MAKER)


WORKSHOP: Final[dict[str, Story]] = {
    make().name: Story(words=words, make=make) for words, make in _NAMED
}
"""By name, in the order of a visit."""
