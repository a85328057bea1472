"""The loop of road trials: what was heard, and by how much to retard before the next one.

Enters: a visit and what was told of a trial. Leaves: the trial with what follows from it, the
ceiling that the trials leave, sentences. Pinking is answered by retarding alone; nothing heard is
no proof that nothing pinked.

Steps of 1 to 2 crank degrees are common practice, no source. Two where it was heard: with one, a
trial more is spent under pinking. One where nobody is sure: it costs next to nothing on a flat
hill, and what is not sure to be heard may still break a piston.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from vaclog.result.road import HeardRun
from vaclog.visit.records import Capture, Pinking, RoadTrial, Visit

RETARD_DEG: Final[dict[Pinking, float]] = {"none heard": 0.0, "unsure": 1.0, "heard": 2.0}
# Four trials take up to 8 degrees off, more than the spread of honest settings (common practice: a
# strobe figure 3 to 4 degrees off is wrong). What still pinks then is not cured by timing.
TRIALS_MOST: Final = 4
# A hand sets to about a degree; a setting so little above the ceiling is the ceiling.
NEAR_DEG: Final = 0.5
RESERVE_DEG: Final = 1.0  # for a hotter day or poorer fuel, each (common practice, no source)

CAUTIONS: Final = (
    "Maker's manual, law and insurance first. A private or a quiet road.",
    "A passenger listens and works the phone. The driver only drives.",
    "Lift off at the first pinking. Do not hold it there to listen.",
)

CAUTIONS_SHORT: Final = (
    "a private or quiet road",
    "the driver only drives",
    "lift off at the first pinking",
)

FIRST: Final = (
    "Engine hot. Take rig and lead off the engine, hoses back on, unless this trial records.",
    "Middle gear, from low speed: wide throttle for a few seconds, up to speed. Then again.",
    "Then steady part throttle on a slight climb.",
    "Listen for a light metallic rattle that goes when you lift.",
)

PERSISTS: Final = (
    "Stop here: it still pinks after {count} trials. More retard hides the cause and overheats "
    "the exhaust. Do not load the engine.",
    "Look for: fuel poorer than the engine wants, deposits, plugs too hot, weak mixture, too hot "
    "an engine, weights that advance too far or too soon, a vacuum advance that holds on.",
    "Have it looked at by someone who does this for a living. Cause cured: set it back first, "
    "lock, and drive again.",
)


def completed(visit: Visit, told: RoadTrial) -> RoadTrial:
    """A trial with number, setting, place of load and retard filled in.

    What was told stays; what was left open comes from the last setting and the newest capture of
    the road.
    """
    rpm, pressure_kpa = _loaded_most(visit)
    pinking, heard_by = told.pinking, told.heard_by
    if pinking == "none heard" and _marked(visit):
        pinking, heard_by = "unsure", "button"  # somebody pressed it
    elif pinking == "none heard" and _suspicious(visit):
        pinking, heard_by = "unsure", "recording"
    return replace(
        told,
        pinking=pinking,
        heard_by=heard_by,
        number=len(visit.trials) + 1,
        advance_deg=set_deg(visit) if told.advance_deg is None else told.advance_deg,
        rpm=rpm if told.rpm is None else told.rpm,
        pressure_kpa=pressure_kpa if told.pressure_kpa is None else told.pressure_kpa,
        retard_deg=RETARD_DEG[pinking],
    )


def set_deg(visit: Visit) -> float | None:
    """Where the distributor stands by the last setting, None where it is not known."""
    if not visit.settings:
        return None
    last = visit.settings[-1]
    return last.aimed_deg if last.reached_deg is None else last.reached_deg


def ceiling_deg(visit: Visit) -> float | None:
    """The most advance that the trials leave; None while none pinked at a known setting."""
    angles = [
        trial.advance_deg - trial.retard_deg
        for trial in visit.trials
        if trial.retard_deg > 0 and trial.advance_deg is not None
    ]
    return min(angles, default=None)


def pinking_open(visit: Visit) -> bool:
    """Whether the last word from the road is pinking, or perhaps."""
    return bool(visit.trials) and visit.trials[-1].pinking != "none heard"


def proven(visit: Visit) -> bool:
    """Whether the last trial heard nothing. No proof that nothing pinked."""
    return bool(visit.trials) and visit.trials[-1].pinking == "none heard"


def persists(visit: Visit) -> bool:
    """Whether so many trials in a row pinked that timing is not the cure."""
    last = visit.trials[-TRIALS_MOST:]
    return len(last) == TRIALS_MOST and all(trial.retard_deg > 0 for trial in last)


def follows(visit: Visit) -> tuple[str, ...]:
    """What follows from the last trial, as sentences for the person."""
    if not visit.trials:
        return FIRST
    if persists(visit):
        return tuple(text.format(count=len(visit.trials)) for text in PERSISTS)
    last = visit.trials[-1]
    if last.pinking == "none heard":
        return ("Nothing heard. That is no proof: some pinking cannot be heard from the seat.",)
    heard = "It pinked" if last.pinking == "heard" else "Perhaps it pinked"
    target = ceiling_deg(visit)
    to = "" if target is None else f", to {target:.1f}°"
    return (
        f"{heard}{_where(last)}. Retard by {last.retard_deg:g}° of the crank, "
        f"{last.retard_deg / 2:g}° of the body{to}. Lock. Drive the same stretch again.",
    )


def trail(visit: Visit) -> tuple[str, ...]:
    """One sentence for each trial, in order."""
    return tuple(_line(trial) for trial in visit.trials)


def _line(trial: RoadTrial) -> str:
    at = "" if trial.advance_deg is None else f" at {trial.advance_deg:.1f}°"
    heard = {"none heard": "nothing heard", "heard": "pinking", "unsure": "not sure"}
    then = f"; retard by {trial.retard_deg:g}°" if trial.retard_deg else ""
    note = f" ({trial.note})" if trial.note else ""
    where = _where(trial)
    return f"Trial {trial.number}{at}: {heard[trial.pinking]}{where}{then}.{note}"


def _where(trial: RoadTrial) -> str:
    """Where it pinked; where it was merely loaded says nothing."""
    if trial.rpm is None or trial.pinking == "none heard":
        return ""
    return f" at about {round(trial.rpm, -2):.0f} rpm"


def _of_this_trial(visit: Visit) -> Capture | None:
    """The newest capture of the road, unless it belongs to a trial before."""
    capture = visit.last("road")
    if capture is None or any(trial.at > capture.at for trial in visit.trials):
        return None
    return capture


def _marked(visit: Visit) -> bool:
    capture = _of_this_trial(visit)
    return capture is not None and bool(capture.result.pinking)


def _suspicious(visit: Visit) -> tuple[HeardRun, ...]:
    """Runs in which a recording raises suspicion."""
    capture = _of_this_trial(visit)
    if capture is None or capture.hearing is None:
        return ()
    return tuple(run for run in capture.hearing.runs if run.suspicious)


def _loaded_most(visit: Visit) -> tuple[float | None, float | None]:
    """Speed and pressure where it was marked or heard as pinking, else of the most loaded run."""
    capture = _of_this_trial(visit)
    if capture is None:
        return None, None
    if capture.result.pinking:
        return capture.result.pinking[0].rpm, capture.result.pinking[0].pressure_kpa
    if heard := _suspicious(visit):
        return heard[0].rpm, heard[0].pressure_kpa
    if capture.result.loads:
        run = max(capture.result.loads, key=lambda run: run.pressure_kpa)
        return run.to_rpm, run.pressure_kpa
    return None, None
