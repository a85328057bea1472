"""Serves the page beside a listener.

Enters: where to serve it, the desk. Leaves: the :class:`~vaclog.web.feed.Feed` to which events
go, until the stack of contexts is unwound.
"""

from __future__ import annotations

import threading
from contextlib import ExitStack

from vaclog.daemon.desk import Desk
from vaclog.daemon.station import PagePlace, Watchers
from vaclog.units import PressureUnit
from vaclog.web.access import Access
from vaclog.web.app import make_app
from vaclog.web.feed import Feed
from vaclog.web.hub import Hub
from vaclog.web.invited import PORT, Invited
from vaclog.web.server import PageServer, lan_address, names, open_socket


def serve(
    stack: ExitStack,
    page: PagePlace,
    desk: Desk,
    *,
    name: str,
    unit: PressureUnit,
    watchers: Watchers,
) -> Feed:
    """Begin to serve, and tell the address with its first invitation."""
    opened = open_socket(page.bind, page.port, or_next=page.or_next)
    port = opened.getsockname()[1]
    hub = Hub()
    invited = _invited(page, port, watchers)
    access = Access(names(page.bind, port, page.names), log=watchers.log, invited=invited)
    host = _called(page)

    def address(token: str) -> str:
        return f"http://{host}:{port}/#{token}"

    stack.enter_context(PageServer(make_app(hub, access, desk, address=address), opened, hub))
    feed = Feed(hub, name=name, unit=unit)
    ended = threading.Event()
    beat = threading.Thread(target=feed.beat_until, args=(ended,), name="beat", daemon=True)
    beat.start()
    stack.callback(beat.join)
    stack.callback(ended.set)
    watchers.on_address(address(access.invite("control")))
    return feed


def _invited(page: PagePlace, port: int, watchers: Watchers) -> Invited:
    """Who was invited before the program was started anew."""
    path = page.remember
    if path is None:
        return Invited(None)
    path = path.with_name(path.name.replace(PORT, str(port)))
    if page.forget:
        path.unlink(missing_ok=True)
    invited = Invited(path, keep_s=page.remember_s, log=watchers.log)
    if len(invited):
        those = "Who was" if len(invited) == 1 else f"The {len(invited)} that were"
        watchers.log(
            f"{those} let in before a restart may come back without a new invitation ({path}); "
            "--forget begins with nobody."
        )
    return invited


def _called(page: PagePlace) -> str:
    """The name that others call it by."""
    if page.names:
        return page.names[0]
    if page.bind in ("0.0.0.0", "::"):
        return lan_address() or "127.0.0.1"
    return f"[{page.bind}]" if ":" in page.bind else page.bind
