"""Pinking heard in a sound recording: suspicion for each load run, never a clean bill.

Enters: the sound, the cycle table with its load runs, the engine card. Leaves: a
:class:`~vaclog.result.road.Hearing`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vaclog.analysis.road.align import Placed, align
from vaclog.analysis.road.band import Band, knock_band
from vaclog.analysis.road.knock import Scores, score, threshold
from vaclog.analysis.road.loads import Load, advance_under_load
from vaclog.analysis.road.quality import cannot_hear, remarks
from vaclog.analysis.road.strokes import Strokes, strokes_of
from vaclog.cards import EngineCard
from vaclog.result.road import HeardRun, Hearing
from vaclog.signals.tables import CycleTable, FloatArray, IntArray

FALSE_PER_MINUTE: Final = 1.0
# The law of chance is asked for far less: clicks of valves and stones have fatter tails than its
# own. Measured on made sound without pinking, so asked it gives 0 to 0.8 a minute (tests/bench).
BY_LAW: Final = 0.003 * FALSE_PER_MINUTE
# A run is suspicious when chance gives so many beats once in a thousand such runs.
RUN_CHANCE: Final = 1e-3
RATE_KNOWN: Final = 3.0
AROUND_S: Final = 1.0  # of sound before and after a run, for the filters to settle
# To name a cylinder the place must be sure to a quarter of the way to the next stroke, and more
# than half of at least three beats must be its own.
NAMED_SHARE: Final = 0.5
NAMED_BEATS: Final = 3
# A window that may lie more than so far off would listen to the wrong part of the stroke.
MOST_OFF_DEG: Final = 30.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Recording:
    """A sound recording as the analysis takes it.

    Attributes
    ----------
    file, rate_hz, lossy
        Its name, samples a second, and whether its format leaves things out.
    samples
        float32 [n], full scale 1.
    """

    file: str
    rate_hz: int
    samples: NDArray[np.float32]
    lossy: bool = False


def hear(
    sound: Recording,
    cycles: CycleTable,
    loads: Sequence[Load],
    engine: EngineCard,
    *,
    hint_s: float | None = None,
) -> Hearing:
    """Listen for pinking in the load runs of a capture.

    Parameters
    ----------
    sound
        The recording.
    cycles, loads
        Of the capture.
    engine
        ``bore_mm`` gives the band.
    hint_s
        Second of the capture at which the recording was started, as far as known.
    """
    band = None if engine.bore_mm is None else knock_band(engine.bore_mm)
    told = Hearing(
        file=sound.file,
        rate_hz=sound.rate_hz,
        duration_s=len(sound.samples) / sound.rate_hz,
        low_hz=None if band is None else band.low_hz,
        high_hz=None if band is None else band.high_hz,
        false_per_minute=FALSE_PER_MINUTE,
    )
    if band is None:
        return replace(
            told, why_not="the engine card gives no bore_mm, and with it the pitch is not known"
        )
    if not loads:
        return replace(told, why_not="the capture holds no full load, and idling tells nothing")
    if band.high_hz > sound.rate_hz / 2:
        return replace(told, why_not=cannot_hear(np.zeros(8192), sound.rate_hz, band))
    strokes = [strokes_of(cycles, load.first, load.last, engine) for load in loads]
    placed = align(sound.samples.astype(np.float64), sound.rate_hz, strokes, hint_s=hint_s)
    if placed.why_not is not None:
        return replace(told, why_not=placed.why_not)
    return _listen(told, sound, band, strokes, placed.runs, cycles, engine)


def _listen(
    told: Hearing,
    sound: Recording,
    band: Band,
    strokes: Sequence[Strokes],
    placed: Sequence[Placed | None],
    cycles: CycleTable,
    engine: EngineCard,
) -> Hearing:
    runs, warnings, why_not = [], [], None
    for number, (run, place) in enumerate(zip(strokes, placed, strict=True), start=1):
        if place is None:
            warnings.append(f"The recording does not cover full load {number}.")
            continue
        off_deg = 2.0 * place.u_offset_s * 6.0 * float(np.median(run.rpm))
        if off_deg > MOST_OFF_DEG + 360.0 / engine.cylinders:
            warnings.append(
                f"Full load {number} could not be placed in the recording well enough: the speed "
                "hardly rises in it. Pull from lower to higher speed."
            )
            continue
        samples, here = _cut(sound, run, place)
        deaf = cannot_hear(samples, sound.rate_hz, band)
        if deaf is not None:
            why_not = deaf
            continue
        warnings += [text for text in remarks(samples, lossy=sound.lossy) if text not in warnings]
        found = score(samples, sound.rate_hz, here, band=band, cylinders=engine.cylinders)
        runs.append(_judge(number, run, place, found, cycles, engine))
    if not runs and why_not is None:
        why_not = "no load run could be placed in the recording"
    return replace(
        told, why_not=None if runs else why_not, runs=tuple(runs), warnings=tuple(warnings)
    )


def _cut(sound: Recording, run: Strokes, place: Placed) -> tuple[FloatArray, Strokes]:
    """The sound around a run, and the run's strokes in seconds of its first sample."""
    begin = round((float(run.top_s[0]) - place.offset_s - AROUND_S) * sound.rate_hz)
    end = round((float(run.top_s[-1]) - place.offset_s + AROUND_S) * sound.rate_hz)
    begin, end = max(begin, 0), min(end, len(sound.samples))
    shifted = replace(run, top_s=run.top_s - place.offset_s - begin / sound.rate_hz)
    return sound.samples[begin:end].astype(np.float64), shifted


