"""What vacuum alone tells of a sweep whose angle nobody knows: below, at or past its top, and when.

Enters: cycles and which of them idled. Leaves: one sentence, or none where nothing can be told.

Where the body stood when the vacuum was highest is the top, whatever its angle; the person knows
which way it was turned. A set point cannot follow: no limit can be judged without an angle.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from vaclog.analysis.phases.segments import bend_sigma
from vaclog.signals.tables import CycleTable
from vaclog.units import from_kpa

BLOCK_S: Final = 4.0  # several times the second in which engine and manifold answer
LEAST_BLOCKS: Final = 8
# A change of vacuum below this many standard deviations of a block is none. Blocks wander as a
# random walk held by a spring, so the scatter of neighbours tells too little of it.
SURE_SIGMAS: Final = 3.0
LEAST_KPA: Final = 0.25  # a tenth of an inch of mercury is what a gauge shows (common practice)


def vacuum_alone(cycles: CycleTable, idle: NDArray[np.bool_]) -> str | None:
    """Say whether the vacuum rose, fell, or did one after the other.

    Parameters
    ----------
    idle
        bool [n], throttle untouched, as :func:`~vaclog.analysis.phases.usable.idle_cycles`.
    """
    rows = np.flatnonzero(idle & np.isfinite(cycles.pressure_kpa))
    if len(rows) == 0:
        return None
    time_s = cycles.start_us[rows] / 1e6
    block = ((time_s - time_s[0]) / BLOCK_S).astype(np.int64)
    numbers, counts = np.unique(block, return_counts=True)
    if len(numbers) < LEAST_BLOCKS:
        return None
    kpa = np.bincount(block, cycles.pressure_kpa[rows])[numbers] / counts
    # Three blocks together: one alone may be a stumble.
    smooth = np.convolve(kpa, np.ones(3) / 3.0, mode="valid")
    least = max(SURE_SIGMAS * bend_sigma(kpa) / np.sqrt(3.0), LEAST_KPA)
    best = int(np.argmin(smooth))
    before, after = (
        float(smooth[: best + 1].max() - smooth[best]),
        float(smooth[best:].max() - smooth[best]),
    )
    left_inhg = from_kpa(float(smooth[-1] - smooth[best]), "inHg")
    when_s = float(time_s[0] + BLOCK_S * (numbers[best] + 1.5))
    written = " If you wrote strobe readings down at the holds, give them in order (--strobe)."
    if before > least and after > least:
        return (
            f"By vacuum alone: it rose until about second {when_s:.0f} and fell after it, so the "
            f"top was passed; the body stood at it then, and stands {left_inhg:.1f} inHg below "
            "it at the end." + written
        )
    if before > least:
        return (
            "By vacuum alone: it rose to the end, so the body stands at the top or below it; the "
            "top was not passed." + written
        )
    if after > least:
        return (
            "By vacuum alone: it only fell, so the top lies where the sweep began or beyond that, "
            f"the other way; {left_inhg:.1f} inHg were given up." + written
        )
    return (
        "By vacuum alone: it changed by no more than it wanders, so the body was hardly turned, "
        "or only about the top."
    )
