"""From TOML text to a card.

Enters: TOML text. Leaves: :class:`~vaclog.cards.engine.EngineCard` or
:class:`~vaclog.cards.rig.RigCard`, or a :class:`~vaclog.errors.CardError` that names the key.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from typing import Any, Final

from vaclog.cards.complaints import Place, unknown_key, wrong_card
from vaclog.cards.engine import EngineCard
from vaclog.cards.keys import ENGINE_KEYS, RIG_KEYS
from vaclog.cards.rig import BodySensor, MarkSensor, PressureSensor, RigCard, SparkSensor
from vaclog.cards.values import Reader
from vaclog.errors import CardError

_RIG_TABLES: Final = ("pressure", "spark", "mark", "body")

# Mid-scale of a 10-bit reading; only keeps an unanchored scale near zero.
_UNANCHORED_COUNTS: Final = 512.0


def engine_card(toml_text: str, where: str = "engine.toml") -> EngineCard:
    """Read an engine card.

    Parameters
    ----------
    toml_text
        The card.
    where
        Name of the file, for messages.

    Returns
    -------
    EngineCard
        The firing order is turned to begin with 1; without ``cylinders`` its length counts.

    Raises
    ------
    CardError
        Not TOML, an unknown key or a bad value.
    """
    document = _parse(toml_text, where)
    if stray := [name for name in _RIG_TABLES if isinstance(document.get(name), dict)]:
        wrong_card(Place(where=where, text=toml_text, table="", key=stray[0]), "rig", "engine")
    values = _read_table(document, ENGINE_KEYS, where, toml_text, "")
    order = values.get("firing_order")
    if order is not None:
        cylinders = values.setdefault("cylinders", len(order))
        if len(order) != cylinders:
            place = Place(where=where, text=toml_text, table="", key="firing_order")
            place.refuse(
                list(order),
                f"as long as cylinders = {cylinders} says",
                cause=f"It has {len(order)} entries.",
            )
    return EngineCard(**values)


def rig_card(toml_text: str, where: str = "rig.toml") -> RigCard:
    """Read a rig card.

    A ``[body]`` table without ``deg_per_count`` cannot be used and one without its anchor
    knows angles only relative to each other; either way ``remarks`` says so.

    Raises
    ------
    CardError
        Not TOML, an unknown key or a bad value.
    """
    document = _parse(toml_text, where)
    if stray := [name for name in document if name in ENGINE_KEYS]:
        wrong_card(Place(where=where, text=toml_text, table="", key=stray[0]), "engine", "rig")
    tables: dict[str, dict[str, Any]] = {}
    for name, content in document.items():
        place = Place(where=where, text=toml_text, table="", key=name)
        if name not in RIG_KEYS:
            unknown_key(place, list(RIG_KEYS), what="table")
        if not isinstance(content, dict):
            place.refuse(content, f"a table, begun by a line [{name}]")
        tables[name] = _read_table(content, RIG_KEYS[name], where, toml_text, name)
    body, remarks = _body_sensor(tables.get("body"))
    if "mark" in tables and "angle_deg" not in tables["mark"]:
        remarks.append(
            "The rig card's [mark] gives no angle_deg, so 0 is assumed: the mark passes its "
            "sensor at top dead centre. If it does not, every angle is off by as much; the turn "
            "of the body is not."
        )
    return RigCard(
        pressure=PressureSensor(**tables.get("pressure", {})),
        spark=SparkSensor(**tables.get("spark", {})),
        mark=MarkSensor(**tables["mark"]) if "mark" in tables else None,
        body=body,
        remarks=tuple(remarks),
    )


def _parse(text: str, where: str) -> dict[str, Any]:
    """TOML to a dictionary, with a helpful complaint."""
    try:
        return tomllib.loads(text.removeprefix("\ufeff"))
    except tomllib.TOMLDecodeError as error:
        place = re.search(r"\(at line (\d+)", str(error))
        line = text.splitlines()[int(place.group(1)) - 1] if place else ""
        cause = "A quotation mark, a bracket or an equals sign is missing or doubled."
        if re.search(r"=\s*-?\d+,\d", line):
            cause = "The decimal sign is a point: 10.5, not 10,5."
        spot = f"{where}, line {place.group(1)}" if place else where
        raise CardError(
            f"{spot}: not readable as TOML ({error}).",
            cause=cause,
            step="Correct the line; each has the form: key = value.",
        ) from error


def _read_table(
    document: Mapping[str, Any], readers: Mapping[str, Reader], where: str, text: str, table: str
) -> dict[str, Any]:
    """Check every key of one table and convert its value."""
    values: dict[str, Any] = {}
    for key, value in document.items():
        place = Place(where=where, text=text, table=table, key=key)
        if key not in readers:
            unknown_key(place, list(readers))
        values[key] = readers[key](place, value)
    return values


def _body_sensor(values: dict[str, Any] | None) -> tuple[BodySensor | None, list[str]]:
    """Body sensor as far as the card tells, and what is missing."""
    if values is None:
        return None, []
    if "deg_per_count" not in values:
        return None, [
            "The rig card's [body] gives no deg_per_count, so readings of the body are not used. "
            "Turn the body by a known angle, note the counts before and after, and write their "
            "quotient on the card."
        ]
    values = dict(values)
    missing = [key for key in ("anchor_counts", "anchor_deg") if key not in values]
    if not missing:
        return BodySensor(**values), []
    values |= {"anchor_counts": _UNANCHORED_COUNTS, "anchor_deg": 0.0}
    return BodySensor(**values, anchored=False), [
        f"The rig card's [body] gives no {' and no '.join(missing)}, so body angles are known only "
        "relative to each other: no limit can be judged. Take one strobe reading, note the counts "
        "at the same time, and write both on the card."
    ]