def beats_of(found: Scores, strokes: Strokes) -> tuple[IntArray, IntArray]:
    """Strokes that ring beyond the threshold, and those that do elsewhere.

    Ringing lasts into the next stroke: of neighbours only the loudest counts, and a stroke that
    rang says nothing of elsewhere.
    """
    lasts_s = float(strokes.top_s[-1] - strokes.top_s[0])
    limit = threshold(BY_LAW, len(strokes) / (lasts_s / 60.0))
    padded = np.concatenate([[0.0], found.pinking, [0.0]])
    loudest = (found.pinking >= padded[:-2]) & (found.pinking > padded[2:])
    rings = found.judged & (found.pinking > limit)
    beside = rings | np.concatenate([[False], rings[:-1]])
    elsewhere = found.judged & (found.elsewhere > limit) & ~beside
    return np.flatnonzero(rings & loudest), np.flatnonzero(elsewhere)


def _judge(
    number: int,
    run: Strokes,
    place: Placed,
    found: Scores,
    cycles: CycleTable,
    engine: EngineCard,
) -> HeardRun:
    from scipy import special

    beats, elsewhere = beats_of(found, run)
    expected = FALSE_PER_MINUTE * float(run.top_s[-1] - run.top_s[0]) / 60.0
    # Poisson: chance of as many beats as were found, or more, where the rate is known to a factor
    # only and the other window shows what else is about.
    usual = RATE_KNOWN * expected + float(len(elsewhere))
    chance = float(special.gammainc(len(beats), usual)) if len(beats) else 1.0
    rows = run.row[beats]
    kpa, advance = cycles.pressure_kpa[rows], advance_under_load(cycles)[rows]
    return HeardRun(
        load=number,
        offset_s=place.offset_s,
        u_offset_s=place.u_offset_s,
        firings=int(found.judged.sum()),
        beats=len(beats),
        expected_false=expected,
        elsewhere=len(elsewhere),
        suspicious=chance < RUN_CHANCE,
        times_s=tuple(float(at) for at in run.top_s[beats]),
        cylinder=_cylinder(run, beats, place, engine),
        rpm=_middle(run.rpm[beats]),
        pressure_kpa=_middle(kpa),
        advance_deg=_middle(advance),
    )


def _middle(values: FloatArray) -> float | None:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else None


def _cylinder(run: Strokes, beats: IntArray, place: Placed, engine: EngineCard) -> int | None:
    """Whose beats most of them are, if that can be told."""
    order = engine.firing_order
    if order is None or len(beats) < NAMED_BEATS:
        return None
    apart_s = 120.0 / engine.cylinders / float(np.median(run.rpm))
    if place.u_offset_s > apart_s / 4.0:
        return None
    counts = np.bincount(run.slot[beats], minlength=engine.cylinders)
    most = int(np.argmax(counts))
    return order[most] if counts[most] > NAMED_SHARE * len(beats) else None
