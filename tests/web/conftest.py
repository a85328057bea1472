"""A page served on loopback, without an engine."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

import httpx
import pytest

from vaclog.daemon.desk import Desk, Handed
from vaclog.web.access import Access
from vaclog.web.app import make_app
from vaclog.web.hub import Hub
from vaclog.web.server import PageServer, names, open_socket


@dataclass(kw_only=True)
class Served:
    """A page that is being served, and what happens behind it."""

    base: str
    hub: Hub
    access: Access
    handed: list[Handed] = field(default_factory=list)
    log: list[str] = field(default_factory=list)

    @contextmanager
    def phone(self, level: str | None = None) -> Iterator[httpx.Client]:
        """A browser; with a level it was invited."""
        with httpx.Client(base_url=self.base, timeout=10) as client:
            if level is not None:
                token = self.access.invite("control" if level == "control" else "watch")
                assert client.post("/join", json={"token": token}).status_code == 200
            yield client


@pytest.fixture
def served() -> Iterator[Served]:
    """A page on a free port of this machine."""
    opened = open_socket("127.0.0.1", 0)
    port = opened.getsockname()[1]
    log: list[str] = []
    hub, desk = Hub(), Desk()
    access = Access(names("127.0.0.1", port), log=log.append)
    page = Served(base=f"http://127.0.0.1:{port}", hub=hub, access=access, log=log)
    desk.opened(page.handed.append)
    app = make_app(hub, access, desk, address=lambda token: f"{page.base}/#{token}")
    with PageServer(app, opened, hub):
        yield page
