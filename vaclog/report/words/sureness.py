"""How sure the answer is, and why: what limited it and the cheapest thing to do about it.

Enters: the peak of a result. Leaves: sentences for the report, the most important first.
"""

from __future__ import annotations

from typing import Final

from vaclog.result import Peak

SURE: Final = "What would make it surer"
MOST: Final = 3  # further causes hardly count beside these


def sure(peak: Peak) -> tuple[str, ...]:
    """The causes as sentences; none where the reason why there is no answer says it all."""
    causes = [each for each in peak.limited_by if each != peak.why_not]
    return tuple(f"{each[0].upper()}{each[1:].rstrip('.')}." for each in causes[:MOST])
