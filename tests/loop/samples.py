"""What stands in sample_captures/: four engines of our own invention, their rigs and cards.

Enters: nothing. Leaves: scenarios for the simulator and the text of the cards, by name.
"""

from __future__ import annotations

from dataclasses import dataclass

from vaclog.simulator import (
    BodyRig,
    EngineSpec,
    HillSpec,
    MisfireSpec,
    Recording,
    RigSpec,
    simulate,
)
from vaclog.simulator.script import Hold, Script, Start, Still, Turn, Warm


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """A scene and the two cards that a careful owner would write for it."""

    about: str
    engine: EngineSpec
    script: Script
    rig: RigSpec
    seed: int
    engine_card: str
    rig_card: str

    def simulate(self) -> Recording:
        """Run the engine."""
        return simulate(self.engine, self.script, self.rig, self.seed)


MARK_RIG_CARD = """\
# A 20...250 kPa sensor on the manifold, a clamp on the No. 1 lead, a hall switch at the pulley.
[pressure]
gain_per_kpa = 0.004
offset = -0.04

[spark]
pickup = "no1"
delay_us = 0.0
u_delay_us = 20.0

[mark]
angle_deg = 20.0                   # set with the strobe at idle
u_angle_deg = 0.5
"""

THERE_AND_BACK = Sample(
    about="Found 4 degrees late. Engine off, start, warm idle, a slow turn over the top and back.",
    engine=EngineSpec(
        displacement_l=1.3,
        manifold_l=1.0,
        inertia_kg_m2=0.16,
        barometer_kpa=100.4,
        idle_kpa=41.0,
        idle_deg=5.0,
        hill=HillSpec(kind="tabulated", peak_deg=25.5),
        scatter=0.06,
        imbalance=(1.01, 0.98, 1.02, 0.99),
        lobe_deg=(0.0, -0.4, 0.3, 0.2),
        spark_jitter_deg=0.3,
        centrifugal=((1200.0, 0.0), (1700.0, 10.0), (3200.0, 20.0)),
        warm_s=8.0,
        cold_friction=0.12,
        friction_drift_per_min=-0.004,
    ),
    script=Script(
        start_deg=5.0,
        segments=(
            Still(seconds=5.0),
            Start(),
            Warm(seconds=25.0, fast_idle=0.003),
            Hold(seconds=10.0),
            Turn(to_deg=33.0, rate_deg_s=0.8),
            Hold(seconds=4.0),
            Turn(to_deg=5.5, rate_deg_s=0.8),
            Hold(seconds=12.0),
        ),
    ),
    rig=RigSpec(mark_deg=20.0, sensor_lag_s=0.005, noise_kpa=0.15, ring_share=0.05),
    seed=11,
    engine_card="""\
# What the book of the pump house says, and what was checked on the engine itself.
name = "Pump-house engine"
cylinders = 4
firing_order = [1, 3, 4, 2]
rotor_turns = "counterclockwise"   # seen from above the cap
static_deg = 9.0
static_tolerance_deg = 2.0
idle_rpm = 850
centrifugal = [[1200, 0], [1700, 10], [3200, 20]]
max_total_deg = 34.0               # without vacuum advance
body_radius_mm = 34.0
vacuum_advance = "ported"          # hose off and plugged for the work
tdc_verified = true                # soft piston stop, turned by hand
""",
    rig_card=MARK_RIG_CARD,
)

STOPS_SHORT = Sample(
    about="The slot of the clamp ends before the top is reached; six cylinders; crank mark.",
    engine=EngineSpec(
        cylinders=6,
        firing_order=(1, 5, 3, 6, 2, 4),
        displacement_l=2.4,
        manifold_l=2.0,
        inertia_kg_m2=0.30,
        barometer_kpa=98.9,
        idle_rpm=750.0,
        idle_kpa=40.0,
        idle_deg=9.0,
        hill=HillSpec(kind="tabulated", peak_deg=33.0),
        scatter=0.06,
        centrifugal=((1000.0, 0.0), (2800.0, 24.0)),
    ),
    script=Script(
        start_deg=9.0,
        segments=(
            Still(seconds=4.0),
            Start(give_up_s=1.8),
            Warm(seconds=20.0),
            Hold(seconds=8.0),
            Turn(to_deg=21.0, rate_deg_s=4.0, step_deg=2.5, wait_s=6.0, jerky=0.2),
            Hold(seconds=6.0),
            Turn(to_deg=10.0, rate_deg_s=4.0, step_deg=2.5, wait_s=6.0, jerky=0.2),
            Hold(seconds=10.0),
        ),
    ),
    rig=RigSpec(mark_deg=20.0, noise_kpa=0.2),
    seed=12,
    engine_card="""\
name = "Sawmill engine"
cylinders = 6
firing_order = [1, 5, 3, 6, 2, 4]
rotor_turns = "clockwise"
static_deg = 9.0
idle_rpm = 750
centrifugal = [[1000, 0], [2800, 24]]
max_total_deg = 36.0
body_radius_mm = 38.0
tdc_verified = true
""",
    rig_card=MARK_RIG_CARD,
)

