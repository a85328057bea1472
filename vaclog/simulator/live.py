"""A simulated engine that runs while somebody listens: bytes come out as it turns.

Enters: an engine, a rig, a :class:`Helper` whose hand is on the body. Leaves: reads of a host,
(arrival in µs, bytes), handed over in small steps while the run goes on, and the
:class:`~vaclog.simulator.truth.Truth` at its end. Whoever takes the bytes may talk to the helper
in between, so the loop is closed.

Of the rig's faults the live device knows delay, jitter and loss of pulses; ringing, ghosts and
restarts are left to :mod:`~vaclog.simulator.rig`, which sees a whole record at once.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from vaclog.simulator.crank import Trace, _Run
from vaclog.simulator.engine import Engine
from vaclog.simulator.rig import GRID_US, RigSpec
from vaclog.simulator.script import Command, Hand, Run, Seen
from vaclog.simulator.truth import Truth, make_truth
from vaclog.wire.encode import BinaryEncoder
from vaclog.wire.messages import Hello, Message, Pressure, PulseKind, Pulses

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

READ_S: Final = 0.1  # a USB bridge hands over every 16 ms; fewer reads keep long benches short
LATENCY_US: Final = 3000
_STEP_S: Final = GRID_US * 1e-6
_BODY_RESOLUTION: Final = 1024
_TOP_BITS: Final = 1 << 32


class Helper(Protocol):
    """Somebody with a hand on the body."""

    def act(self, seen: Seen, command: Command) -> bool:
        """Change the command as the hand does now (every 20 ms); False ends the run."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LiveRun:
    """What a live run leaves: the trace and the truth."""

    trace: Trace
    truth: Truth


def run_live(
    engine: Engine,
    rig: RigSpec,
    helper: Helper,
    deliver: Callable[[int, bytes], None],
    *,
    start_deg: float,
    seed: int,
    read_s: float = READ_S,
    longest_s: float = 1800.0,
) -> LiveRun:
    """Let an idling engine run until the helper ends it.

    Parameters
    ----------
    engine
        Made by :func:`~vaclog.simulator.crank.build`.
    rig
        Sensors and their faults.
    helper
        The hand.
    deliver
        Called with each read: arrival in µs from the start, and bytes. What it does takes no
        engine time.
    start_deg
        Setting at first.
    seed
        The same seed and the same helper give the same bytes.
    read_s, longest_s
        Time between reads; end of the run at the latest.
    """
    rng = np.random.default_rng([seed, 11])
    hand = Hand(start_deg, rng)
    device = _Device(rig, engine.spec.cylinders, np.random.default_rng([seed, 12]))
    box: list[_Run] = []

    def perform() -> Run:
        due = read_s
        while True:
            hand.seen = yield hand.command
            t = hand.seen.t_s
            if t >= due and box:
                due = t + read_s
                deliver(round(t * 1e6) + LATENCY_US, device.read(box[0], t))
            if t >= longest_s or not helper.act(hand.seen, hand.command):
                return

    running = _Run(engine, engine.spec, hand, perform(), rng, True)
    box.append(running)
    trace = running.go()
    return LiveRun(trace=trace, truth=make_truth(engine, trace, rig))


