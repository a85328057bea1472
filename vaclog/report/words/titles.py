"""The headings of the report."""

from __future__ import annotations

from typing import Final

TITLE: Final = "Ignition timing by manifold vacuum"
TURN: Final = "How to get there"
HOME: Final = "Way back"
WHY: Final = "Why there"
ALLOWED: Final = "What is allowed"
SEEN: Final = "What was seen"
NEXT: Final = "What next"
MIND: Final = "Mind"
CAUTIONS: Final = "Before hand and road"
CAPTURE: Final = "The capture"
