"""Options for readings of a strobe or of the printed strip, typed afterwards.

Enters: the command line. Leaves: ``typed``, a :class:`TypedReadings` from which the record is
made that carries them into a session.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from vaclog.cards import EngineCard
    from vaclog.records import OperatorInput


@dataclass(frozen=True, slots=True, kw_only=True)
class TypedReadings:
    """What was typed; both None: nothing.

    Attributes
    ----------
    strobe, strip
        Lists of entries.
    u_deg
        Standard uncertainty of one reading, None: the usual one.
    strip_at_deg
        What the strobe reads at the strip's zero line, None: the maker's figure.
    """

    strobe: str | None = None
    strip: str | None = None
    u_deg: float | None = None
    strip_at_deg: float | None = None

    def record(self, engine: EngineCard) -> OperatorInput | None:
        """The record of these readings; None without any.

        Raises
        ------
        ReadingError
            An entry is not understood.
        """
        from vaclog.analysis.holds.readings import (
            U_STRIP_DEG,
            U_STROBE_DEG,
            list_record,
            parse_list,
        )

        if self.strobe is not None:
            u_deg = U_STROBE_DEG if self.u_deg is None else self.u_deg
            return list_record(parse_list(self.strobe, u_deg=u_deg))
        if self.strip is None:
            return None
        zero_deg = engine.static_deg if self.strip_at_deg is None else self.strip_at_deg
        return list_record(
            parse_list(
                self.strip,
                u_deg=U_STRIP_DEG if self.u_deg is None else self.u_deg,
                strip_zero_deg=zero_deg or 0.0,
                body_radius_mm=engine.body_radius_mm,
            )
        )


def reading_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add the options of readings; the command gets ``typed``."""

    @click.option(
        "--strobe",
        metavar="LIST",
        help="Strobe readings at the holds, in order: '8 12 16 20 16'. ? for a hold that was not "
        "read, 16@41.5 for one read at that second.",
    )
    @click.option("--strip", metavar="LIST", help="The same from the strip of `vaclog strip`.")
    @click.option(
        "--strip-at", type=float, metavar="DEG", help="What the strobe read at the strip's zero."
    )
    @click.option(
        "--strobe-u",
        type=click.FloatRange(min=0, max=10, min_open=True),
        metavar="DEG",
        help="Standard uncertainty of one reading.  [default: 1 for a strobe, 0.3 for a strip]",
    )
    @wraps(command)
    def wrapper(
        *args: Any,
        strobe: str | None,
        strip: str | None,
        strip_at: float | None,
        strobe_u: float | None,
        **rest: Any,
    ) -> None:
        if strobe is not None and strip is not None:
            raise click.UsageError("Give --strobe or --strip, not both.")
        typed = TypedReadings(strobe=strobe, strip=strip, u_deg=strobe_u, strip_at_deg=strip_at)
        command(*args, typed=typed, **rest)

    return wrapper
