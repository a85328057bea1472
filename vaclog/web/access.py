"""Who may look and who may tap.

Enters: invitations asked for, tokens and cookies that come back, the names by which the page is
called. Leaves: yes or no, and one line in the log for each kind of refusal of each caller.

An invitation carries a token that opens the door once; for it a phone gets a cookie of its own.
The token travels behind the ``#`` of an address, which browsers send to nobody: it cannot be
read from a log, nor used up by a program that looks at the address beforehand. Only digests are
kept here.
"""

from __future__ import annotations

import hashlib
import secrets
import threading
from collections.abc import Callable, Iterable
from typing import Final

from vaclog.web.invited import Invited, Level

COOKIE: Final = "vaclog"
# 18 bytes are 144 bits: beyond guessing, and short enough for a small QR code.
_TOKEN_BYTES: Final = 18
# So many invitations may be open at once; older ones lapse.
_MOST_INVITATIONS: Final = 16
_MOST_TOLD: Final = 200


class Access:
    """The door.

    Parameters
    ----------
    hosts
        Names and addresses, with port, by which the page may be called: any other ``Host`` is
        refused, so that no foreign site can make a browser ask here by a name of its own.
    log
        Told of each refusal, once for each kind and caller.
    invited
        Who was let in before, so that phones stay invited when the daemon is started anew;
        None: nobody, and until it ends.
    """

    def __init__(
        self,
        hosts: Iterable[str],
        *,
        log: Callable[[str], None] = lambda _text: None,
        invited: Invited | None = None,
    ) -> None:
        self._hosts = frozenset(host.lower() for host in hosts)
        self._log = log
        self._lock = threading.Lock()
        self._told: set[tuple[str, str]] = set()
        self._open: dict[str, Level] = {}
        self._used: set[str] = set()
        self._invited = Invited(None) if invited is None else invited

    def invite(self, level: Level) -> str:
        """Make a token that lets one phone in."""
        token = secrets.token_urlsafe(_TOKEN_BYTES)
        with self._lock:
            self._open[_digest(token)] = level
            while len(self._open) > _MOST_INVITATIONS:
                del self._open[next(iter(self._open))]
        return token

    def redeem(self, token: str, caller: str) -> tuple[str, Level] | None:
        """Give a cookie for a token; None where it was never valid or was used already."""
        digest = _digest(token)
        with self._lock:
            level = self._open.pop(digest, None)
            if level is not None:
                self._used.add(digest)
                cookie = secrets.token_urlsafe(_TOKEN_BYTES)
                self._invited.add(_digest(cookie), level)
                return cookie, level
            used = digest in self._used
        self.refuse("a used invitation" if used else "a wrong invitation", caller)
        return None

    def level(self, cookie: str | None) -> Level | None:
        """What a cookie allows."""
        return None if not cookie else self._invited.level(_digest(cookie))

    def is_host(self, host: str) -> bool:
        """Whether the page may be called so."""
        return host.lower() in self._hosts

    def is_origin(self, origin: str | None) -> bool:
        """Whether a page from there may give orders; a caller that names none is no page."""
        return origin is None or self.is_host(origin.partition("://")[2])

    def refuse(self, what: str, caller: str) -> None:
        """Log a refusal, once for each kind and caller."""
        with self._lock:
            if (what, caller) in self._told or len(self._told) >= _MOST_TOLD:
                return
            self._told.add((what, caller))
        self._log(f"Refused {caller}: {what}. Further ones like it are refused in silence.")


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode("utf-8", "replace")).hexdigest()
