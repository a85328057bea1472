"""Loads, marks and sound put together, and what follows for the next trial.

Enters: the result of a capture, what was marked beside it, what was heard in a recording. Leaves: a
:class:`~vaclog.result.road.RoadTest`. The sound joins here, after the result and outside of it: a
session's inputs are the records of its capture alone, so that a replay gives the same result.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from vaclog.result import Result
from vaclog.result.road import Hearing, PinkingMark, RoadTest, RoadVerdict

# Steps of 1 to 2 crank degrees are common practice, no source: two where a person heard it, one
# where only the recording raises suspicion.
RETARD_DEG: Final[dict[RoadVerdict, float]] = {
    "pinking": 2.0,
    "suspected": 1.0,
    "none heard": 0.0,
    "not driven": 0.0,
}
# Marks in so many runs, or so many in one: it is no single rattle.
PERSISTENT_RUNS: Final = 2
PERSISTENT_MARKS: Final = 3
# A pull over fewer rpm passes by what pinks at other speeds.
LITTLE_RPM: Final = 500.0
# A mark angle is known to about a degree (common practice, no source).
TOTAL_SLACK_DEG: Final = 1.0

BEFORE_DRIVING: Final = (
    "Maker's manual, law and insurance first. A private or a quiet road.",
    "A passenger listens and works the phone and the button. The driver only drives.",
    "Rig off and hoses back on before driving, unless this drive records; then nothing loose near "
    "belt, fan, exhaust or pedals.",
    "Lift off at the first pinking, and do not hold it there to listen. If it keeps pinking, stop "
    "the trial: pinking destroys pistons.",
)
STOP: Final = (
    "It pinked again and again: stop here, no more full load at this setting. If it still pinks "
    "after some trials, timing is not the cure: fuel, deposits, plugs, mixture, heat or weights "
    "are."
)


def road_test(
    result: Result,
    *,
    typed: Sequence[PinkingMark] = (),
    hearing: Hearing | None = None,
    max_total_deg: float | None = None,
) -> RoadTest:
    """What the drive says, and what next.

    Parameters
    ----------
    result
        Of the capture of the drive.
    typed
        Marks that were given beside the capture.
    hearing
        What was heard in a recording, if there is one.
    max_total_deg
        The maker's maximum total, from the engine card.
    """
    pinking = tuple(sorted((*result.pinking, *typed), key=lambda mark: mark.at_s))
    verdict = _verdict(result, pinking, hearing)
    persistent = _persistent(pinking)
    return RoadTest(
        capture=result.source.capture,
        engine=result.source.engine,
        barometer_kpa=result.barometer_kpa,
        loads=result.loads,
        pinking=pinking,
        hearing=hearing,
        verdict=verdict,
        retard_deg=RETARD_DEG[verdict],
        why=_why(verdict, pinking, hearing),
        next_step=_next(verdict, persistent),
        cautions=(
            *((STOP,) if persistent else ()),
            *_beyond_total(result, max_total_deg),
            *BEFORE_DRIVING,
        ),
        warnings=_warnings(result, hearing),
    )


def _beyond_total(result: Result, max_total_deg: float | None) -> tuple[str, ...]:
    """That the spark stood further advanced under load than the maker allows."""
    seen = [
        (run.advance_deg, run.advance_rpm)
        for run in result.loads
        if run.advance_deg is not None and run.advance_rpm is not None
    ]
    if max_total_deg is None or not seen:
        return ()
    most_deg, rpm = max(seen)
    if most_deg <= max_total_deg + TOTAL_SLACK_DEG:
        return ()
    return (
        f"At {rpm:.0f} rpm under load the spark stood at {most_deg:.1f}° on this rig's scale, more "
        f"than the maker's total of {max_total_deg:g}°. Before the next drive retard it by at "
        f"least {most_deg - max_total_deg:.1f}° of the crank in all, whether it pinked or not.",
    )


def _verdict(
    result: Result, pinking: Sequence[PinkingMark], hearing: Hearing | None
) -> RoadVerdict:
    if pinking:
        return "pinking"
    if hearing is not None and any(run.suspicious for run in hearing.runs):
        return "suspected"
    return "none heard" if result.loads else "not driven"


def _persistent(pinking: Sequence[PinkingMark]) -> bool:
    runs = {mark.load for mark in pinking if mark.load is not None}
    return len(runs) >= PERSISTENT_RUNS or len(pinking) >= PERSISTENT_MARKS


def _why(verdict: RoadVerdict, pinking: Sequence[PinkingMark], hearing: Hearing | None) -> str:
    heard = [run for run in hearing.runs if run.suspicious] if hearing is not None else []
    also = " The recording says the same." if heard else ""
    if verdict == "pinking":
        times = "once" if len(pinking) == 1 else f"{len(pinking)} times"
        return f"Pinking was marked {times}.{also}"
    if verdict == "suspected":
        return (
            "Nobody marked pinking, but the recording raises suspicion: more strokes ring at this "
            "bore's pitch than chance makes."
        )
    if verdict == "none heard":
        return "No pinking was marked or heard. That is no proof that there was none."
    return "So the drive says nothing of pinking."


def _next(verdict: RoadVerdict, persistent: bool) -> str:
    retard = RETARD_DEG[verdict]
    if retard:
        again = (
            "Then one short trial; if it pinks again, retard again before the next"
            if persistent
            else "Drive the same stretch again, until a trial is free of it"
        )
        return (
            f"Retard by {retard:g}° of the crank, which is {retard / 2:g}° of the body. Lock. "
            f"{again}. Never advance against pinking."
        )
    if verdict == "none heard":
        return (
            "Keep a reserve for a hotter day and the worst fuel: a degree less for each, if today "
            "was cool or the fuel good. Then part throttle on a slight climb, and a hot restart."
        )
    return (
        "Engine hot, in a high gear from low speed: wide throttle for five to ten seconds, up to "
        "speed. Then lift off."
    )


def _warnings(result: Result, hearing: Hearing | None) -> tuple[str, ...]:
    found = list(hearing.warnings) if hearing is not None else []
    spans = {(round(run.from_rpm, -2), round(run.to_rpm, -2)) for run in result.loads}
    if spans and all(high - low < LITTLE_RPM for low, high in spans):
        found.append(
            "The speed hardly rose under load. Pinking has its own speeds: pull from low to high."
        )
    return tuple(found)
