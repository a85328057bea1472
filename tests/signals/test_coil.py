"""Sparks of every cylinder, from a pickup on the coil lead."""

from __future__ import annotations

import numpy as np
import pytest
from recordings import recording

from vaclog.cards import engine_card, rig_card
from vaclog.signals.chain import SignalChain
from vaclog.signals.in_cycle import slot_sparks
from vaclog.signals.tables import CycleTable
from vaclog.signals.tails import PulseTail
from vaclog.simulator import EngineSpec, Recording, RigSpec
from vaclog.wire.lines import LinesDecoder

LOBES = EngineSpec(lobe_deg=(0.0, 1.5, -0.8, 0.4), spark_jitter_deg=0.1)


def table(recorded: Recording, cut: int | None = None) -> CycleTable:
    """Cycles from the text lines, whole or in pieces of ``cut`` bytes."""
    chain = SignalChain(engine_card(recorded.engine_card_toml), rig_card(recorded.rig_card_toml))
    decoder = LinesDecoder()
    size = cut or len(recorded.text)
    for first in range(0, len(recorded.text), size):
        chain.feed(decoder.feed(recorded.text[first : first + size]))
    chain.feed(decoder.finish())
    chain.finish()
    return chain.cycles()


@pytest.mark.parametrize("pickup", ["no1", "coil"])
def test_slot_times_are_those_of_the_sparks(pickup: str) -> None:
    """Against the event times of the simulated engine, to the jitter of two pickups."""
    rig = RigSpec(pickup=pickup, coil_lead=pickup == "no1", jitter_us=5.0)  # type: ignore[arg-type]
    recorded = recording(rig, engine=LOBES)
    cycles = table(recorded)
    known = np.isfinite(cycles.coil_us).all(axis=1)
    assert known.mean() > 0.97
    truth_us = recorded.truth.spark_s * 1e6
    seen = cycles.start_us[known, None] + cycles.coil_us[known]
    # The clock begins with the first record, the truth with the run: one constant apart.
    shift = _shift(truth_us, seen.ravel())
    off = np.abs(seen.ravel()[:, None] - shift - truth_us[None, :]).min(axis=1)
    assert np.quantile(off, 0.99) < 25.0


def _shift(truth_us: np.ndarray, seen_us: np.ndarray) -> float:
    """The constant between two clocks: that of the best agreement of the first seen spark."""
    ends = [seen_us[5] - each for each in truth_us[:40]]
    off = [
        np.median(np.abs(seen_us[:200, None] - end - truth_us[None, :400]).min(axis=1))
        for end in ends
    ]
    return float(ends[int(np.argmin(off))])


@pytest.mark.parametrize("cut", [37, 1000, 77_777])
def test_any_cut_gives_the_same_slots(cut: int) -> None:
    """To the bit, with losses and pulses from nowhere."""
    rig = RigSpec(coil_lead=True, drop_share=0.02, spurious_per_s=0.3, ring_share=0.2)
    recorded = recording(rig, engine=LOBES)
    whole, pieces = table(recorded), table(recorded, cut)
    assert np.array_equal(whole.coil_us, pieces.coil_us, equal_nan=True)
    assert np.array_equal(whole.start_us, pieces.start_us)
    known = np.isfinite(whole.coil_us).all(axis=1)
    assert 0.7 < known.mean() < 1.0  # rows with a lost spark are not guessed at
    assert not np.isfinite(whole.coil_us[~known]).any()


def test_without_a_coil_lead_nothing_is_known() -> None:
    """The column is there, and empty of numbers."""
    cycles = table(recording(RigSpec()))
    assert cycles.coil_us.shape == cycles.slot_kpa.shape
    assert not np.isfinite(cycles.coil_us).any()


def test_a_cycle_short_of_a_spark_is_left_open() -> None:
    """Hand-made: a spark missing, one too many, and one bridged by the rhythm."""
    coils = PulseTail()
    us = [0, 250, 500, 750, 1000, 1250, 1750, 2000, 2250, 2300, 2500, 2750, 3000, 3250, 3500, 3750]
    steps = [1] * 6 + [2] + [1] * 9
    coils.append(np.array(us, np.int64), np.array(steps, np.int64))
    start = np.array([0, 1000, 2000, 3000], np.int64)
    found = slot_sparks(start, start + 1000, coils, 4)
    assert found[0].tolist() == [0.0, 250.0, 500.0, 750.0]
    assert np.isnan(found[1]).all()
    assert np.isnan(found[2]).all()
    assert found[3].tolist() == [0.0, 250.0, 500.0, 750.0]
