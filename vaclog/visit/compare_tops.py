"""Whether idle speed and mixture moved the top of the hill.

Enters: the captures of a visit. Leaves: a :class:`Moved`. The newest short sweep is compared with
the sweep before it; both were taken with the same rig, so that what is wrong with the mark is wrong
with both and cancels.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from vaclog.visit.records import Capture

# Setting, idle and mixture are done again beyond it (common practice, no source).
MOVED_DEG: Final = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """What two tops say.

    Attributes
    ----------
    verdict
        "moved": by more than 2 degrees, and no change is ruled out; "held"; "unsure": more than 2
        degrees, but the sweeps cannot tell it from none.
    by_deg, u_deg
        The change, positive to advance, and its standard uncertainty.
    text
        In a sentence.
    """

    verdict: Literal["moved", "held", "unsure"]
    by_deg: float | None
    u_deg: float | None
    text: str


def moved_top(captures: Sequence[Capture]) -> Moved | None:
    """Compare the newest short sweep with the one before; None: there are no two."""
    sweeps = [each for each in captures if each.purpose in ("sweep", "again")]
    if len(sweeps) < 2 or sweeps[-1].purpose != "again":
        return None
    before, after = sweeps[-2].result.peak, sweeps[-1].result.peak
    if not (before.found and after.found) or before.angle_deg is None or after.angle_deg is None:
        which = "first" if not before.found else "second"
        text = f"The {which} sweep shows no top, so nobody can tell whether it moved."
        return Moved(verdict="unsure", by_deg=None, u_deg=None, text=text)
    by_deg = after.angle_deg - before.angle_deg
    u_deg = math.hypot(before.u_deg or 0.0, after.u_deg or 0.0)
    change = (
        f"The top moved by {round(by_deg, 1) + 0.0:+.1f}° ± {2 * u_deg:.1f}° with idle and mixture"
    )
    if abs(by_deg) <= MOVED_DEG:
        text = f"{change}: near enough."
        return Moved(verdict="held", by_deg=by_deg, u_deg=u_deg, text=text)
    if abs(by_deg) <= 2.0 * u_deg:
        text = f"{change}, which may be chance. A slower sweep both ways would tell."
        return Moved(verdict="unsure", by_deg=by_deg, u_deg=u_deg, text=text)
    text = f"{change}. Set again, then idle and mixture, and look again."
    return Moved(verdict="moved", by_deg=by_deg, u_deg=u_deg, text=text)
