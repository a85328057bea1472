"""Whether the engine stumbles where the hand stands: misfire begins, or clearly rougher running.

Enters: the scene and when the hand came to rest. Leaves: yes or no. Pure, and asked at every look,
so a rough engine must not set it off by chance.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from vaclog.guidance.known import Known
from vaclog.guidance.scene import Scene
from vaclog.signals.tables import FloatArray

# Stumbling begins here: at least so many in one hold, at such a rate, and a change of rate that
# chance brings once in ten thousand (a look every few seconds must not stop a rough engine).
MISFIRES: Final = 4
MISFIRE_RATE: Final = 0.03
MISFIRE_CHANCE: Final = 1e-4
# Variance against all before: 30 cycles pass a ratio of 2.5 by chance about once in ten
# thousand holds (F distribution), and the scatter of combustion itself hardly doubles on a sweep.
ROUGH_CYCLES: Final = 30
ROUGH_RATIO: Final = 2.5


def stumbles(scene: Scene, known: Known, since_us: int) -> bool:
    """Whether the engine stumbles since a time: far more misfires than before, or rougher."""
    return _more_misfires(scene, known, since_us) or _rougher(scene, since_us)


def _more_misfires(scene: Scene, known: Known, since_us: int) -> bool:
    """Single misfires in this hold, against all cycles before it."""
    rows = known.study.misfire.cycles
    first = int(np.searchsorted(scene.cycles.start_us[: known.cycles], since_us))
    here = int((rows >= first).sum())
    held, before = known.cycles - first, int((rows < first).sum())
    if here < MISFIRES or here < MISFIRE_RATE * held:
        return False
    return more_often(here, held, before, first) <= MISFIRE_CHANCE


def _rougher(scene: Scene, since_us: int) -> bool:
    """Speed jumps from cycle to cycle far more than before.

    Where ordinary scatter drowns single misfires, each still takes a whole stroke's work: one
    in twenty makes four times the variance of a scatter of an eighth.
    """
    first = int(np.searchsorted(scene.cycles.start_us, since_us))
    jumps = np.diff(scene.cycles.rpm, 2) ** 2
    here, before = jumps[first:], jumps[: max(first - 2, 0)]
    if len(here) < ROUGH_CYCLES or len(before) < 2 * ROUGH_CYCLES:
        return False
    return bool(np.nanmean(here) > ROUGH_RATIO * np.nanmean(before))


def more_often(here: int, held: int, before: int, earlier: int) -> float:
    """Chance that so many of all events fall into the later cycles if nothing changed.

    R. A. Fisher's exact test of a two-by-two table, one-sided (Statistical Methods for Research
    Workers, 5th ed. 1934, sect. 21.02): the upper tail of a hypergeometric distribution.

    Parameters
    ----------
    here, held
        Events among the later cycles, and how many those are.
    before, earlier
        The same of the earlier ones.
    """
    from scipy.special import gammaln

    def log_choose(n: int, k: FloatArray) -> FloatArray:
        return np.asarray(gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1))

    events, cycles = here + before, held + earlier
    k = np.arange(here, min(events, held) + 1, dtype=np.float64)
    k = k[events - k <= earlier]
    logs = log_choose(held, k) + log_choose(earlier, events - k)
    total = log_choose(cycles, np.array([float(events)]))[0]
    return float(min(np.exp(logs - total).sum(), 1.0))
