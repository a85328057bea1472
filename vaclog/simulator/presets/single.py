"""Named scenarios that each show one thing: a hand, an engine, a rig, a fault.

Enters: nothing. Leaves: :data:`SINGLE`, by name.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from vaclog.simulator.engine import MisfireSpec
from vaclog.simulator.passenger import PinkSpec
from vaclog.simulator.presets.adjustable import knobs
from vaclog.simulator.presets.hands import around
from vaclog.simulator.presets.scenario import Scenario, Story
from vaclog.simulator.recording import MakerFacts
from vaclog.simulator.rig import BodyRig, RigSpec
from vaclog.simulator.script import Blip, Drive, Hold, Script, Start, Still, Stop, Warm


def _full_visit() -> Scenario:
    base = knobs()
    script = around(
        base.script,
        before=(
            Still(seconds=4.0),
            Start(),
            Warm(seconds=20.0, fast_idle=0.004),
            Blip(throttle=0.08, open_s=3.0, rise_s=6.0, most_rpm=3400.0),
        ),
        after=(Drive(), Hold(seconds=8.0), Stop()),
    )
    engine = replace(base.engine, cold_friction=0.15, warm_s=10.0)
    return Scenario(name="visit", engine=engine, script=script, rig=base.rig)


def _road(name: str, setting_deg: float) -> Scenario:
    """Two pulls at wide throttle, a passenger at the button; sound at 10 degrees, not at 16."""
    base = knobs()
    script = Script(
        start_deg=setting_deg,
        segments=(
            Still(seconds=5.0),
            Start(),
            Hold(seconds=10.0),
            Drive(load_s=14.0),
            Drive(load_s=14.0),
            Hold(seconds=6.0),
            Stop(),
        ),
    )
    return Scenario(
        name=name,
        engine=base.engine,
        script=script,
        rig=base.rig,
        maker=MakerFacts(static_deg=10.0),
        pinks=PinkSpec(),
    )


def _misfire() -> Scenario:
    base = knobs(habit="nudge", scatter=0.08, high_deg=36.0)
    engine = replace(base.engine, misfire=MisfireSpec(base=0.002, onset_deg=29.0, per_deg=0.012))
    return Scenario(name="misfire", engine=engine, script=base.script, rig=base.rig)


def _one_weak_cylinder() -> Scenario:
    base = knobs()
    engine = replace(base.engine, misfire=MisfireSpec(base=0.03, slot=3))
    return Scenario(name="weak-cylinder", engine=engine, script=base.script, rig=base.rig)


def _body_only() -> Scenario:
    base = knobs(rig=RigSpec(mark=False, body=BodyRig(backlash_deg=0.2), spurious_per_s=0.02))
    return replace(base, name="body-sensor")


def _rough_rig() -> Scenario:
    rig = RigSpec(
        ring_share=0.3,
        drop_share=0.01,
        spurious_per_s=0.05,
        multi_spark=2,
        mark_drop_share=0.005,
        noise_kpa=0.4,
        clock_ppm=80.0,
        first_tick=(1 << 32) - 40_000_000,
    )
    return replace(knobs(rig=rig), name="rough-rig")


SINGLE: Final[dict[str, Story]] = {
    "there-and-back": Story(
        words="over the top at one degree a second, and back",
        make=lambda: replace(knobs(), name="there-and-back"),
    ),
    "visit": Story(
        words="start, warming, a slow rev-up, the sweep, a pull, stop: all in one recording",
        make=_full_visit,
    ),
    "one-way": Story(
        words="over the top once, and stopped there",
        make=lambda: replace(knobs(habit="one-way", rate_deg_s=0.6), name="one-way"),
    ),
    "nudge": Story(
        words="nudged by 2 to 3 degrees with waits, there and back",
        make=lambda: replace(knobs(habit="nudge"), name="nudge"),
    ),
    "not-reached": Story(
        words="the slot ends 12 degrees short of the top",
        make=lambda: replace(knobs(peak_deg=36.0, low_deg=8.0, high_deg=24.0), name="not-reached"),
    ),
    "edge": Story(
        words="the slot ends right at the top",
        make=lambda: replace(knobs(peak_deg=30.0, low_deg=12.0, high_deg=30.0), name="edge"),
    ),
    "follow": Story(
        words="a hand that follows the needle up and down",
        make=lambda: replace(knobs(habit="follow"), name="follow"),
    ),
    "six": Story(
        words="six cylinders, a hill computed from the gas",
        make=lambda: replace(knobs(cylinders=6, peak_deg=28.0, hill="tabulated"), name="six"),
    ),
    "eight": Story(
        words="eight cylinders, a hill with a twist",
        make=lambda: replace(knobs(cylinders=8, peak_deg=22.0, hill="cubic"), name="eight"),
    ),
    "moving": Story(
        words="the best advance moves with load and speed",
        make=lambda: replace(knobs(hill="tabulated", moving=True), name="moving"),
    ),
    "misfire": Story(words="beats are lost from 29 degrees on, before the end", make=_misfire),
    "weak-cylinder": Story(
        words="the same cylinder misses three beats in a hundred", make=_one_weak_cylinder
    ),
    "body-sensor": Story(
        words="no crank mark: an angle sensor on the distributor body", make=_body_only
    ),
    "rough-rig": Story(
        words="noise, ringing, lost and false pulses, a clock that wraps", make=_rough_rig
    ),
    "road": Story(words="two pulls at full load, nothing pinks", make=lambda: _road("road", 10.0)),
    "road-too-far": Story(
        words="two pulls, set 6 degrees too far: it pinks, the passenger presses the button",
        make=lambda: _road("road-too-far", 16.0),
    ),
}
"""By name."""
