"""One call from specs to bytes, truth and cards.

Enters: engine, script and rig, a seed. Leaves: a :class:`Recording`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from vaclog.simulator.crank import Trace, build, run
from vaclog.simulator.emit import Chunks, binary_chunks, text_lines
from vaclog.simulator.engine import Engine, EngineSpec
from vaclog.simulator.passenger import PinkSpec, pinking_s, presses_s
from vaclog.simulator.rig import Boot, PinSignals, RigSpec, pin_signals, record
from vaclog.simulator.script import Script
from vaclog.simulator.truth import Truth, make_truth


@dataclass(frozen=True, slots=True, kw_only=True)
class MakerFacts:
    """What the maker's book says, right or wrong; None leaves the key out of the card.

    Figures not given are taken from the engine: the static figure is where the script's
    first hold stands, the maximum total a little beyond static and curve.
    """

    name: str = "Simulated engine"
    static_deg: float | None = None
    max_total_deg: float | None = None
    idle_rpm: float | None = None
    rotor_turns: str = "clockwise"
    body_radius_mm: float = 32.0
    altitude_m: float | None = None
    give_curve: bool = True
    give_max_total: bool = True


@dataclass(frozen=True, kw_only=True, eq=False)
class Recording:
    """A simulated record: bytes, truth and cards. Bytes are made when first asked for.

    Attributes
    ----------
    engine, script, rig, seed
        What was simulated.
    trace, pins, truth
        The run, the edges and voltages at the device's pins, and the truth.
    engine_card_toml, rig_card_toml
        The two cards.
    pinked_s
        float64 [k], sparks of the strokes that pinked.
    """

    engine: Engine
    script: Script
    rig: RigSpec
    seed: int
    trace: Trace
    pins: PinSignals
    truth: Truth
    engine_card_toml: str
    rig_card_toml: str
    pinked_s: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))

    @cached_property
    def boots(self) -> list[Boot]:
        """What the device recorded, per boot."""
        return record(self.pins, self.rig)

    @cached_property
    def chunks(self) -> Chunks:
        """The binary stream as a host's reads: (arrival in µs from the start, bytes)."""
        return binary_chunks(self.boots, self.rig, np.random.default_rng([self.seed, 3]))

    @cached_property
    def binary(self) -> bytes:
        """The binary stream in one piece."""
        return b"".join(data for _, data in self.chunks)

    @cached_property
    def text(self) -> bytes:
        """The same record as text lines."""
        return text_lines(self.boots, self.rig)


def simulate(
    engine: EngineSpec,
    script: Script,
    rig: RigSpec,
    seed: int,
    *,
    maker: MakerFacts | None = None,
    markers_s: tuple[float, ...] = (),
    pinks: PinkSpec | None = None,
) -> Recording:
    """Run an engine through a script under a rig.

    Parameters
    ----------
    engine, script, rig
        What to simulate.
    seed
        The same seed gives the same bytes; engine and rig draw from streams of their own.
    maker
        What the engine card says.
    markers_s
        When the marker button is pressed.
    pinks
        Where the engine pinks; a passenger then presses the button as well.
    """
    made = build(engine)
    trace = run(made, script, np.random.default_rng([seed, 1]))
    heard_s = np.empty(0)
    if pinks is not None:
        rng = np.random.default_rng([seed, 5])
        heard_s = pinking_s(trace, pinks, rng)
        markers_s = tuple(sorted((*markers_s, *presses_s(heard_s, rng))))
    pins = pin_signals(
        trace, rig, engine.cylinders, np.random.default_rng([seed, 2]), markers_s=markers_s
    )
    return Recording(
        engine=made,
        script=script,
        rig=rig,
        seed=seed,
        trace=trace,
        pins=pins,
        truth=make_truth(made, trace, rig),
        engine_card_toml=engine_card(engine, script, maker or MakerFacts()),
        rig_card_toml=rig_card(engine, script, rig),
        pinked_s=heard_s,
    )


def engine_card(engine: EngineSpec, script: Script, maker: MakerFacts) -> str:
    """Write the engine card as TOML."""
    order = engine.firing_order or tuple(range(1, engine.cylinders + 1))
    static = script.start_deg if maker.static_deg is None else maker.static_deg
    lines = [
        f'name = "{maker.name}"',
        f"cylinders = {engine.cylinders}",
        f"firing_order = {list(order)}",
        f'rotor_turns = "{maker.rotor_turns}"',
        f"static_deg = {float(static)}",
        f"idle_rpm = {engine.idle_rpm if maker.idle_rpm is None else maker.idle_rpm}",
        f"body_radius_mm = {maker.body_radius_mm}",
    ]
    most = engine.centrifugal[-1][1] if engine.centrifugal else 0.0
    if maker.give_curve and engine.centrifugal:
        lines.append(f"centrifugal = {[list(point) for point in engine.centrifugal]}")
    if maker.give_max_total:
        total = static + most + 2.0 if maker.max_total_deg is None else maker.max_total_deg
        lines.append(f"max_total_deg = {total}")
    if maker.altitude_m is not None:
        lines.append(f"altitude_m = {maker.altitude_m}")
    return "\n".join(lines) + "\n"


def rig_card(engine: EngineSpec, script: Script, rig: RigSpec) -> str:
    """Write the rig card as TOML."""
    lines = [
        "[pressure]",
        f"gain_per_kpa = {rig.gain_per_kpa}",
        f"offset = {rig.offset}",
        "[spark]",
        f'pickup = "{rig.pickup}"',
        f"delay_us = {rig.declared_delay_us}",
    ]
    if rig.mark:
        declared = rig.mark_deg if rig.declared_mark_deg is None else rig.declared_mark_deg
        lines += ["[mark]", f"angle_deg = {declared}"]
        if rig.declared_u_mark_deg is not None:
            lines.append(f"u_angle_deg = {rig.declared_u_mark_deg}")
    if rig.body is not None:
        body = rig.body
        scale = body.declared_deg_per_count or body.deg_per_count
        strobe = script.start_deg + engine.centrifugal_deg(engine.idle_rpm)
        lines += [
            "[body]",
            f"deg_per_count = {scale}",
            f"sign = {body.sign}",
            f"anchor_counts = {body.anchor_counts}",
            f"anchor_deg = {strobe + body.strobe_error_deg}",
        ]
    return "\n".join(lines) + "\n"
