"""Cards from files.

Enters: a path. Leaves: the card, or its text, or a :class:`~vaclog.errors.CardError` that names
the file.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

from vaclog.cards.engine import EngineCard
from vaclog.cards.read import engine_card, rig_card
from vaclog.cards.rig import RigCard
from vaclog.errors import CardError

# A card that is larger than this is not a card; reading it would only waste memory.
_LARGEST_CARD_BYTES: Final = 1_000_000


def load_engine_card(path: Path) -> EngineCard:
    """Read an engine card from a file; see :func:`engine_card`."""
    return engine_card(read_card_file(path), where=str(path))


def load_rig_card(path: Path) -> RigCard:
    """Read a rig card from a file; see :func:`rig_card`."""
    return rig_card(read_card_file(path), where=str(path))


def read_card_file(path: Path) -> str:
    """Text of a card file, without its byte order mark.

    Raises
    ------
    CardError
        Missing, unreadable, not UTF-8 or far too large.
    """
    try:
        with path.open("rb") as file:
            data = file.read(_LARGEST_CARD_BYTES + 1)
    except OSError as error:
        raise CardError(
            f"{path}: the card cannot be read ({error.strerror or error}).",
            cause="The name is mistyped, or the file may not be read by this user.",
            step="Check the name after --engine or --rig.",
        ) from error
    if len(data) > _LARGEST_CARD_BYTES:
        raise CardError(
            f"{path}: larger than {_LARGEST_CARD_BYTES} bytes, so it is no card.",
            cause="Perhaps the capture was given in the place of a card.",
            step="Check the order of the file names.",
        )
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise CardError(
            f"{path}: byte {error.start} is not UTF-8 text.",
            cause="It was saved in another encoding, or it is not a card.",
            step="Save it as UTF-8, or check the file name.",
        ) from error
