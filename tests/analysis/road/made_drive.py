"""A drive made by hand: cycles of an idle, a pull at wide throttle and the way back, with truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vaclog.analysis.findings import Phase
from vaclog.signals.tables import CycleTable

BARO_KPA = 101.0


@dataclass(frozen=True, kw_only=True, eq=False)
class MadeDrive:
    """Cycles, phases, and what was put into them."""

    cycles: CycleTable
    phases: list[Phase]
    pull_us: tuple[int, int]


def made_drive(
    *,
    from_rpm: float = 1800.0,
    to_rpm: float = 3800.0,
    pull_s: float = 8.0,
    cylinders: int = 4,
    advance_from: int = 1,
    idle_s: float = 5.0,
    pulls: int = 1,
) -> MadeDrive:
    """Idle, then pulls with ``to_rpm`` reached in a straight line, three seconds of coasting each.

    Advance is 10° and one degree more for each 100 rpm above 1000, at most 32°.
    """
    t_s, starts, kinds = 0.0, [0.0], []
    spans: list[tuple[str, float, float]] = [("hold", 0.0, idle_s)]
    at = idle_s
    for _ in range(pulls):
        spans += [("load", at, at + pull_s), ("running", at + pull_s, at + pull_s + 3.0)]
        at += pull_s + 3.0
    spans.append(("hold", at, at + idle_s))
    rpms, kpas = [], []
    for kind, begin_s, end_s in spans:
        while t_s < end_s:
            share = (t_s - begin_s) / (end_s - begin_s)
            rpm, kpa = 850.0, 40.0
            if kind == "load":
                rpm, kpa = from_rpm + (to_rpm - from_rpm) * share, 99.0
            elif kind == "running":
                rpm, kpa = to_rpm + (850.0 - to_rpm) * share, 30.0
            t_s += 120.0 / rpm
            starts.append(t_s)
            rpms.append(rpm)
            kpas.append(kpa)
            kinds.append(kind)
    edges = np.round(np.array(starts) * 1e6).astype(np.int64)
    n = len(rpms)
    rpm_array, kpa_array = np.array(rpms), np.array(kpas)
    cycles = CycleTable(
        start_us=edges[:-1],
        end_us=edges[1:],
        rpm=rpm_array,
        pressure_kpa=kpa_array,
        min_kpa=kpa_array - 1.0,
        max_kpa=kpa_array + 1.0,
        slot_kpa=np.repeat(kpa_array[:, None], cylinders, axis=1),
        turn_us=np.full((n, 2), np.nan),
        advance_deg=np.clip(10.0 + (rpm_array - 1000.0) / 100.0, 10.0, 32.0),
        advance_from=np.full(n, advance_from, np.uint8),
        flags=np.zeros(n, np.uint8),
    )
    phases: list[Phase] = []
    for k in range(n):
        begin, end = int(edges[k]), int(edges[k + 1])
        if phases and phases[-1].kind == kinds[k]:
            phases[-1] = Phase(kind=phases[-1].kind, start_us=phases[-1].start_us, end_us=end)
        else:
            phases.append(Phase(kind=kinds[k], start_us=begin, end_us=end))  # type: ignore[arg-type]
    pull_us = next((p.start_us, p.end_us) for p in phases if p.kind == "load")
    return MadeDrive(cycles=cycles, phases=phases, pull_us=pull_us)
