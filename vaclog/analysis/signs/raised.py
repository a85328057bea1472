"""What changes with speed: shake that grows, vacuum that falls while a speed is held.

Enters: the evidence. Leaves: a sign or None each; and shake at idle, which is the other half of
the same question.

Shake is the scatter of what happens within a cycle, beside the pattern that each cycle repeats:
gas that comes by chance through valves that flutter or guides that wobble. The work of the
strokes scatters far more, but acts through speed and is too slow to show in it.
"""

from __future__ import annotations

from dataclasses import dataclass
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
GROWN_KPA: Final = 0.1  # ten times what sound engines differ by (simulated)
GROWN: Final = 2.0  # times the shake at idle, after what fewer samples a stroke make
LEAST_CYCLES: Final = 40
FREE: Final = 0.5  # of the strokes of a cycle count as independent, neighbours share a level

FALL_S: Final = 10.0
FALL_KPA: Final = 1.5  # half an inch of mercury over the stretch
BLOCK_S: Final = 1.5
SPEED_SHARE: Final = 0.5


def find_shake_at_idle(evidence: Evidence) -> Sign | None:
    """Fast irregular shake at idle."""
    shake, count = idle_shake(evidence)
    threshold = SHAKE_KPA * evidence.size
    if count < LEAST_CYCLES or not shake > threshold:
        return None
    found = [
        common("worn inlet valve guides"),
        common("a mixture that spits back"),
        common("valves that hang or springs that are tired"),
    ]
    high, more, _ = raised_shake(evidence)
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

    idle, few = idle_shake(evidence)
    high, more, at_s = raised_shake(evidence)
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
    few, more = idle_shake(evidence)[1], raised_shake(evidence)[1]
    return evidence.swing_kpa.shape[1] > 1 and min(few, more) >= LEAST_CYCLES


def idle_shake(evidence: Evidence) -> tuple[float, int]:
    """Shake at idle in kPa, and the cycles that it was taken from."""
    rest = (evidence.swing_kpa - evidence.beat_kpa)[evidence.idling]
    rest = rest[np.isfinite(rest).all(axis=1)]
    return robust_sigma(rest.ravel()), len(rest)


def raised_shake(evidence: Evidence) -> tuple[float, int, float]:
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Fall:
    """How pressure went while a raised speed was held.

    Attributes
    ----------
    kpa, u_kpa
        Rise of pressure over the stretch, with its uncertainty.
    p
        Probability of so large a one by chance.
    opened
        Speed rose with it, as it does when the throttle is opened further.
    at_s
        Start of the stretch.
    """

    kpa: float
    u_kpa: float
    p: float
    opened: bool
    at_s: float


def falls(evidence: Evidence) -> list[Fall]:
    """All stretches at a held raised speed that are long enough."""
    cycles, time_s, found = evidence.case.cycles, evidence.time_s, []
    for first, last in evidence.raised:
        span_s = float(time_s[last - 1] - time_s[first])
        if span_s < FALL_S:
            continue
        columns = np.stack([cycles.pressure_kpa[first:last], np.log(cycles.rpm[first:last])], 1)
        at_s, means = blocks(time_s[first:last], columns, BLOCK_S)
        one = np.zeros(len(at_s), dtype=np.int64)
        line = slope(at_s, means[:, 0], one, bend=True)
        speed = slope(at_s, means[:, 1], one, bend=True)
        if line is None or speed is None:
            continue
        share = line.slope / float(np.mean(means[:, 0]))
        found.append(
            Fall(
                kpa=line.slope * span_s,
                u_kpa=line.u * span_s,
                p=line.p,
                opened=speed.slope > SPEED_SHARE * share and speed.p < FALSE_ALARM,
                at_s=float(time_s[first]),
            )
        )
    return found


def find_fall(evidence: Evidence) -> Sign | None:
    """Vacuum that falls slowly while a raised speed is held."""
    able = [fall for fall in falls(evidence) if fall.p < FALSE_ALARM and not fall.opened]
    able = [fall for fall in able if fall.kpa >= FALL_KPA]
    if not able:
        return None
    most = max(able, key=lambda fall: fall.kpa)
    return Sign(
        key="falls-at-held-speed",
        text="While a raised speed was held the vacuum fell slowly, and speed did not rise",
        number=most.kpa,
        u=most.u_kpa,
        unit="kPa",
        threshold=FALL_KPA,
        false_alarm=FALSE_ALARM,
        candidates=(
            data("an exhaust that is blocked: it fills, and the engine pulls worse"),
            common("a mixture that goes weak: fuel does not keep up"),
            data("not a throttle that was opened further: speed would have risen"),
        ),
        next_look="Loosen the exhaust at the manifold, or feel the stream at its end, and hold "
        "the same speed again.",
        at_s=most.at_s,
    )


def fall_judged(evidence: Evidence) -> bool:
    """Whether a raised speed was held long enough."""
    time_s = evidence.time_s
    return any(time_s[last - 1] - time_s[first] >= FALL_S for first, last in evidence.raised)
