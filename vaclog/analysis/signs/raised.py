"""What changes with speed: shake that grows, vacuum that falls while a speed is held.

Enters: the evidence. Leaves: a sign or None each; and shake at idle, which is the other half of
the same question.

Shake is the scatter of what happens within a cycle, beside the pattern that each cycle repeats:
gas that comes by chance through valves that flutter or guides that wobble. The work of the
strokes scatters far more, but acts through speed and is too slow to show in it.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from vaclog.analysis.phases.segments import robust_sigma
from vaclog.analysis.signs.chance import FALSE_ALARM, blocks, slope
from vaclog.analysis.signs.evidence import Evidence
from vaclog.analysis.signs.say import common, data
from vaclog.result import Sign

# A tenth of an inch of mercury from stroke to stroke, for four cylinders; sensors of the common
# kind scatter less than a third of that over a stroke (simulated). No figure of the trade exists.
SHAKE_KPA: Final = 0.35
GROWN_KPA: Final = 0.2
GROWN: Final = 2.0  # times the shake at idle, after what fewer samples a stroke make
LEAST_CYCLES: Final = 40
FREE: Final = 0.5  # of the strokes of a cycle count as independent, neighbours share a level

FALL_S: Final = 10.0
FALL_KPA: Final = 1.5  # half an inch of mercury over the stretch
BLOCK_S: Final = 1.5
SPEED_SHARE: Final = 0.5


def find_shake_at_idle(evidence: Evidence) -> Sign | None:
    """Fast irregular shake at idle."""
    shake, count = _idle_shake(evidence)
    threshold = SHAKE_KPA * evidence.size
    if count < LEAST_CYCLES or not shake > threshold:
        return None
    found = [
        common("worn inlet valve guides"),
        common("a mixture that spits back"),
        common("valves that hang or springs that are tired"),
    ]
    high, more, _ = _raised_shake(evidence)
    if more >= LEAST_CYCLES and high < shake:
        found[0] = data("inlet valve guides: it calms at the raised speed, as guides do")
    elif more >= LEAST_CYCLES and high > shake * GROWN:
        found.insert(0, data("valve springs: it grows with speed"))
    return Sign(
        key="shake-at-idle",
        text="The vacuum trembles irregularly from stroke to stroke at idle",
        number=shake,
        u=shake / np.sqrt(2.0 * FREE * count),
        unit="kPa",
        threshold=threshold,
        false_alarm=FALSE_ALARM,
        candidates=tuple(found),
        next_look="Hold it at a raised speed for ten seconds: guides calm down, springs get worse.",
    )


def find_shake_grows(evidence: Evidence) -> Sign | None:
    """Shake that is larger at a raised speed than at idle."""
    from scipy.special import fdtrc

    idle, few = _idle_shake(evidence)
    high, more, at_s = _raised_shake(evidence)
    if not shake_judged(evidence):
        return None
    parts = evidence.swing_kpa.shape[1]
    ratio = high / max(idle, 1e-6)
    p = float(fdtrc(FREE * parts * more, FREE * parts * few, ratio * ratio))
    threshold = max(GROWN * idle, idle + GROWN_KPA * evidence.size)
    if high <= threshold or p >= FALSE_ALARM:
        return None
    return Sign(
        key="shake-grows",
        text="The vacuum trembles irregularly from stroke to stroke at the raised speed, more "
        "than at idle",
        number=high,
        u=high / float(np.sqrt(2.0 * FREE * parts * more)),
        unit="kPa",
        threshold=threshold,
        false_alarm=FALSE_ALARM,
        candidates=(
            data("valve springs: it grows with speed, which guides do not do"),
            common("points that bounce, or a spark that fails at speed"),
            common("a mixture that is weak off idle"),
        ),
        next_look="Hold two speeds for ten seconds each; compare the free length of the springs.",
        at_s=at_s,
    )


def shake_judged(evidence: Evidence) -> bool:
    """Whether there is shake at two speeds to compare."""
    few, more = _idle_shake(evidence)[1], _raised_shake(evidence)[1]
    return evidence.swing_kpa.shape[1] > 1 and min(few, more) >= LEAST_CYCLES


def _idle_shake(evidence: Evidence) -> tuple[float, int]:
    rest = (evidence.swing_kpa - evidence.beat_kpa)[evidence.idling]
    rest = rest[np.isfinite(rest).all(axis=1)]
    return robust_sigma(rest.ravel()), len(rest)


def _raised_shake(evidence: Evidence) -> tuple[float, int, float]:
    """Shake of the stretch that shakes most, its cycles, and its start.

    Fewer samples fall into a shorter stroke: what a sensor's noise adds by that is taken off by
    the root of the ratio of speeds, as if all of the shake at idle were noise.
    """
    best = (float("nan"), 0, float("nan"))
    for first, last in evidence.raised:
        rest = evidence.swing_kpa[first:last]
        rest = rest[np.isfinite(rest).all(axis=1)]
        if len(rest) < LEAST_CYCLES:
            continue
        rest = rest - np.median(rest, axis=0)
        rpm = float(np.median(evidence.case.cycles.rpm[first:last]))
        shake = robust_sigma(rest.ravel()) / np.sqrt(rpm / evidence.idle_rpm)
        if not shake <= best[0]:
            best = (float(shake), len(rest), float(evidence.time_s[first]))
    return best


def find_fall(evidence: Evidence) -> Sign | None:
    """Vacuum that falls slowly while a raised speed is held."""
    cycles = evidence.case.cycles
    for first, last in evidence.raised:
        span_s = float(evidence.time_s[last - 1] - evidence.time_s[first])
        if span_s < FALL_S:
            continue
        columns = np.stack([cycles.pressure_kpa[first:last], np.log(cycles.rpm[first:last])], 1)
        at_s, means = blocks(evidence.time_s[first:last], columns, BLOCK_S)
        one = np.zeros(len(at_s), dtype=np.int64)
        line, speed = slope(at_s, means[:, 0], one), slope(at_s, means[:, 1], one)
        if line is None or speed is None:
            continue
        fall, u = line.slope * span_s, line.u * span_s
        level = float(np.mean(means[:, 0]))
        opened = speed.slope * span_s > SPEED_SHARE * fall / level and speed.p < FALSE_ALARM
        if line.p >= FALSE_ALARM or fall < FALL_KPA or opened:
            continue
        return Sign(
            key="falls-at-held-speed",
            text="While a raised speed was held the vacuum fell slowly, and speed did not rise",
            number=fall,
            u=u,
            unit="kPa",
            threshold=FALL_KPA,
            false_alarm=FALSE_ALARM,
            candidates=(
                data("an exhaust that is blocked: it fills, and the engine pulls worse"),
                common("a mixture that goes weak: fuel does not keep up"),
                data("not a throttle that was opened further: speed would have risen"),
            ),
            next_look="Loosen the exhaust at the manifold, or feel the stream at its end, and "
            "hold the same speed again.",
            at_s=float(evidence.time_s[first]),
        )
    return None


def fall_judged(evidence: Evidence) -> bool:
    """Whether a raised speed was held long enough."""
    time_s = evidence.time_s
    return any(time_s[last - 1] - time_s[first] >= FALL_S for first, last in evidence.raised)
