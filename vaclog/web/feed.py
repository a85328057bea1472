"""What a page is sent.

Enters: events of a session, views of the guidance, what time it is. Leaves: messages of the hub:
"hello" once, "live" with every cycle, "view" when more than the ball has changed, "note" with
what should be known now, "beat" twice a second so that silence can be told from rest.
"""

from __future__ import annotations

import json
import math
import threading
import time
from collections.abc import Callable

from vaclog.guidance.view import View, view_json
from vaclog.session import CyclesGrew, Event, Noticed
from vaclog.units import PressureUnit, from_kpa
from vaclog.web.hub import Hub

BEAT_S = 0.5


class Feed:
    """Turns events into messages.

    Parameters
    ----------
    hub
        Where they go.
    name
        What is listened to.
    unit
        The reader's unit of pressure.
    clock_s
        A clock that never steps back.
    """

    def __init__(
        self,
        hub: Hub,
        *,
        name: str,
        unit: PressureUnit = "inHg",
        language: str = "en",
        clock_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._hub, self._clock_s = hub, clock_s
        self._heard_s: float | None = None
        self._notes = 0
        hub.publish(
            "hello",
            json.dumps(
                {
                    "name": name,
                    "unit": unit,
                    "per_kpa": from_kpa(1.0, unit),
                    "language": language,
                    # A page that finds another number has seen an earlier run.
                    "run": round(time.time() * 1000),
                }
            ),
        )

    def on_event(self, event: Event) -> None:
        """Send what a page shows of an event."""
        if isinstance(event, CyclesGrew):
            self._heard_s = self._clock_s()
            self._hub.publish("live", live_json(event))
        elif isinstance(event, Noticed):
            self._notes += 1
            self._hub.publish("note", json.dumps({"n": self._notes, "text": event.text}))

    def on_view(self, view: View) -> None:
        """Send a view."""
        self._hub.publish("view", view_json(view))

    def beat(self) -> None:
        """Say that the daemon lives, and how old the last cycle is."""
        age_s = None if self._heard_s is None else round(self._clock_s() - self._heard_s, 2)
        self._hub.publish("beat", json.dumps({"age_s": age_s}))

    def beat_until(self, stop: threading.Event) -> None:
        """Beat until told to stop; the body of a thread."""
        while not stop.wait(BEAT_S):
            self.beat()


def live_json(grew: CyclesGrew) -> str:
    """The digits that ride on the ball, as strict JSON."""
    vacuum = None
    if grew.barometer_kpa is not None:
        vacuum = _number(grew.barometer_kpa - grew.mean_kpa, 3)
    return json.dumps(
        {
            "cycles": grew.cycles,
            "at_us": grew.at_us,
            "rpm": _number(grew.mean_rpm, 1),
            "kpa": _number(grew.mean_kpa, 3),
            "vacuum_kpa": vacuum,
            "deg": _number(grew.mean_deg, 2),
        },
        separators=(",", ":"),
    )


def _number(value: float, digits: int) -> float | None:
    return round(value, digits) if math.isfinite(value) else None
