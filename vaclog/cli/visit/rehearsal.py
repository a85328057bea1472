"""A visit without an engine: a simulated one plays its part at each step.

Enters: a folder and a seed. Leaves: a :class:`~vaclog.cli.visit.desk.Desk` over a garage in that
folder, and a :class:`Workshop` that shows what would be seen at the engine and records what is
wanted. Everything follows from the visit's record, so that a rehearsal can be left and taken up
as any visit can. The engine's angle is what was told: who sets too far hears it pink.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from vaclog.cli.simulate import write_capture, write_cards
from vaclog.cli.visit.desk import Desk
from vaclog.cli.visit.go import Cue

if TYPE_CHECKING:
    from vaclog.simulator.presets import Scenario
    from vaclog.visit.records import Visit
    from vaclog.visit.steps import Next

RIG: Final = "simulated rig"
# What is seen at the engine, and what Enter alone answers; yes where nothing stands here.
_SEEN: Final = {
    "plugs": ("The feeler gauge says 0.65 mm.", "0.65mm"),
    "points": ("The dwell meter says 52 degrees.", "52deg"),
    "idle_speed": ("The rev counter says 850 rpm.", "850rpm"),
    "idle_set": ("You turn the idle screw; the rev counter says 850 rpm.", "850rpm"),
    "mixture": ("You trim it to the highest steady idle, then a touch richer.", "yes"),
    "warm": ("The choke is off and the gauge stands where it always does.", "yes"),
    "tdc": ("Soft stop and mark agree to half a degree.", "yes"),
    "scribed": ("You draw a fine line across body and block.", "yes"),
    "hot_day": ("It is a hot afternoon, and the engine is hot.", "yes"),
    "poor_fuel": ("The tank holds the cheapest fuel there was.", "yes"),
    "running_on": ("Switched off, it stops at once.", "yes"),
    "kick_back": ("Ten minutes later it starts without a jerk.", "yes"),
}

# What the simulated hand does while the rig records.
_RECORDING: Final = {
    "fit": "Key on, starter, a minute of idle, a blip: the rig records.",
    "curve": "You stand beside the fan's plane and rev it up slowly, and down again.",
    "sweep": "You nudge the body on, wait, nudge again, over the top and back.\n"
    "Or see the page lead a hand, in another terminal: vaclog listen --simulate workshop-sweep "
    "--capture led.vaclog. When it has ended, type led.vaclog here.",
    "again": "Over the top and back once more, to the setting.",
    "lock": "You hold the body with one hand and tighten the clamp with the other.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Workshop:
    """The simulated engine, as far as a visit has come with it.

    Attributes
    ----------
    folder
        Where its captures are written.
    seed
        Another seed, another day.
    """

    folder: Path
    seed: int

    def cue(self, visit: Visit, due: Next) -> Cue:
        """What is seen at the engine now, and the answer that is offered."""
        if due.ask is not None:
            return self._at_question(visit, due)
        if due.wants is not None or due.step.key == "lock":
            return Cue(tells=_RECORDING.get(due.step.key, ""), records=True)
        if due.step.key == "set":
            return _at_setting(due)
        if due.step.key == "road":
            return _on_the_road(visit)
        if due.put_right:
            return Cue(says=f"{due.put_right[0].key} skip")
        return Cue(says="end" if due.step.key == "defer" else "yes")

    def record(self, visit: Visit, due: Next) -> Path:
        """Let the simulated engine run, and write what the rig hears."""
        purpose = due.step.purpose
        assert purpose is not None  # asked only where a step wants a capture
        count = len(visit.captures)
        scenario = self._scenario(visit, purpose)
        path = self.folder / f"visit-{visit.number}-{count + 1:02d}-{purpose}.vaclog"
        path.unlink(missing_ok=True)  # of a rehearsal that was stopped before it was kept
        write_capture(path, scenario.simulate(self.seed + 100 * visit.number + count))
        return path

    def _scenario(self, visit: Visit, purpose: str) -> Scenario:
        """What happens when this is recorded; what a visit may have to repeat goes wrong once."""
        from vaclog.simulator.presets import workshop

        at_deg = angle_deg(visit)
        first = visit.last(purpose) is None  # type: ignore[arg-type]
        if purpose == "check":
            return workshop.check_cold(at_deg) if first else workshop.check(at_deg)
        if purpose == "lock":
            return workshop.lock(at_deg, moved_deg=workshop.LOCK_MOVES_DEG if first else 0.0)
        played = {
            "curve": workshop.curve,
            "sweep": workshop.sweep,
            "again": workshop.again,
            "road": workshop.road,
        }
        return played[purpose](at_deg)

    def _at_question(self, visit: Visit, due: Next) -> Cue:
        assert due.ask is not None
        key = due.ask.key
        if key == "baseline":
            reads = f"{angle_deg(visit):.0f}"
            return Cue(tells=f"The strobe reads {reads} degrees.", says=reads)
        if any(point.measured and point.key == key for point in due.put_right):
            return Cue(tells="You put it right, and wait until it is warm.", records=True)
        tells, says = _SEEN.get(key, ("", "yes"))
        return Cue(tells=tells, says=says)


def angle_deg(visit: Visit) -> float:
    """Where the simulated distributor stands: as told, as left last time, else as found."""
    from vaclog.simulator.presets import workshop
    from vaclog.visit import road

    known = (road.set_deg(visit), visit.left_deg)
    return next((each for each in known if each is not None), workshop.FOUND_DEG)


def _at_setting(due: Next) -> Cue:
    if due.aim is None or due.aim.deg is None:
        return Cue(says="yes")
    reads = f"{due.aim.deg:.1f}"
    return Cue(tells=f"You turn the body until the page reads {reads}°.", says=reads)


def _on_the_road(visit: Visit) -> Cue:
    """First the drive is recorded; then it is told what the passenger heard in it."""
    capture = visit.last("road")
    told = [trial.at for trial in visit.trials]
    if capture is None or (told and capture.at <= told[-1]):
        return Cue(tells="Two pulls on a quiet road; the passenger holds the button.", records=True)
    if capture.result.pinking:
        return Cue(
            tells="It rattled as it pulled. The passenger pressed the button.", says="pinking"
        )
    return Cue(tells="Neither of you heard anything.", says="clean")


def rehearsal_desk(folder: Path) -> Desk:
    """The garage of a rehearsal, with a visit open in it.

    Raises
    ------
    VisitError
        That garage holds real visits.
    StorageError
        It cannot be written.
    """
    from vaclog.cli.writing import writing
    from vaclog.errors import VisitError
    from vaclog.visit.records import Visit
    from vaclog.visit.steps import begin

    desk = Desk(garage_file=folder / "garage.db", number=None, at=None, as_json=False)
    with writing(folder):
        folder.mkdir(parents=True, exist_ok=True)
    with desk.garage() as garage:
        lines = garage.visits()
        if lines and not garage.visit(lines[0].number).rehearsal:
            raise VisitError(
                f"{folder / 'garage.db'} holds real visits; nothing is rehearsed there.",
                step="Choose another folder with --folder.",
            )
        if not any(not line.ended for line in lines):
            engine, name, rig = _cards(folder)
            before = garage.visit(lines[0].number) if lines else None
            new = Visit(
                engine=name,
                engine_toml=engine,
                rig=RIG,
                rig_toml=rig,
                begun=desk.now(),
                rehearsal=True,
            )
            garage.save_visit(begin(new, before))
    return desk


def _cards(folder: Path) -> tuple[str, str, str]:
    """The simulated engine's card, the name on it, its rig's card; kept in the folder as well."""
    from vaclog.simulator.presets import workshop

    recording = workshop.lock().simulate(1)
    write_cards(folder, recording)
    return recording.engine_card_toml, workshop.MAKER.name, recording.rig_card_toml
