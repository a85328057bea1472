"""The bytes, read back by plain means that share nothing with the program's decoders."""

import struct

import numpy as np
import pytest
from cobs import cobs
from crccheck.crc import Crc16Ibm3740

from vaclog.simulator import BodyRig, EngineSpec, RigSpec, Script, simulate
from vaclog.simulator.script import Hold

SHORT = Script(start_deg=10.0, segments=(Hold(seconds=14.0),))


def frames_of(data):
    """Split, unstuff and check frames with public libraries only: (type, sequence, body)."""
    out = []
    for piece in data.split(b"\x00"):
        if not piece:
            continue
        plain = cobs.decode(piece)
        assert len(plain) - 2 <= 250
        assert Crc16Ibm3740.calc(plain[:-2]) == int.from_bytes(plain[-2:], "big")
        out.append((plain[0], plain[1], plain[2:-2]))
    return out


def columns_of(frames):
    samples, events = [], []
    for kind, _, body in frames:
        if kind == 2:
            first, period = struct.unpack_from("<IH", body)
            counts = struct.unpack(f"<{(len(body) - 6) // 2}H", body[6:])
            samples += [((first + i * period) % 2**32, c) for i, c in enumerate(counts)]
        elif kind == 3:
            events += list(struct.iter_unpack("<BIh", body))
    return np.array(samples), np.array(events)


def test_binary_says_what_the_device_recorded(sweep_record):
    frames = frames_of(sweep_record.binary)
    assert [f[1] for f in frames] == [i % 256 for i in range(len(frames))]
    boot = sweep_record.boots[0]
    samples, events = columns_of(frames)
    whole = len(boot.sample_tick) // 20 * 20
    assert (samples[:, 0] == boot.sample_tick[:whole]).all()
    assert (samples[:, 1] == boot.sample_counts[:whole]).all()
    n = len(events)
    assert len(boot.pulse_tick) - n <= 5  # the last, unfinished pressure frame's
    order = np.argsort(events[:, 1], kind="stable")
    assert (events[order, 1] == boot.pulse_tick[:n]).all()
    assert sorted(map(tuple, events.tolist())) == sorted(
        zip(
            boot.pulse_kind[:n].tolist(),
            boot.pulse_tick[:n].tolist(),
            boot.pulse_value[:n].tolist(),
            strict=True,
        )
    )
    assert {1, 2, 3, 4, 5} == set(events[:, 0].tolist())


def test_hello_and_dropped_once_a_second(sweep_record):
    frames = frames_of(sweep_record.binary)
    assert sweep_record.binary[:1] == b"\x00"
    assert [f[0] for f in frames[:2]] == [1, 4]
    hellos = {f[2] for f in frames if f[0] == 1}
    assert len(hellos) == 1
    version, _, tick_ns, bits = struct.unpack_from("<BHHB", hellos.pop())
    assert (version, tick_ns, bits) == (1, 500, 10)
    seconds = sweep_record.trace.time_s[-1]
    assert sum(f[0] == 1 for f in frames) == pytest.approx(seconds, abs=1.5)
    assert {f[2] for f in frames if f[0] == 4} == {bytes(6)}


def test_events_come_at_most_one_pressure_frame_late(sweep_record):
    last = 0
    for kind, _, body in frames_of(sweep_record.binary):
        if kind == 2:
            last = struct.unpack_from("<I", body)[0]
        elif kind == 3:
            ticks = [t for _, t, _ in struct.iter_unpack("<BIh", body)]
            assert min(ticks) >= last
            assert max(ticks) < last + 2 * 20 * 2000 + 2000


def test_chunks_arrive_in_order_and_after_they_were_sent(sweep_record):
    at = np.array([t for t, _ in sweep_record.chunks])
    assert (np.diff(at) >= 0).all()
    assert all(data for _, data in sweep_record.chunks)
    ends = []
    for _, data in sweep_record.chunks:
        ticks = [
            struct.unpack_from("<I", body)[0] for kind, _, body in frames_of(data) if kind == 2
        ]  # chunks hold whole frames here
        ends.append(ticks[-1] if ticks else -1)
    ends = np.array(ends)
    rig = sweep_record.rig
    taken_us = (ends + 19 * 2000 - rig.first_tick) * 0.5
    late_us = (at - taken_us)[ends >= 0]
    assert late_us.min() > 0.0
    assert late_us.min() < 3_000  # some come almost at once, so that clocks can be mapped
    assert late_us.max() < 150_000


def test_text_is_the_same_record_in_time_order(sweep_record):
    lines = sweep_record.text.decode("ascii").splitlines()
    assert lines[0] == "# vaclog-lines 1 tick_ns=500 adc_bits=10 device=simulated-rig"
    rows = [line.split() for line in lines[1:]]
    boot = sweep_record.boots[0]
    pressure = np.array([(int(t), int(c)) for kind, t, c in rows_of(rows, "P")])
    assert (pressure[:, 0] == boot.sample_tick).all()
    assert (pressure[:, 1] == boot.sample_counts).all()
    for letter, kind in (("S", 1), ("C", 2), ("R", 3), ("B", 4), ("M", 5)):
        ticks = [int(r[1]) for r in rows_of(rows, letter)]
        assert ticks == boot.pulse_tick[boot.pulse_kind == kind].tolist()
    ticks = np.array([int(r[1]) for r in rows])
    assert (np.diff(ticks) >= 0).all()
    assert len(rows) == len(boot.sample_tick) + len(boot.pulse_tick)


def rows_of(rows, letter):
    return [r for r in rows if r[0] == letter]


def test_counter_wraps_on_the_wire():
    """A 32-bit counter that starts just short of its end goes on at 0."""
    got = simulate(EngineSpec(), SHORT, RigSpec(first_tick=2**32 - 20_000_000), 3)
    samples, events = columns_of(frames_of(got.binary))
    for ticks in (samples[:, 0], np.sort(events[:, 1])):
        assert ticks.min() < 10_000_000 < 2**32 - 20_000_000 <= ticks.max() < 2**32
    steps = np.diff(samples[:, 0].astype(np.int64)) % 2**32
    assert (steps == 2000).all()
    text_ticks = [int(line.split()[1]) for line in got.text.decode().splitlines()[1:]]
    assert 0 <= min(text_ticks) < 10_000_000 < max(text_ticks) < 2**32


def test_reset_is_a_new_boot_with_sequence_and_counter_from_zero():
    got = simulate(EngineSpec(), SHORT, RigSpec(reset_at_s=8.0), 3)
    frames = frames_of(got.binary)
    boots = [struct.unpack_from("<BH", f[2])[1] for f in frames if f[0] == 1]
    assert len(set(boots)) == 2
    again = next(
        i
        for i, f in enumerate(frames)
        if f[0] == 1 and boots[-1] in struct.unpack_from("<BH", f[2])
    )
    assert frames[again][1] == 0
    samples, _ = columns_of(frames[again:])
    assert samples[0, 0] == 0
    assert got.text.count(b"# vaclog-lines 1") == 2


def test_same_seed_same_bytes():
    engine = EngineSpec(cylinders=6, firing_order=None, displacement_l=2.4)
    rig = RigSpec(ring_share=0.2, drop_share=0.05, spurious_per_s=0.5, body=BodyRig())
    a, b, c = (simulate(engine, SHORT, rig, seed) for seed in (7, 7, 8))
    assert a.binary == b.binary
    assert a.text == b.text
    assert [t for t, _ in a.chunks] == [t for t, _ in b.chunks]
    assert a.text != c.text
