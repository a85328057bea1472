"""Phases and sweeps of a capture in which the hand is known only from readings.

Enters: phases found without an advance, and paired holds. Leaves: phases in which the stretch of
the holds is divided into holds and moves, and the passes of the hand.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from vaclog.analysis.findings import Phase, Sweep
from vaclog.analysis.holds.pair import PairedHold
from vaclog.result import PhaseKind

# Readings that differ by less are one reading twice.
SAME_DEG = 0.5
_IDLING = ("hold", "running", "warming", "advancing", "retarding")


def phases_by_holds(
    phases: Sequence[Phase], holds: Sequence[PairedHold]
) -> tuple[list[Phase], list[Sweep]]:
    """Lay holds and moves over what idled.

    A hold that was not read ends the pass: which way the hand went is not known there, and the
    stretch is ``running``.
    """
    if not holds:
        return list(phases), []
    laid: list[Phase] = []
    for before, after in pairwise([None, *holds]):
        assert after is not None
        if before is not None:
            kind = _move(before, after)
            laid.append(Phase(kind=kind, start_us=before.end_us, end_us=after.start_us))
        known = after.reading.known
        laid.append(
            Phase(kind="hold" if known else "running", start_us=after.start_us, end_us=after.end_us)
        )
    out: list[Phase] = []
    for phase in phases:
        if phase.kind not in _IDLING:
            out.append(phase)
            continue
        out += _lay(phase, laid)
    joined = _join(out)
    return joined, _sweeps(joined)


def _move(before: PairedHold, after: PairedHold) -> PhaseKind:
    if not (before.reading.known and after.reading.known):
        return "running"
    step = after.reading.deg - before.reading.deg
    if abs(step) < SAME_DEG:
        return "hold"
    return "advancing" if step > 0 else "retarding"


def _lay(phase: Phase, laid: Sequence[Phase]) -> list[Phase]:
    """One phase of idling with the pieces that fall into it laid over."""
    out: list[Phase] = []
    at = phase.start_us
    for piece in laid:
        start, end = max(piece.start_us, at), min(piece.end_us, phase.end_us)
        if end <= start:
            continue
        if start > at:
            out.append(replace(phase, start_us=at, end_us=start))
        # Warming before the first move stays what it is.
        kind = phase.kind if phase.kind == "warming" and piece.kind == "hold" else piece.kind
        out.append(Phase(kind=kind, start_us=start, end_us=end))
        at = end
    if at < phase.end_us:
        out.append(replace(phase, start_us=at))
    return out


def _join(pieces: Sequence[Phase]) -> list[Phase]:
    out: list[Phase] = []
    for piece in pieces:
        if out and out[-1].kind == piece.kind and out[-1].end_us == piece.start_us:
            out[-1] = replace(out[-1], end_us=piece.end_us)
        else:
            out.append(piece)
    return out


def _sweeps(phases: Sequence[Phase]) -> list[Sweep]:
    """Moves in one direction with nothing but holds between are one pass, however long the wait."""
    sweeps: list[Sweep] = []
    last = ""
    for phase in phases:
        if phase.kind in ("hold", "warming"):
            continue
        if phase.kind not in ("advancing", "retarding"):
            last = ""
            continue
        direction = "advancing" if phase.kind == "advancing" else "retarding"
        if last == phase.kind:
            sweeps[-1] = replace(sweeps[-1], end_us=phase.end_us)
        else:
            sweeps.append(
                Sweep(
                    start_us=phase.start_us,
                    end_us=phase.end_us,
                    direction="advancing" if direction == "advancing" else "retarding",
                )
            )
        last = phase.kind
    return sweeps