STUMBLES = Sample(
    about="Beats go missing beyond 29 degrees: the limit is the stumble; crank mark.",
    engine=EngineSpec(
        displacement_l=1.8,
        manifold_l=1.4,
        inertia_kg_m2=0.22,
        barometer_kpa=101.9,
        idle_kpa=40.0,
        idle_rpm=800.0,
        idle_deg=12.0,
        hill=HillSpec(kind="halves", peak_deg=25.0, lopsided=0.2, k_per_deg2=3.2e-4),
        scatter=0.07,
        misfire=MisfireSpec(onset_deg=29.0, per_deg=0.012),
        centrifugal=((1300.0, 0.0), (3000.0, 16.0)),
    ),
    script=Script(
        start_deg=12.0,
        segments=(
            Hold(seconds=10.0),
            Turn(to_deg=35.0, rate_deg_s=4.0, step_deg=2.5, wait_s=6.0),
            Hold(seconds=8.0),
            Turn(to_deg=14.0, rate_deg_s=4.0, step_deg=3.0, wait_s=6.0),
            Hold(seconds=10.0),
        ),
    ),
    rig=RigSpec(mark_deg=20.0),
    seed=13,
    engine_card="""\
name = "Grain-drier engine"
cylinders = 4
firing_order = [1, 3, 4, 2]
rotor_turns = "clockwise"
static_deg = 12.0
idle_rpm = 800
centrifugal = [[1300, 0], [3000, 16]]
max_total_deg = 36.0
body_radius_mm = 30.0
altitude_m = 0
""",
    rig_card=MARK_RIG_CARD,
)

BODY_SENSOR = Sample(
    about="No crank mark: the advance comes from a sensor on the body and one strobe reading.",
    engine=EngineSpec(
        displacement_l=1.6,
        barometer_kpa=99.6,
        idle_kpa=40.5,
        idle_rpm=830.0,
        idle_deg=10.0,
        hill=HillSpec(kind="tabulated", peak_deg=24.0),
        scatter=0.06,
        centrifugal=((1200.0, 0.0), (1800.0, 12.0), (3000.0, 20.0)),
    ),
    script=Script(
        start_deg=10.0,
        segments=(
            Still(seconds=4.0),
            Start(),
            Warm(seconds=20.0),
            Hold(seconds=8.0),
            Turn(to_deg=34.0, rate_deg_s=0.7),
            Hold(seconds=4.0),
            Turn(to_deg=11.0, rate_deg_s=0.7),
            Hold(seconds=10.0),
        ),
    ),
    rig=RigSpec(
        mark=False,
        body=BodyRig(deg_per_count=0.04, anchor_counts=300.0, backlash_deg=0.1, period_ms=20.0),
    ),
    seed=14,
    engine_card="""\
name = "Quarry-winch engine"
cylinders = 4
firing_order = [1, 3, 4, 2]
rotor_turns = "clockwise"
static_deg = 10.0
idle_rpm = 830
centrifugal = [[1200, 0], [1800, 12], [3000, 20]]
max_total_deg = 32.0
body_radius_mm = 32.0
""",
    rig_card="""\
# A 20...250 kPa sensor on the manifold, a clamp on the No. 1 lead, a potentiometer on the body.
[pressure]
gain_per_kpa = 0.004
offset = -0.04

[spark]
pickup = "no1"

[body]
deg_per_count = 0.04               # of the body, geared up by a lever
sign = 1                           # counts rise with advance
anchor_counts = 299.5              # at these counts ...
anchor_deg = 10.0                  # ... the strobe read this
u_anchor_deg = 1.0
""",
)

SAMPLES = {
    "there_and_back": THERE_AND_BACK,
    "stops_short": STOPS_SHORT,
    "stumbles": STUMBLES,
    "body_sensor": BODY_SENSOR,
}
