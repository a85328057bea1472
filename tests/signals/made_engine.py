"""Engines made by formula, so that every cycle's truth is known without a simulator.

The crank's angle over time is given; sparks and marks stand where the angle says.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from vaclog.cards import EngineCard, MarkSensor, RigCard
from vaclog.signals.chain import SignalChain
from vaclog.wire.messages import Hello, Message, Pressure, PulseKind, Pulses

HELLO = Hello(version=1, boot=1, tick_ns=500, adc_bits=10)
RIG = RigCard(mark=MarkSensor(angle_deg=20.0))


@dataclass(kw_only=True)
class Made:
    """What a made engine shows; times in seconds, float64."""

    samples_s: np.ndarray
    counts: np.ndarray
    sparks_s: np.ndarray
    marks_s: np.ndarray
    bodies_s: np.ndarray
    body_counts: np.ndarray
    coils_s: np.ndarray = field(default_factory=lambda: np.empty(0))


def crank_times(
    rpm: Callable[[np.ndarray], np.ndarray], seconds: float, angles_deg: np.ndarray
) -> np.ndarray:
    """When a crank of given speed passes angles, from 0 at time 0."""
    t = np.linspace(0.0, seconds, round(min(seconds * 20_000, 1_000_000)) + 1)
    speed = rpm(t) * 6.0
    angle = np.concatenate(([0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(t))))
    inside = angles_deg[(angles_deg > 0.0) & (angles_deg < angle[-1])]
    return np.interp(inside, angle, t)


def make(
    *,
    seconds: float = 20.0,
    rpm: Callable[[np.ndarray], np.ndarray] | float = 850.0,
    advance_deg: float = 14.0,
    mark_deg: float = 20.0,
    sparks_every_deg: float = 720.0,
    sample_s: float = 0.001,
    counts: Callable[[np.ndarray], np.ndarray] | None = None,
) -> Made:
    """An engine of given speed; pressure counts are a function of time."""
    speed = rpm if callable(rpm) else lambda t, r=rpm: np.full_like(t, r)
    turns = np.arange(0.0, seconds * 5000.0 * 6.0, 360.0)
    sparks = np.arange(0.0, turns[-1], sparks_every_deg)
    t = np.arange(0.0, seconds, sample_s)
    shape = counts or (lambda x: np.full_like(x, 200.0))
    return Made(
        samples_s=t,
        counts=np.round(shape(t)).astype(np.int64),
        sparks_s=crank_times(speed, seconds, sparks - advance_deg),
        marks_s=crank_times(speed, seconds, turns - mark_deg),
        bodies_s=np.empty(0),
        body_counts=np.empty(0, np.int64),
    )


def messages(made: Made, *, hello: Hello | None = HELLO, first_tick: int = 1000) -> list[Message]:
    """What a decoder would give for it, all in one."""
    tick_s = (hello or HELLO).tick_ns * 1e-9

    def ticks(times: np.ndarray) -> np.ndarray:
        return (first_tick + np.floor(times / tick_s).astype(np.int64)) % (1 << 32)

    kinds = [
        (PulseKind.SPARK, made.sparks_s, np.zeros(len(made.sparks_s))),
        (PulseKind.COIL, made.coils_s, np.zeros(len(made.coils_s))),
        (PulseKind.MARK, made.marks_s, np.zeros(len(made.marks_s))),
        (PulseKind.BODY, made.bodies_s, made.body_counts),
    ]
    times = np.concatenate([k[1] for k in kinds])
    order = np.argsort(times, kind="stable")
    pulses = Pulses(
        kinds=np.concatenate([np.full(len(k[1]), k[0]) for k in kinds])[order].astype(np.uint8),
        ticks=ticks(times)[order].astype(np.uint32),
        values=np.concatenate([k[2] for k in kinds])[order].astype(np.int32),
    )
    pressure = Pressure(
        ticks=ticks(made.samples_s).astype(np.uint32), counts=made.counts.astype(np.uint16)
    )
    return ([hello] if hello else []) + [pressure, pulses]


def in_slices(made: Made, slice_s: float) -> list[list[Message]]:
    """The same in feeds of so many seconds, the hello first."""
    hello, *blocks = messages(made)
    pressure, pulses = blocks
    assert isinstance(pressure, Pressure) and isinstance(pulses, Pulses)
    step = round(slice_s * 2e6)
    parts: list[list[Message]] = [[hello]]
    last = int(np.concatenate((pressure.ticks, pulses.ticks)).max())
    for low in range(1000, last + 1, step):
        a = slice(*np.searchsorted(pressure.ticks, [low, low + step]).tolist())
        b = slice(*np.searchsorted(pulses.ticks, [low, low + step]).tolist())
        parts.append(
            [
                Pressure(ticks=pressure.ticks[a], counts=pressure.counts[a]),
                Pulses(kinds=pulses.kinds[b], ticks=pulses.ticks[b], values=pulses.values[b]),
            ]
        )
    return parts


def chain_of(
    parts: Sequence[Sequence[Message]],
    *,
    engine: EngineCard | None = None,
    rig: RigCard = RIG,
) -> SignalChain:
    """A chain fed and finished."""
    chain = SignalChain(engine or EngineCard(), rig)
    for part in parts:
        chain.feed(part)
    chain.finish()
    return chain


def assert_same(a: SignalChain, b: SignalChain) -> None:
    """Two chains have the very same tables, bit for bit."""
    for x, y in ((a.cycles(), b.cycles()), (a.background(), b.background())):
        for name in x.__dataclass_fields__:
            np.testing.assert_array_equal(getattr(x, name), getattr(y, name), err_msg=name)
    assert a.report() == b.report()
    np.testing.assert_array_equal(a.markers()[0], b.markers()[0])
    assert a.markers()[1] == b.markers()[1]
