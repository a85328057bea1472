"""Whether the engine stumbles where the hand stands: misfire begins, or clearly rougher running.

Enters: the scene and when the hand came to rest. Leaves: yes or no. Pure, and asked at every look,
so a rough engine must not set it off by chance.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from vaclog.guidance.known import Known
from vaclog.guidance.scene import Scene
from vaclog.signals.tables import FloatArray

MISFIRE_RATE: Final = 0.03
ROUGH_CYCLES: Final = 30
DYING_US: Final = 2_000_000
"""Before an engine has stopped it runs down for so long at most."""
# A jump spans three cycles, and a misfire slows the one after it too.
_SHAKEN: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """What is asked for before a change is believed.

    Attributes
    ----------
    misfires
        At least so many in one hold.
    chance
        That chance alone brings such a change of rate.
    rougher
        Variance of the jumps of speed against that of all before.
    """

    misfires: int
    chance: float
    rougher: float


# A look every few seconds must not stop a rough engine: once in ten thousand. 30 cycles pass a
# ratio of 2.5 by chance about as seldom (F distribution), and the scatter of combustion itself
# hardly doubles on a sweep.
SURE: Final = _Asked(misfires=4, chance=1e-4, rougher=2.5)
# A longer look costs some seconds, so one hold in thirty may have it for nothing. 50 cycles
# pass 1.6 by chance about as often.
SUSPECT: Final = _Asked(misfires=2, chance=0.03, rougher=1.6)


def stumbles(scene: Scene, known: Known, since_us: int, smooth_until_us: int | None = None) -> bool:
    """Whether the engine stumbles since a time: far more misfires than before, or rougher.

    Parameters
    ----------
    since_us
        When the hand came to rest here.
    smooth_until_us
        Until when the engine ran smoothly; None: until then.
    """
    return _worse(scene, known, since_us, smooth_until_us, SURE)


def suspicious(
    scene: Scene, known: Known, since_us: int, smooth_until_us: int | None = None
) -> bool:
    """Whether it may be about to: worth a longer look before the next nudge."""
    return _worse(scene, known, since_us, smooth_until_us, SUSPECT)


def _worse(
    scene: Scene, known: Known, since_us: int, smooth_until_us: int | None, asked: _Asked
) -> bool:
    until_us = since_us if smooth_until_us is None else smooth_until_us
    more = _more_misfires(scene, known, since_us, until_us, asked)
    return more or _rougher(scene, known, since_us, until_us, asked)


def _more_misfires(scene: Scene, known: Known, since_us: int, until_us: int, asked: _Asked) -> bool:
    """Single misfires in this hold, against all smooth cycles before it."""
    rows = known.study.misfire.cycles
    starts = scene.cycles.start_us[: known.cycles]
    first, smooth = (int(np.searchsorted(starts, each)) for each in (since_us, until_us))
    here, before = int((rows >= first).sum()), int((rows < smooth).sum())
    held = known.cycles - first
    if here < asked.misfires or here < MISFIRE_RATE * held:
        return False
    return more_often(here, held, before, smooth) <= asked.chance


def _rougher(scene: Scene, known: Known, since_us: int, until_us: int, asked: _Asked) -> bool:
    """Speed jumps from cycle to cycle far more than before.

    Where ordinary scatter drowns single misfires, each still takes a whole stroke's work: one
    in twenty makes four times the variance of a scatter of an eighth. Those that are seen
    singly are left out: a few of them in one hold make that variance too, and whether there
    are more than before is asked by their count.
    """
    first, smooth = (
        int(np.searchsorted(scene.cycles.start_us, each)) for each in (since_us, until_us)
    )
    # Only as far as misfires could be told: that takes the cycles after them too.
    jumps = np.diff(scene.cycles.rpm[: max(known.cycles - _SHAKEN, 0)], 2) ** 2
    seen = (known.study.misfire.cycles[:, None] + np.arange(-_SHAKEN, 2)).ravel()
    jumps[seen[(seen >= 0) & (seen < len(jumps))]] = np.nan
    for start_us, end_us in scene.breaks:
        # A start is no stumbling, and would drown it.
        a, b = np.searchsorted(scene.cycles.start_us, (start_us - DYING_US, end_us)).tolist()
        jumps[max(a - 2, 0) : b] = np.nan
    here, before = jumps[first:], jumps[: max(smooth - 2, 0)]
    if np.isfinite(here).sum() < ROUGH_CYCLES or np.isfinite(before).sum() < 2 * ROUGH_CYCLES:
        return False
    return bool(np.nanmean(here) > asked.rougher * np.nanmean(before))


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