class _Device:
    """The device as it goes: keeps its place in the run between reads."""

    def __init__(self, rig: RigSpec, cylinders: int, rng: np.random.Generator) -> None:
        self.rig, self.cylinders, self.rng = rig, cylinders, rng
        self.encoder = BinaryEncoder()
        self.tick_s = rig.tick_ns * 1e-9 / (1.0 + rig.clock_ppm * 1e-6)
        self.grid = 0  # next grid point of pressure
        self.step = 0  # index into the run's steps
        self.row = 0  # index into its ignition events
        self.turn: int | None = None  # next mark
        self.hand = 0
        self.lag: FloatArray | None = None
        self.follow: float | None = None
        self.first_body = 0.0
        self.body_at = 0
        self.waiting: list[tuple[IntArray, int, IntArray]] = []  # ticks, kind, values
        self.hello = True

    def read(self, run: _Run, t: float) -> bytes:
        """Bytes of everything until now."""
        grid_end = int(t / _STEP_S)
        time = np.array(run.time[self.step :])
        pressure = self._pressure(run, time, grid_end)
        self._sparks(run)
        self._marks(run, time)
        self._body(run, t)
        self.step = max(len(run.time) - 2, 0)
        messages: list[Message] = []
        if self.hello:
            messages.append(
                Hello(
                    version=1,
                    boot=1,
                    tick_ns=self.rig.tick_ns,
                    adc_bits=self.rig.adc_bits,
                    device="simulated-rig",
                )
            )
            self.hello = False
        if pressure is not None:
            messages.append(pressure)
        messages += self._ready(self._tick(np.array([grid_end * _STEP_S]))[0])
        return self.encoder.encode(messages)

    def _tick(self, t_s: FloatArray) -> IntArray:
        return self.rig.first_tick + np.floor(t_s / self.tick_s).astype(np.int64)

    def _ready(self, until: int) -> list[Message]:
        """Pulses up to a tick, in order; later ones wait for the next read."""
        if not self.waiting:
            return []
        tick = np.concatenate([each[0] for each in self.waiting])
        kind = np.concatenate([np.full(len(t), k, np.int64) for t, k, _ in self.waiting])
        value = np.concatenate([each[2] for each in self.waiting])
        order = np.argsort(tick, kind="stable")
        tick, kind, value = tick[order], kind[order], value[order]
        now = tick <= until
        self.waiting = [
            (tick[~now & (kind == k)], int(k), value[~now & (kind == k)])
            for k in np.unique(kind[~now])
        ]
        if not now.any():
            return []
        return [
            Pulses(
                kinds=kind[now].astype(np.uint8),
                ticks=(tick[now] % _TOP_BITS).astype(np.uint32),
                values=value[now].astype(np.int32),
            )
        ]

    def _pressure(self, run: _Run, time: FloatArray, grid_end: int) -> Pressure | None:
        rig = self.rig
        grid = np.arange(self.grid, grid_end)
        if not len(grid):
            return None
        self.grid = grid_end
        kpa = np.interp(grid * _STEP_S, time, np.array(run.pressure[self.step :])) * 1e-3
        if rig.sensor_lag_s > 0.0:
            keep = np.exp(-_STEP_S / rig.sensor_lag_s)
            state = np.array([keep * kpa[0]]) if self.lag is None else self.lag
            kpa, self.lag = lfilter([1.0 - keep], [1.0, -keep], kpa, zi=state)
        share = rig.gain_per_kpa * (kpa + rig.noise_kpa * self.rng.standard_normal(len(kpa)))
        top = (1 << rig.adc_bits) - 1
        counts = np.clip(np.floor((share + rig.offset) * (top + 1)), 0, top)
        wanted = grid % max(rig.sample_period_us // GRID_US, 1) == 0
        if not wanted.any():
            return None
        # Ticks step evenly, as a timer makes them.
        ticks = rig.first_tick + grid[wanted] * round(GRID_US * 1000 / rig.tick_ns)
        return Pressure(
            ticks=(ticks % _TOP_BITS).astype(np.uint32), counts=counts[wanted].astype(np.uint16)
        )

    def _sparks(self, run: _Run) -> None:
        rig = self.rig
        rows = run.rows[self.row :]
        self.row = len(run.rows)
        slots = {rig.clamp_slot}
        if rig.pickup == "wasted":
            slots.add((rig.clamp_slot - 1 + self.cylinders // 2) % self.cylinders + 1)
        times = np.array([r[0] for r in rows if rig.pickup == "coil" or r[2] in slots])
        if len(times):
            jitter = rig.jitter_us * self.rng.standard_normal(len(times))
            kept = self.rng.random(len(times)) >= rig.drop_share
            self._pulses((times + (rig.delay_us + jitter) * 1e-6)[kept], PulseKind.SPARK)

    def _marks(self, run: _Run, time: FloatArray) -> None:
        rig = self.rig
        if not rig.mark or len(time) < 2:
            return
        theta = np.array(run.theta[self.step :])
        if self.turn is None:
            self.turn = int(np.ceil((theta[0] + rig.mark_deg) / 360.0))
        last = int(np.floor((theta[-1] + rig.mark_deg) / 360.0))
        turns = np.arange(self.turn, last + 1)
        self.turn = last + 1
        if not len(turns):
            return
        times = np.interp(turns * 360.0 - rig.mark_deg, theta, time)
        kept = self.rng.random(len(times)) >= rig.mark_drop_share
        times = times + rig.mark_jitter_us * 1e-6 * self.rng.standard_normal(len(times))
        self._pulses(times[kept], PulseKind.MARK)

    def _pulses(self, times_s: FloatArray, kind: int, values: IntArray | None = None) -> None:
        good = times_s >= 0.0
        values = np.zeros(len(times_s), np.int64) if values is None else values
        self.waiting.append((self._tick(times_s[good]), int(kind), values[good]))

    def _body(self, run: _Run, t: float) -> None:
        body = self.rig.body
        if body is None or len(run.hand_deg) == self.hand:
            return
        hand, at = run.hand_deg[self.hand :], run.hand_time[self.hand :]
        self.hand = max(len(run.hand_deg) - 1, 0)
        if self.follow is None:
            self.follow = self.first_body = 0.5 * hand[0]
        half = 0.5 * body.backlash_deg
        place = []
        for deg in hand:
            self.follow = min(max(self.follow, 0.5 * deg - half), 0.5 * deg + half)
            place.append(self.follow)
        every = body.period_ms * 1e-3
        times: FloatArray = np.arange(self.body_at, int(t / every), dtype=np.float64) * every
        self.body_at = int(t / every)
        turned = np.interp(times, at, place) - self.first_body
        counts = body.anchor_counts + body.sign * turned / body.deg_per_count
        counts += body.noise_counts * self.rng.standard_normal(len(counts))
        reading = np.clip(np.round(counts), 0, _BODY_RESOLUTION - 1).astype(np.int64)
        self._pulses(times, PulseKind.BODY, reading)
