"""The rhythm of pulses: ringing and strays out, missing ones counted."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vaclog.signals.pulses import BREAK, Rhythm


def rhythm(**changes: float) -> Rhythm:
    """A No. 1 clamp's."""
    keys = {
        "shortest_us": 9_000,
        "silence_us": 2_500_000,
        "ringing_part": 0.035,
        "burst_us": 2_000,
    } | changes
    return Rhythm(**keys)  # type: ignore[arg-type]


def run(times: np.ndarray, r: Rhythm | None = None) -> tuple[np.ndarray, np.ndarray]:
    return (r or rhythm()).feed(np.sort(times).astype(np.int64), None)


def sparks(n: int = 200, rng: np.random.Generator | None = None) -> np.ndarray:
    """Around 850 rpm: 141.18 ms (120 s / 850), 1 % of scatter."""
    rng = rng or np.random.default_rng(1)
    return np.cumsum(120e6 / 850 * (1 + 0.01 * rng.standard_normal(n))).astype(np.int64)


def test_clean_sparks_pass_untouched() -> None:
    true = sparks()
    times, steps = run(true)
    np.testing.assert_array_equal(times, true)
    assert steps[0] == BREAK and (steps[1:] == 1).all()


@pytest.mark.parametrize("echoes", [1, 3, 8])
def test_the_first_spark_of_a_burst_is_kept(echoes: int) -> None:
    true = sparks()
    burst = np.concatenate([true + 450 * k for k in range(echoes + 1)])
    r = rhythm()
    times, _ = run(burst, r)
    np.testing.assert_array_equal(times, true)
    assert r.ringing == echoes * len(true)


def test_multi_spark_box_while_cranking() -> None:
    # 200 rpm: a spark each ms for 20 degrees of the crank is 17 sparks (common practice).
    true = (np.arange(1, 20) * 600_000).astype(np.int64)
    burst = np.concatenate([true + 1000 * k for k in range(17)])
    times, _ = run(burst)
    np.testing.assert_array_equal(times[2:], true[2:])


@pytest.mark.parametrize("seed", range(5))
def test_strays_are_left_out(seed: int) -> None:
    rng = np.random.default_rng(seed)
    true = sparks(400, rng)
    # Half a stray a second, none in the first cycles, none as an exact twin of a spark.
    strays = rng.uniform(true[5], true[-1], 28)
    near = np.abs(strays[:, None] - true[None, :]).min(axis=1)
    strays = strays[near > 6_000]
    times, steps = run(np.concatenate([true, strays]))
    np.testing.assert_array_equal(times, true)
    assert (steps[1:] == 1).all()


@pytest.mark.parametrize("seed", range(5))
def test_missing_sparks_are_counted(seed: int) -> None:
    rng = np.random.default_rng(seed)
    true = sparks(400, rng)
    seen = rng.random(400) > 0.05
    seen[:6] = True
    seen[-2:] = True
    r = rhythm()
    times, steps = run(true[seen], r)
    np.testing.assert_array_equal(times, true[seen])
    np.testing.assert_array_equal(np.cumsum(np.maximum(steps[1:], 1)), np.flatnonzero(seen)[1:])
    assert r.missing == 400 - seen.sum()


def test_a_hard_blip_is_no_fault() -> None:
    # 60 Nm on 0.15 kg m2: 400 rad/s2, 3800 rpm/s, from 850 to 4500 rpm and down again.
    t = np.linspace(0, 8, 80_001)
    rpm = np.interp(t, [0, 2, 3, 6, 8], [850, 850, 4500, 850, 850])
    angle = np.concatenate(([0], np.cumsum(rpm[:-1] * 6 * 1e-4)))
    true = np.interp(np.arange(720, angle[-1], 720), angle, t) * 1e6
    times, steps = run(true)
    np.testing.assert_array_equal(times, true.astype(np.int64))
    assert (steps[1:] == 1).all()


def test_silence_is_a_break() -> None:
    true = np.concatenate([sparks(20), 10_000_000 + sparks(20)])
    times, steps = run(true)
    np.testing.assert_array_equal(np.flatnonzero(steps == BREAK), [0, 20])
    assert len(times) == 40


def test_a_pause_of_many_periods_is_not_bridged() -> None:
    true = sparks(60)
    times, steps = run(np.delete(true, range(30, 38)))
    assert len(times) == 52
    assert steps[30] == BREAK


def test_cylinders_that_differ_keep_their_rhythm() -> None:
    # Coil lead, lobes up to 2 degrees of the crank apart (of 180): 1 %.
    even = np.arange(1, 400) * 35_294  # 30 / rpm seconds: 35.294 ms at 850 (recomputed)
    true = even + np.tile([0, 390, -390, 200], 100)[:399]
    r = rhythm(shortest_us=2_250, silence_us=700_000, ringing_part=0.139)
    times, steps = run(true, r)
    np.testing.assert_array_equal(times, true)
    assert (steps[1:] == 1).all()


@settings(derandomize=True, max_examples=60, deadline=None)
@given(data=st.data())
def test_any_chunking_gives_the_same(data: st.DataObject) -> None:
    seed = data.draw(st.integers(0, 10_000))
    rng = np.random.default_rng(seed)
    true = sparks(60, rng)
    true[30:] += int(rng.integers(0, 4_000_000))
    parts = [true[rng.random(60) > 0.1], true[:9] + 700, rng.uniform(0, true[-1], 8)]
    pulses = np.sort(np.concatenate(parts)).astype(np.int64)
    whole = run(pulses)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(pulses)), max_size=12)))
    r = rhythm()
    out: list[tuple[np.ndarray, np.ndarray]] = []
    for low, high in zip([0, *cuts], [*cuts, len(pulses)], strict=True):
        following = int(pulses[high]) if high < len(pulses) else None
        out.append(r.feed(pulses[low:high], following))
        if following is not None:
            settled = r.settled_us(following)
            given = np.concatenate([o[0] for o in out])
            # What was called settled stays as it is.
            np.testing.assert_array_equal(given, whole[0][: len(given)])
            assert np.searchsorted(whole[0], settled) <= len(given)
    out.append(r.feed(np.empty(0, np.int64), None))
    np.testing.assert_array_equal(np.concatenate([o[0] for o in out]), whole[0])
    np.testing.assert_array_equal(np.concatenate([o[1] for o in out]), whole[1])


def test_endless_noise_stays_bounded() -> None:
    rng = np.random.default_rng(2)
    r = rhythm()
    noise = np.cumsum(rng.exponential(30_000, 5_000)).astype(np.int64)
    given = 0
    for t in noise:
        given += len(r.feed(np.array([t]), int(t))[0])
        held = sum(len(reading.pending) for reading in r._readings)
        assert held < 12 * 14
    assert given > 0
