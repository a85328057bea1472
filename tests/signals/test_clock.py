"""Ticks to one timeline, and the map to host time."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vaclog.signals.clock import HostMap, TickClock

WRAP = 1 << 32


@settings(derandomize=True, deadline=None)
@given(
    tick_ns=st.sampled_from([1, 62, 500, 1000, 4000]),
    start=st.integers(0, WRAP - 1),
    steps=st.lists(st.integers(-200_000, 1 << 29), min_size=1, max_size=40),
)
def test_unwrapping_keeps_every_step(tick_ns: int, start: int, steps: list[int]) -> None:
    true = start + np.concatenate(([0], np.cumsum(steps)))
    clock = TickClock(tick_ns)
    unwrapped = clock.unwrap((true % WRAP).astype(np.uint32), anchor=None)
    np.testing.assert_array_equal(np.diff(unwrapped), steps)
    assert clock.latest == unwrapped.max()


def test_a_wrap_is_2147_seconds_at_half_a_microsecond() -> None:
    # 2**32 ticks of 0.5 us: 2147.48 s (recomputed).
    clock = TickClock(500)
    quarters = np.arange(9) * (WRAP // 4)
    ticks = clock.unwrap((quarters % WRAP).astype(np.uint32), anchor=None)
    clock.zero = int(ticks[0])
    assert clock.to_us(ticks)[4] == pytest.approx(2147.483648e6, abs=1)


def test_pulses_may_pause_for_longer_than_half_a_wrap() -> None:
    clock = TickClock(500)
    pause = WRAP // 10 * 7
    ticks = np.array([100, 100 + pause], np.uint32)
    assert np.diff(clock.unwrap(ticks, anchor=100, pauses=True))[0] == pause
    assert clock.unwrap(ticks[1:], anchor=100, pauses=True)[0] == 100 + pause
    # A record that comes late is not one that comes half an hour early.
    assert clock.unwrap(ticks[:1], anchor=3_000_100, pauses=True)[0] == 100


def test_microseconds_are_rounded_not_cut() -> None:
    clock = TickClock(500)
    clock.zero = 0
    np.testing.assert_array_equal(clock.to_us(np.array([0, 1, 2, 3])), [0, 1, 1, 2])


def arrivals(ppm: float, rng: np.random.Generator, minutes: float = 6.0) -> list[tuple[int, int]]:
    """Chunks each 20 ms, host and device time in us; 30 % late, some by half a second."""
    device = np.arange(0, int(minutes * 60e6), 20_000)
    host = 5_000_000 + device * (1.0 + ppm * 1e-6) + 3_000
    late = np.where(rng.random(len(device)) < 0.3, rng.exponential(30_000, len(device)), 0.0)
    late += np.where(rng.random(len(device)) < 0.01, rng.uniform(0, 500_000, len(device)), 0.0)
    return list(zip((host + late).astype(int).tolist(), device.tolist(), strict=True))


@pytest.mark.parametrize("ppm", [-200.0, 0.0, 60.0, 1000.0])
def test_host_map_follows_drift_and_ignores_lateness(ppm: float) -> None:
    host_map = HostMap()
    for host, device in arrivals(ppm, np.random.default_rng(3)):
        host_map.add(host_us=host, device_us=device)
    for asked_s in (100.0, 350.0):
        asked = 5_000_000 + asked_s * 1e6 * (1.0 + ppm * 1e-6) + 3_000
        got = host_map.to_device_us(int(asked))
        # A strobe reading is typed by hand: 20 ms is far better than it needs.
        assert got == pytest.approx(asked_s * 1e6, abs=10_000 if ppm < 500 else 20_000)


def test_one_very_late_chunk_moves_nothing() -> None:
    host_map = HostMap()
    for n in range(50):
        host_map.add(host_us=1_000_000 + n * 20_000, device_us=n * 20_000)
    host_map.add(host_us=9_000_000, device_us=1_000_000)
    assert host_map.to_device_us(1_500_000) == 500_000


@pytest.mark.parametrize("ppm", [-3000, 0, 3000])
def test_no_record_arrives_sooner_than_foretold(ppm: int) -> None:
    """Whichever way the clocks drift apart: what is due is never foretold too late."""
    host_map = HostMap()
    foretold: list[int] = []
    for host, device in arrivals(ppm, np.random.default_rng(4)):
        soonest = host_map.soonest_us(device)
        host_map.add(host_us=host, device_us=device)
        if soonest is not None:
            foretold.append(host - soonest)
    # Only a new least delay is sooner, and by the drift since the last one or its small rest.
    assert np.mean(np.array(foretold) < -1_000) < 0.01
    assert np.median(foretold) < 80_000


def test_host_map_knows_nothing_at_first_and_after_a_restart() -> None:
    host_map = HostMap()
    assert host_map.to_device_us(5) is None
    host_map.add(host_us=10, device_us=0)
    host_map.restart()
    assert host_map.to_device_us(5) is None
