"""What a drive told: full-load runs, pinking that was marked, and what a sound recording adds.

Enters: nothing. Leaves: frozen records. Runs and marks come from the capture alone and are parts of
the :class:`~vaclog.result.whole.Result`. A sound recording is no part of a capture, so a replay
could not give it back: what was heard in one is joined to the result in a :class:`RoadTest`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

HeardBy: TypeAlias = Literal["button", "tap", "typed"]
RoadVerdict: TypeAlias = Literal["pinking", "suspected", "none heard", "not driven"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadRun:
    """One stretch of full load: wide throttle against the weight of the car.

    Attributes
    ----------
    from_rpm, to_rpm
        Speed at its beginning and end.
    pressure_kpa, below_barometer_kpa
        Mean manifold pressure, absolute, and how far that is below the air outside (None while
        the barometer is unknown). At full load little is missing.
    advance_deg, advance_rpm
        The greatest advance that was reached and the speed there; only a crank mark sees what the
        weights add, so without one both are None.
    firings
        Working strokes in it.
    """

    start_s: float
    end_s: float
    from_rpm: float
    to_rpm: float
    pressure_kpa: float
    below_barometer_kpa: float | None = None
    advance_deg: float | None = None
    advance_rpm: float | None = None
    firings: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class PinkingMark:
    """Pinking that a person heard and marked.

    Attributes
    ----------
    at_s
        When the mark was made.
    low_s, high_s
        When it was heard: somebody who listens marks it half a second to one and a half later.
    by
        Marker button on the wire, a tap on the phone, or a time that was typed in.
    load
        Number of the load run, from 1; None: at part throttle.
    rpm, low_rpm, high_rpm
        Speed then: the middle, and the range over ``low_s`` to ``high_s``.
    pressure_kpa, advance_deg
        Manifold pressure and advance then; None where unknown.
    """

    at_s: float
    low_s: float
    high_s: float
    by: HeardBy
    load: int | None
    rpm: float
    low_rpm: float
    high_rpm: float
    pressure_kpa: float | None = None
    advance_deg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class HeardRun:
    """What was heard in the recording during one load run.

    Attributes
    ----------
    load
        Number of the run, from 1.
    offset_s, u_offset_s
        Where the recording's zero lies on the capture's clock by this run, sound's way to the
        microphone included; NaN is never given: a run that could not be aligned is left out.
    firings
        Working strokes that were judged.
    beats
        Strokes after which the band rang beyond the threshold.
    expected_false
        How many such beats chance makes in a run of this length.
    elsewhere
        How many there were where an engine cannot pink: an equally long window late in the
        stroke. Stones, rattles and wind make as many in both.
    suspicious
        More than chance and the other window explain.
    times_s
        When, on the capture's clock.
    cylinder
        The cylinder of most beats; None where they are spread or cannot be told apart.
    rpm, pressure_kpa, advance_deg
        Middle of where it was heard.
    """

    load: int
    offset_s: float
    u_offset_s: float
    firings: int
    beats: int
    expected_false: float
    elsewhere: int
    suspicious: bool
    times_s: tuple[float, ...] = ()
    cylinder: int | None = None
    rpm: float | None = None
    pressure_kpa: float | None = None
    advance_deg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Hearing:
    """What a sound recording told, or why it told nothing. It never declares an engine clean.

    Attributes
    ----------
    file, rate_hz, duration_s
        The recording.
    low_hz, high_hz
        The band in which this bore rings; None without ``bore_mm`` on the engine card.
    why_not
        Why nothing could be heard; None when runs were judged.
    false_per_minute
        Beats per minute of load that the threshold lets chance make.
    runs
        The load runs that could be judged.
    warnings
        What spoils or limits the listening.
    """

    file: str
    rate_hz: int
    duration_s: float
    low_hz: float | None = None
    high_hz: float | None = None
    why_not: str | None = None
    false_per_minute: float = 1.0
    runs: tuple[HeardRun, ...] = ()
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RoadTest:
    """Loads, marks and sound put together, and what follows.

    Attributes
    ----------
    verdict
        "pinking": a person heard it. "suspected": the recording raises suspicion. "none heard":
        no proof of absence. "not driven": the capture holds no full load.
    retard_deg
        Crank degrees by which to retard before the next trial; 0 when nothing was heard. Never
        negative: pinking is cured by retarding alone.
    why, next_step
        Sentences.
    cautions
        Dangers of the next step.
    """

    schema: int = 1
    capture: str
    engine: str = ""
    barometer_kpa: float | None = None
    loads: tuple[LoadRun, ...] = ()
    pinking: tuple[PinkingMark, ...] = ()
    hearing: Hearing | None = None
    verdict: RoadVerdict = "not driven"
    retard_deg: float = 0.0
    why: str = ""
    next_step: str = ""
    cautions: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
