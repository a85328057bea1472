"""What is said where a card cannot be used: file, line, key, cause and next step.

Enters: the text of a card and where a value stands in it. Leaves: a
:class:`~vaclog.errors.CardError`, raised.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from typing import NoReturn

from vaclog.errors import CardError


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a value stands, so that a complaint can name it."""

    where: str
    text: str
    table: str
    key: str

    @property
    def name(self) -> str:
        """Key with its table, as a person would write it."""
        return f"[{self.table}] {self.key}" if self.table else self.key

    @property
    def spot(self) -> str:
        """File, and line where it can be found."""
        line = _line_of(self.text, self.table, self.key)
        return f"{self.where}, line {line}" if line else self.where

    def refuse(self, value: object, must: str, cause: str = "", step: str = "") -> NoReturn:
        """Raise for a value that cannot be used."""
        raise CardError(
            f"{self.spot}: {self.name} = {_as_toml(value)} cannot be used; it must be {must}.",
            cause=cause or "The value was probably mistyped or belongs to another key.",
            step=step or "Correct it, or take the line out: every key is optional.",
        )


def _as_toml(value: object) -> str:
    """A value as it would look on the card."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{value}"' if len(value) <= 40 else f'"{value[:37]}..."'
    text = str(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _line_of(text: str, table: str, key: str) -> int:
    """Line, from 1, on which a key of a table stands; 0 if it cannot be told."""
    current = ""
    plain = re.compile(rf"""\s*["']?{re.escape(key)}["']?\s*[=.]""")
    dotted = re.compile(rf"""\s*["']?{re.escape(table)}["']?\s*(\.\s*["']?{re.escape(key)}|=)""")
    header = re.compile(r"""\s*\[+\s*["']?([^\]"']+?)["']?\s*\]+""")
    for number, line in enumerate(text.splitlines(), start=1):
        if found := header.match(line):
            current = found.group(1)
            if not table and current == key:
                return number
        elif (current == table and plain.match(line)) or (
            table and not current and dotted.match(line)
        ):
            return number
    return 0


def unknown_key(place: Place, known: list[str], what: str = "key") -> NoReturn:
    near = difflib.get_close_matches(place.key.lower(), known, n=1, cutoff=0.5)
    raise CardError(
        f"{place.spot}: unknown {what} {place.name!r}.",
        cause=f"Probably {near[0]!r} was meant." if near else "It is not one of this card's.",
        step=f"Correct it or take it out; known here are {', '.join(known)}.",
    )


def wrong_card(place: Place, belongs: str, given_as: str) -> NoReturn:
    raise CardError(
        f"{place.spot}: {place.key!r} belongs on the {belongs} card, not on the {given_as} card.",
        cause="The two cards were probably swapped or joined.",
        step=f"Give this file after --{belongs}, or move the lines to the {belongs} card.",
    )
