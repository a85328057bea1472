"""What is wrong with the rig, in plain sentences, and which advance can be trusted.

Enters: totals of what was seen. Leaves: the source of advance, and warnings: the fact, the
likely cause, the next step; most important first.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from vaclog.cards import EngineCard, RigCard
from vaclog.signals.pickup import PickupFinding, Verdict
from vaclog.signals.tables import AdvanceFrom
from vaclog.signals.tally import Tally
from vaclog.signals.turning import PulseCount
from vaclog.wire.messages import PulseKind

_MOST = 0.5  # of the cycles must have an advance, and a possible one, for a source to serve
_RAIL_SHARE = 0.02
_LOST_SHARE = 0.02  # pulses missing; up to one in fifty is bridged without harm
_STRAY_SHARE = 0.05
_DOUBLE_SHARE = 0.3  # stray marks among all: a second tooth rather than noise
_GAP_SHARE = 0.05
_ENOUGH_ROWS = 20
# A manifold under an idling engine is far below, a hose that hangs loose is not.
_NO_VACUUM_KPA = 8.0
_USUAL_REST_KPA = 100.0
_LOWEST_KPA, _HIGHEST_KPA = 8.0, 110.0
_DISAGREE_DEG = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """Totals over the capture so far.

    Attributes
    ----------
    engine, rig
        The cards.
    duration_us
        Time of the newest record.
    samples, low_rail, high_rail
        Pressure samples, and of those at either rail.
    tally
        Totals over the cycles.
    pickup
        The check of the spark pickup.
    turning_by
        What the cycles are made from.
    spark, coil, mark
        Totals of the pulses.
    body
        Body angle readings.
    restarts
        Boots of the device after the first.
    late
        Records that came too late to be put in order.
    dropped_events, dropped_samples
        What the device itself says that it dropped.
    """

    engine: EngineCard
    rig: RigCard
    duration_us: int
    samples: int
    low_rail: int
    high_rail: int
    tally: Tally
    pickup: PickupFinding | None
    turning_by: PulseKind | None
    spark: PulseCount
    coil: PulseCount
    mark: PulseCount
    body: int
    restarts: int
    late: int
    dropped_events: int
    dropped_samples: int

    @property
    def usual_marks(self) -> int:
        """Marks in most cycles."""
        return self.tally.marks.index(max(self.tally.marks))

    @property
    def mark_sound(self) -> bool:
        """The mark passes twice a cycle, without a second tooth."""
        rows = sum(self.tally.marks)
        doubled = self.mark.strays > _DOUBLE_SHARE * max(self.mark.received, 1)
        return rows > 0 and self.usual_marks == 2 and not doubled

    @property
    def source(self) -> AdvanceFrom:
        """The best source of advance that most cycles have."""
        tally = self.tally
        if self.mark_sound and _mostly(tally.mark_plausible, tally.rows):
            return AdvanceFrom.MARK
        if _mostly(tally.body_plausible, tally.rows):
            return AdvanceFrom.BODY
        return AdvanceFrom.NONE


@dataclass(frozen=True, slots=True, kw_only=True)
class Medians:
    """Medians over the firing engine, and at rest; None where nothing is known."""

    rest_kpa: float | None
    running_kpa: float | None
    mark_deg: float | None
    body_deg: float | None


def warnings(evidence: Evidence, medians: Medians) -> list[str]:
    """All warnings, most important first."""
    return [
        *_pressure(evidence, medians),
        *_sparks(evidence),
        *_pickup(evidence),
        *_marks(evidence, medians),
        *_body(evidence, medians),
        *_losses(evidence),
    ]


def _mostly(part: int, whole: int) -> bool:
    return whole > 0 and part >= _MOST * whole


def _percent(part: int, whole: int) -> str:
    share = 100.0 * part / max(whole, 1)
    return f"{share:.0f} %" if share >= 10 else f"{share:.1f} %"


def _pressure(e: Evidence, m: Medians) -> Iterator[str]:
    if not e.samples:
        yield (
            "There is not one pressure reading. The sensor's channel is not sent, or the capture "
            "holds pulses only. Check the logger's P records or the column mapping."
        )
        return
    if e.low_rail > _RAIL_SHARE * e.samples:
        yield (
            f"The pressure sensor reads at the bottom of its scale in "
            f"{_percent(e.low_rail, e.samples)} of the readings. Its signal wire is probably open "
            "or shorted to ground, or it has no supply. Check plug and wires, then record again."
        )
    if e.high_rail > _RAIL_SHARE * e.samples:
        yield (
            f"The pressure sensor reads at the top of its scale in "
            f"{_percent(e.high_rail, e.samples)} of the readings. Its signal is probably shorted "
            "to the supply, or its ground wire is open. Check plug and wires, then record again."
        )
    if m.running_kpa is None or max(e.low_rail, e.high_rail) > _RAIL_SHARE * e.samples:
        return
    if not _LOWEST_KPA < m.running_kpa < _HIGHEST_KPA:
        yield (
            f"The running engine's pressure works out as {m.running_kpa:.0f} kPa, which no engine "
            "has. The rig card's gain_per_kpa or offset does not fit this sensor. Take both from "
            "its data sheet."
        )
    elif m.running_kpa > (m.rest_kpa or _USUAL_REST_KPA) - _NO_VACUUM_KPA:
        yield (
            f"The running engine shows hardly any vacuum: {m.running_kpa:.0f} kPa. The hose is "
            "probably off or blocked, or sits before the throttle. Join it to the manifold with a "
            "T-piece."
        )


def _sparks(e: Evidence) -> Iterator[str]:
    if e.spark.accepted and e.turning_by is PulseKind.SPARK:
        yield from _quality(e.spark, "spark", "Move the clamp along the lead, away from others.")
        return
    if e.turning_by is PulseKind.COIL:
        yield (
            "No spark was seen on the No. 1 lead, so the coil lead's sparks were counted instead. "
            "The clamp on No. 1 is probably off or turned the wrong way round. Until it works, "
            "which cylinder is meant is not known."
        )
    elif e.turning_by is PulseKind.MARK:
        yield (
            "No spark was seen, so turns were counted by the crank mark, and the advance cannot "
            "be measured. The clamp is probably off the lead, the wrong way round, or not plugged "
            "in. Put it on the No. 1 lead near the plug and record again."
        )
    else:
        yield (
            "No spark was seen, so there are no cycles to analyse. The clamp is probably off the "
            "lead, the wrong way round, or the engine never ran. Put it on the No. 1 lead near "
            "the plug and check that the logger prints S records."
        )


def _quality(count: PulseCount, name: str, step: str) -> Iterator[str]:
    whole = count.accepted + count.missing
    if count.missing > _LOST_SHARE * whole and whole > _ENOUGH_ROWS:
        yield (
            f"{_percent(count.missing, whole)} of the {name}s were missed and put in from their "
            f"neighbours. The pickup's signal is probably weak, or its lead is loose. {step}"
        )
    if count.strays > _STRAY_SHARE * whole and whole > _ENOUGH_ROWS:
        yield (
            f"{_percent(count.strays, count.received)} of the {name} pulses do not fit the "
            "engine's rhythm and were left out. Interference from other leads is the usual "
            f"cause. {step}"
        )


def _lead(sparks_per_cycle: int) -> str:
    if sparks_per_cycle == 1:
        return 'the No. 1 lead of a distributor (pickup = "no1")'
    if sparks_per_cycle == 2:
        return 'a lead that fires every turn, a wasted spark (pickup = "wasted")'
    return 'the coil lead, which carries every cylinder\'s spark (pickup = "coil")'


def _pickup(e: Evidence) -> Iterator[str]:
    found = e.pickup
    if found is None or e.turning_by is not PulseKind.SPARK:
        return
    if found.verdict is Verdict.CORRECTED:
        yield (
            f"The sparks come as from {_lead(found.sparks_per_cycle)}, but the rig card says "
            f"{_lead(found.declared)}. The clamp is on the wrong lead or the card is wrong; the "
            "cycles were made as the engine shows them. Move the clamp or correct the card."
        )
    elif found.verdict is Verdict.DOUBTFUL:
        yield (
            f"The clamp may be on the wrong lead: the sparks look as if from "
            f"{_lead(found.suspected)}, but the rig card says {_lead(found.declared)}. If the "
            "speed shown is not the engine's, speed and curve are wrong by that factor. Check "
            "clamp and card, then record again."
        )


def _marks(e: Evidence, m: Medians) -> Iterator[str]:
    declared = e.rig.mark is not None
    rows = e.tally.rows
    if not e.mark.received:
        if declared and rows:
            yield (
                "The rig card has a crank mark, but not one pulse came from it. The sensor is "
                "probably too far from the mark, or not plugged in. Bring it to within a "
                "millimetre or two, turn the engine by hand and watch for R records."
            )
        return
    if not declared:
        if m.body_deg is None and rows:
            yield (
                "Crank marks come, but no advance is known from them. The rig card does not say "
                "at what angle the mark passes its sensor. Add [mark] with angle_deg to it."
            )
        return
    if rows < _ENOUGH_ROWS:
        return
    if not e.mark_sound:
        yield from _wrong_marks(e)
        return
    yield from _quality(e.mark, "mark", "Check the sensor's gap and its cable's screen.")
    if m.mark_deg is not None and not _mostly(e.tally.mark_plausible, rows):
        yield (
            f"The advance from the crank mark works out as {m.mark_deg:.0f} degrees, which no "
            f"engine has. {_whose_lead(e.engine, m.mark_deg)}, or angle_deg of the mark is wrong "
            "on the rig card. Put the clamp on No. 1, check the mark with a strobe, and record "
            "again; until then the mark is not used."
        )


def _whose_lead(engine: EngineCard, advance_deg: float) -> str:
    """Which lead the clamp would have to be on for this advance to be an ordinary one."""
    usual = 15.0 if engine.static_deg is None else engine.static_deg
    interval = 720.0 / engine.cylinders
    # A spark that comes one place later looks less advanced by one firing interval.
    slots = [
        slot
        for slot in range(1, engine.cylinders)
        if abs((advance_deg + slot * interval - usual + 180.0) % 360.0 - 180.0) < interval / 3
    ]
    if not slots or engine.firing_order is None:
        return "The clamp is probably on another cylinder's lead"
    names = " or ".join(f"No. {engine.firing_order[slot]}" for slot in slots)
    return f"The clamp is probably on the lead of {names}"


def _wrong_marks(e: Evidence) -> Iterator[str]:
    usual = e.usual_marks
    if usual >= 3 or e.mark.strays > _DOUBLE_SHARE * max(e.mark.received, 1):
        fact = "The crank mark fires more than once a turn"
        cause = "There is probably a second mark, a keyway or a bolt head that the sensor sees"
    elif usual == 1:
        fact = "The crank mark fires once in two turns"
        cause = "The sensor is probably at the camshaft or the distributor, or misses every other"
    else:
        fact = "The crank mark is missing in most turns"
        cause = "The sensor's gap is probably too wide"
    yield (
        f"{fact}, so it is not used for the advance. {cause}. Let it see one mark per turn of "
        "the crank and record again."
    )


def _body(e: Evidence, m: Medians) -> Iterator[str]:
    rows = e.tally.rows
    if e.rig.body is None:
        if e.body and e.rig.mark is None and rows:
            yield (
                "Body angle readings come, but no advance is known from them. The rig card does "
                "not say what they mean. Add [body] with scale and anchor to it."
            )
        return
    if not e.body:
        if rows:
            yield (
                "The rig card has a body angle sensor, but not one reading came from it. It is "
                "probably not plugged in. Check for B records."
            )
        return
    if m.body_deg is not None and not _mostly(e.tally.body_plausible, rows):
        yield (
            f"The advance from the body angle works out as {m.body_deg:.0f} degrees, which no "
            "engine has. The anchor or the scale on the rig card is probably wrong, or the "
            "sensor has slipped. Take a new strobe reading for the anchor."
        )
    elif (
        e.source is AdvanceFrom.MARK
        and m.mark_deg is not None
        and m.body_deg is not None
        and abs(m.mark_deg - m.body_deg) > _DISAGREE_DEG
    ):
        yield (
            f"Crank mark and body angle differ by {abs(m.mark_deg - m.body_deg):.1f} degrees; the "
            "mark is used. The body's anchor is probably old, or the centrifugal weights have "
            "begun to move. Take a new strobe reading for the anchor."
        )


def _losses(e: Evidence) -> Iterator[str]:
    rows = e.tally.rows
    for name, part, plenty in (
        ("crank mark", e.tally.mark, e.source is AdvanceFrom.MARK),
        ("body angle", e.tally.body, e.source is AdvanceFrom.BODY),
    ):
        if plenty and part < 0.9 * rows:
            yield (
                f"The advance from the {name} is known in only {_percent(part, rows)} of the "
                "cycles. Its signal drops out. Check sensor and cable."
            )
    if e.tally.gap > _GAP_SHARE * max(rows, 1):
        yield (
            f"Pressure readings are missing in {_percent(e.tally.gap, rows)} of the cycles. The "
            "link loses data or the logger pauses. Shorten the cable, or send fewer records."
        )
    if e.dropped_events or e.dropped_samples:
        yield (
            f"The device had to drop {e.dropped_events} pulses and {e.dropped_samples} pressure "
            "readings. Bursts of ringing on a pickup or a slow host are the usual causes. Check "
            "the pickup's filter."
        )
    if e.restarts:
        yield (
            f"The device restarted {e.restarts} time{'s' if e.restarts > 1 else ''} during the "
            "capture. Its supply or plug is probably loose, or a port was opened anew. The time "
            "in between is estimated."
        )
    if e.late:
        yield (
            f"{e.late} records came more than 100 ms out of order and were left out. The logger "
            "buffers one kind of record too long. Let it print each record at once."
        )
