"""Serves the page in a thread of its own.

Enters: the app, an address to listen on. Leaves: a :class:`PageServer` that is stopped by hand.
"""

from __future__ import annotations

import errno
import socket
import threading
from types import TracebackType
from typing import Final, Self

from starlette.types import ASGIApp

from vaclog.errors import VaclogError
from vaclog.web.hub import Hub

LOOPBACK: Final = ("127.0.0.1", "localhost", "[::1]")
_NEXT_PORTS: Final = 10


class PageError(VaclogError):
    """The page cannot be served."""


def open_socket(bind: str, port: int, *, or_next: bool = False) -> socket.socket:
    """Open what the page listens on.

    Parameters
    ----------
    bind
        Address.
    port
        Its number; 0: any free one.
    or_next
        Take one of the next numbers where that one is taken.

    Raises
    ------
    PageError
        The number is taken, or the address is not this machine's.
    """
    family = socket.AF_INET6 if ":" in bind else socket.AF_INET
    last = port + _NEXT_PORTS if or_next else port
    for number in range(port, last + 1):
        opened = socket.socket(family, socket.SOCK_STREAM)
        opened.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            opened.bind((bind, number))
            opened.listen(64)
        except OSError as error:
            opened.close()
            if error.errno == errno.EADDRINUSE and number < last:
                continue
            raise PageError(
                f"The page cannot be served at {bind}, port {number}: {error.strerror}.",
                cause="Another program, or another vaclog, has that port; or the address is not "
                "this machine's.",
                step="Give another --port-number or --bind, or listen with --no-page.",
            ) from error
        return opened
    raise AssertionError("the loop returns or raises")


def lan_address() -> str | None:
    """This machine's address in the local network; None without one.

    A datagram socket that is "connected" sends nothing; the system only looks up by which of
    its addresses it would. The far end is one kept for documents (RFC 5737).
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        try:
            asked.connect(("192.0.2.1", 9))
        except OSError:
            return None
        own: str = asked.getsockname()[0]
    return None if own.startswith("127.") else own


def names(bind: str, port: int, further: tuple[str, ...] = ()) -> list[str]:
    """Names with port by which the page goes."""
    hosts = [*LOOPBACK, *further]
    if bind in ("0.0.0.0", "::"):
        own = lan_address()
        hosts += [socket.gethostname(), f"{socket.gethostname()}.local", *([own] if own else [])]
    else:
        hosts.append(f"[{bind}]" if ":" in bind else bind)
    return [f"{host}:{port}" for host in hosts]


class PageServer:
    """A server that runs while its context lasts.

    Parameters
    ----------
    app
        What it serves.
    opened
        The socket it listens on.
    hub
        Closed at the end, so that open streams end too.
    """

    def __init__(self, app: ASGIApp, opened: socket.socket, hub: Hub) -> None:
        import uvicorn

        config = uvicorn.Config(
            app,
            log_config=None,
            access_log=False,
            lifespan="off",
            ws="none",
            http="h11",
            loop="asyncio",
            server_header=False,
            date_header=False,
            proxy_headers=False,  # a caller names itself by its connection alone
            timeout_graceful_shutdown=1,
            limit_concurrency=64,
        )
        self._hub, self._socket = hub, opened
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._hub.close()
        self._server.should_exit = True
        self._thread.join()
        self._socket.close()

    def _run(self) -> None:
        self._server.run(sockets=[self._socket])
