"""The JSON document of a result, and the records read back from it.

Enters: a :class:`~vaclog.result.whole.Result` or its document. Leaves: the other of the two.
``schema.json`` beside this file describes the document.
"""

from __future__ import annotations

import json
import math
from collections.abc import Hashable, Mapping
from dataclasses import fields, is_dataclass
from functools import cache
from typing import Any, Final, TypeVar, cast, get_args, get_origin, get_type_hints

from vaclog.errors import CaptureError, FutureVersionError
from vaclog.result.whole import SCHEMA, Result

# Decimals that are printed, by the unit in the name: fine enough that rounding never matters
# beside the uncertainty, coarse enough that the last bit of a sum is not printed.
_DECIMALS: Final[Mapping[str, int]] = {"s": 4, "deg": 3, "kpa": 4, "rpm": 2, "mm": 2, "clicks": 2}
_OTHER_DECIMALS: Final = 4

_Record = TypeVar("_Record")


def to_json(result: Result) -> str:
    """The JSON document of a result: strict, one top-level key a line, the same bytes each time.

    Numbers are rounded by the unit in their name. A number that is not finite becomes null, also
    in the lists of the hill.

    Raises
    ------
    ValueError
        A number that the schema requires is not finite.
    """
    lines = []
    for each in fields(result):
        value = as_plain(getattr(result, each.name), each.name)
        if isinstance(value, list) and value and isinstance(value[0], dict):
            rows = ",\n  ".join(json.dumps(row, allow_nan=False) for row in value)
            lines.append(f' "{each.name}": [\n  {rows}]')
        else:
            lines.append(f' "{each.name}": {json.dumps(value, allow_nan=False)}')
    return "{\n" + ",\n".join(lines) + "\n}\n"


def from_json(text: str) -> Result:
    """Read a result back. Keys that this version does not know are left out.

    Raises
    ------
    FutureVersionError
        Of a newer schema.
    CaptureError
        Not a result.
    """
    try:
        document = json.loads(text)
        schema = document["schema"]
    except (ValueError, KeyError, TypeError) as error:
        raise CaptureError(
            f"This is not a result document ({type(error).__name__}: {error}).",
            cause="It was cut short, or it is another JSON file.",
            step="Make it anew with: vaclog replay CAPTURE --json.",
        ) from error
    if isinstance(schema, int) and schema > SCHEMA:
        raise FutureVersionError(
            f"The result has schema {schema}; this version reads up to {SCHEMA}.",
            cause="It was written by a newer version.",
            step="Update vaclog.",
        )
    try:
        return record_from(Result, document)
    except (TypeError, ValueError, KeyError, AttributeError) as error:
        raise CaptureError(
            f"The result document lacks something ({error}).",
            cause="It was edited by hand or cut short.",
            step="Make it anew with: vaclog replay CAPTURE --json.",
        ) from error


def as_plain(value: Any, name: str) -> Any:
    """A value as JSON can carry it: records become objects, numbers are rounded by their unit."""
    if is_dataclass(value) and not isinstance(value, type):
        nullable = _nullable(type(value))
        members = {}
        for each in fields(value):
            plain = as_plain(getattr(value, each.name), each.name)
            if plain is None and each.name not in nullable:
                raise ValueError(f"{name}.{each.name} is not a finite number")
            members[each.name] = plain
        return members
    if isinstance(value, tuple):
        return [as_plain(member, name) for member in value]
    if isinstance(value, float):
        if not math.isfinite(value):
            return None
        return round(value, _DECIMALS.get(name.rsplit("_", 1)[-1], _OTHER_DECIMALS)) + 0.0
    return value


@cache
def _hints(record: Hashable) -> dict[str, Any]:
    return get_type_hints(record)


@cache
def _nullable(record: Hashable) -> frozenset[str]:
    """Names of the fields that may be null."""
    return frozenset(name for name, hint in _hints(record).items() if type(None) in get_args(hint))


def record_from(record: type[_Record], document: Mapping[str, Any]) -> _Record:
    """A record from its JSON object. Keys that it does not know are left out."""
    hints = _hints(cast(Hashable, record))
    known = {name: _member(hints[name], document[name]) for name in hints if name in document}
    return record(**known)


def _member(hint: Any, value: Any) -> Any:
    """A member of a record, by its type; null in a list of numbers is "not a number"."""
    if value is None:
        return math.nan if hint is float else None
    given = [kind for kind in get_args(hint) if kind is not type(None)]
    if type(None) in get_args(hint) and len(given) == 1:
        hint = given[0]  # an optional part that is there
    if get_origin(hint) is tuple:
        inner = get_args(hint)
        kinds = [inner[0]] * len(value) if inner[-1] is Ellipsis else inner
        return tuple(_member(kind, each) for kind, each in zip(kinds, value, strict=True))
    if is_dataclass(hint):
        return record_from(cast(type, hint), value)
    if hint is float or float in get_args(hint):
        return float(value)
    return value
