"""The daemon put together: source, capture, session, leader, page and voice.

Enters: what to listen to, and who may watch. Leaves: the answer at the end.
"""

from __future__ import annotations

import gc
import sys
import threading
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from importlib import import_module
from pathlib import Path
from typing import Final

from vaclog.cards import EngineCard, RigCard
from vaclog.daemon.desk import Desk
from vaclog.daemon.leading import LeaderThread
from vaclog.daemon.listening import Keeper, Source, listen
from vaclog.guidance.guide import Guide
from vaclog.guidance.scene import Options
from vaclog.guidance.view import View
from vaclog.result import Result
from vaclog.session import Event, Leader, Session
from vaclog.units import PressureUnit

# The page's thread waits so long for one that is looking at the hill; the usual 5 ms, once for
# each hand-over, are more than all the rest of the way from byte to page.
SWITCH_S: Final = 0.0001


@dataclass(frozen=True, slots=True, kw_only=True)
class PagePlace:
    """Where the page is served.

    Attributes
    ----------
    bind, port, or_next
        See :func:`vaclog.web.server.open_socket`.
    names
        Further names by which it may be called.
    remember, remember_s
        File for the digests of cookies, see :mod:`vaclog.web.invited`, and for how long.
    forget
        Begin with nobody invited.
    """

    bind: str = "127.0.0.1"
    port: int = 8484
    or_next: bool = True
    names: tuple[str, ...] = ()
    remember: Path | None = None
    remember_s: float | None = None
    forget: bool = False

    @property
    def is_lan(self) -> bool:
        """Whether others than this machine can reach it."""
        return not (self.bind.startswith("127.") or self.bind in ("::1", "localhost"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Watchers:
    """Who is told of what.

    Attributes
    ----------
    on_event
        Each event; from several threads.
    on_address
        The address of the page with its first invitation, once it is served.
    log
        Refusals.
    on_led
        Host time up to which the hand has been led.
    """

    on_event: Callable[[Event], None]
    on_address: Callable[[str], None] = field(default=lambda _address: None)
    log: Callable[[str], None] = field(default=lambda _text: None)
    on_led: Callable[[int], None] = field(default=lambda _at_us: None)


def run_station(
    source: Source,
    keeper: Keeper,
    *,
    name: str,
    capture: str,
    stop: threading.Event,
    watchers: Watchers,
    desk: Desk | None = None,
    engine: EngineCard | None = None,
    rig: RigCard | None = None,
    unit: PressureUnit = "inHg",
    page: PagePlace | None = None,
    room: Callable[[], str | None] | None = None,
) -> Result:
    """Listen, lead, show, until the source ends or ``stop`` is set.

    Parameters
    ----------
    source, keeper, stop, desk, room
        See :func:`vaclog.daemon.listening.listen`.
    name
        What is listened to, for the page.
    capture
        The capture's own name.
    watchers
        Who is told.
    engine, rig
        Cards that override those among the records.
    unit
        The readers' unit of pressure.
    page
        Where the page is served; None: not.
    """
    desk = desk or Desk()
    with ExitStack() as stack:
        stack.callback(sys.setswitchinterval, sys.getswitchinterval())
        sys.setswitchinterval(SWITCH_S)
        stack.callback(gc.unfreeze)
        tell: list[Callable[[Event], None]] = [watchers.on_event]
        show: Callable[[View], None] = lambda _view: None  # noqa: E731
        if page is not None:
            from vaclog.daemon.paging import serve

            feed = serve(stack, page, desk, name=name, unit=unit, watchers=watchers)
            tell.append(feed.on_event)
            show = feed.on_view

        def on_event(event: Event) -> None:
            for each in tell:
                each(event)

        def lead(engine: EngineCard, rig: RigCard, options: Options) -> Leader:
            leader = LeaderThread(
                Guide(engine, rig, options),
                on_event=on_event,
                on_view=show,
                on_led=watchers.on_led,
                make_view=lambda guide: guide.view(unit=unit),
            )
            stack.callback(leader.close)
            return leader

        session = Session(capture=capture, engine=engine, rig=rig, lead=lead)
        _get_ready()
        return listen(source, keeper, session, stop=stop, on_event=on_event, desk=desk, room=room)


def _get_ready() -> None:
    """Do beforehand what would otherwise hold up a cycle on its way to the page."""
    # What numpy imports by itself when a median or a spectrum is asked for first: 10 ms.
    import_module("numpy.ma")
    import_module("numpy.fft")
    # Modules and what they made stay to the end: a collection need not look through them, which
    # takes 10 ms, at the latest when the hill is looked at first.
    gc.collect()
    gc.freeze()
