"""All frames of one feed, decoded and checked in one call each.

Enters: the bytes of whole pieces. Leaves: a :class:`Batch`: where each sound frame stands, and
those of one length as one numpy record array. Only a feed in which something fails goes piece by
piece.
"""

from __future__ import annotations

from binascii import crc_hqx
from collections.abc import Callable, Iterator
from functools import cache
from typing import TypeVar

import numpy as np
from cobs import cobs
from numpy.typing import NDArray

from vaclog.wire.binary_layout import (
    CRC,
    EVENT,
    HEAD,
)
from vaclog.wire.framing import MAX_FRAME, MIN_FRAME_CONTENT, unframe
from vaclog.wire.messages import (
    GapKind,
    Hello,
)

_Scalar = TypeVar("_Scalar", bound=np.generic)
Rows = NDArray[np.intp] | slice
Tables = list[tuple[int, Rows, NDArray[np.void]]]  # items in a frame, which frames, records


class Batch:
    """The pieces of one feed, decoded.

    Parameters
    ----------
    data
        Pieces, each ended by 0x00.
    offset
        Offset of `data` in the stream.

    Attributes
    ----------
    piece_lengths
        intp [pieces], lengths of what stood between the 0x00, without the empty ones.
    where
        intp [frames], the piece of each sound frame.
    bad
        Number of a piece that is no frame, and why.
    lengths, types, sequence
        intp, uint8, uint8 [frames].
    """

    def __init__(self, data: bytes, offset: int) -> None:
        ends = np.flatnonzero(np.frombuffer(data, np.uint8) == 0)
        begins = np.concatenate((np.zeros(1, np.intp), ends[:-1] + 1))[: len(ends)]
        full = ends > begins
        begins, self.piece_lengths = begins[full], (ends - begins)[full]
        self._offsets = begins + offset
        self.bad: list[tuple[int, GapKind]] = []
        content = _unframe_together(data, self.piece_lengths)
        if content is not None:
            self.where = np.arange(len(begins))
            self.lengths = self.piece_lengths - 1
        else:
            results = [unframe(piece) for piece in data.split(b"\0") if piece]
            frames = [result for result in results if isinstance(result, bytes)]
            sound = [isinstance(result, bytes) for result in results]
            self.bad = [(i, r) for i, r in enumerate(results) if isinstance(r, GapKind)]
            self.where = np.flatnonzero(sound)
            self.lengths = np.fromiter(map(len, frames), np.intp, len(frames))
            content = b"\0".join(frames)
        self._content = content
        self._bytes = np.frombuffer(content, np.uint8)
        self._starts = np.cumsum(self.lengths + 1) - self.lengths - 1
        self.types = self._bytes[self._starts]
        self.sequence = self._bytes[self._starts + 1] if len(self.where) else self.types

    def __len__(self) -> int:
        return len(self.where)

    def body(self, row: int) -> bytes:
        """Return what stands between sequence number and checksum."""
        start = int(self._starts[row])
        return self._content[start + HEAD : start + int(self.lengths[row]) - CRC]

    def rows_of(self, kind: int, rows: slice = slice(None)) -> NDArray[np.intp]:
        """Return the frames of one type within `rows`."""
        return np.flatnonzero(self.types[rows] == kind) + (rows.start or 0)

    def piece(self, row: int) -> int:
        return int(self.where[row])

    def offset(self, piece: int) -> int:
        """Return where in the stream a piece begins."""
        return int(self._offsets[piece])

    def offset_of_frame(self, row: int) -> int:
        return self.offset(self.piece(row))

    def tables(
        self,
        rows: NDArray[np.intp],
        sizes: NDArray[np.intp],
        record: Callable[[int], np.dtype[np.void]],
    ) -> Tables:
        """Return frames `rows` as record arrays, one per number of items in a frame."""
        return [(size, at, self._records(rows[at], record(size))) for size, at in _each_size(sizes)]

    def _records(self, rows: NDArray[np.intp], record: np.dtype[np.void]) -> NDArray[np.void]:
        # Every byte seen as the possible start of a record: picking rows copies whole records.
        every = np.ndarray(
            (len(self._bytes) - record.itemsize + 1,),
            np.dtype((np.void, record.itemsize)),
            self._bytes,
            strides=(1,),
        )
        picked: NDArray[np.void] = every[self._starts[rows]].view(record)
        return picked


@cache
def pressure_record(size: int) -> np.dtype[np.void]:
    return np.dtype(
        [
            ("head", f"V{HEAD}"),
            ("tick", "<u4"),
            ("period", "<u2"),
            ("items", "<u2", (size,)),
            ("crc", f"V{CRC}"),
        ]
    )


@cache
def event_record(size: int) -> np.dtype[np.void]:
    return np.dtype(
        [("head", f"V{HEAD}"), ("items", f"V{EVENT.itemsize}", (size,)), ("crc", f"V{CRC}")]
    )


def _each_size(sizes: NDArray[np.intp]) -> Iterator[tuple[int, Rows]]:
    """Yield the sizes that occur and where; all at once where there is only one."""
    if not len(sizes):
        return
    if sizes.min() == sizes.max():
        yield int(sizes[0]), slice(None)
        return
    for size in np.flatnonzero(np.bincount(sizes)).tolist():
        yield size, np.flatnonzero(sizes == size)


def as_arrived(
    sizes: NDArray[np.intp], tables: Tables, blocks: list[NDArray[_Scalar]]
) -> NDArray[_Scalar]:
    """Put blocks of frames of several sizes into one row of items, in order of arrival."""
    if len(blocks) == 1:
        return blocks[0].reshape(-1)
    begins = np.cumsum(sizes) - sizes
    items = np.empty(int(sizes.sum()), blocks[0].dtype)
    for (size, at, _), block in zip(tables, blocks, strict=True):
        items[begins[at][:, None] + np.arange(size)] = block
    return items


def in_range(samples: NDArray[np.intp], tables: Tables, hello: Hello | None) -> NDArray[np.bool_]:
    """Return which pressure frames hold only counts that the converter can give."""
    good = np.ones(len(samples), bool)
    if hello is None or hello.adc_bits >= 16:
        return good
    limit = 1 << hello.adc_bits
    for _, at, table in tables:
        if table["items"].max() >= limit:
            good[at] = table["items"].max(axis=1) < limit
    return good


def evenly(first: NDArray[np.uint32], period: NDArray[np.uint32], size: int) -> NDArray[np.uint32]:
    """Return ticks [frames, size], modulo 2**32."""
    ticks = np.empty((len(first), size), np.uint32)
    np.multiply(period[:, None], np.arange(size, dtype=np.uint32), out=ticks)
    np.add(ticks, first[:, None], out=ticks)
    return ticks


def _unframe_together(data: bytes, lengths: NDArray[np.intp]) -> bytes | None:
    """Decode and check all pieces of `data` at once.

    COBS pieces without the 0x00 between them are one COBS text, in which a zero parts their
    contents. The CRC of a sound frame is 0 and stays 0 through that zero; and a start value
    of 0xFFFF is the same as a start value of 0 with the first two bytes inverted. So one
    call checks all frames. A single damaged frame never passes; several in one feed pass
    together as rarely as one passes its own check (1 in 65 536), which doubles that risk.

    Returns
    -------
    The contents parted by single zeros, or None if any piece may be no frame.
    """
    if not len(lengths):
        return b""
    if lengths.min() <= MIN_FRAME_CONTENT or lengths.max() > MAX_FRAME:
        return None
    try:
        content: bytes = cobs.decode(data.replace(b"\0", b""))
    except cobs.DecodeError:
        return None
    starts = np.cumsum(lengths) - lengths
    changed = np.frombuffer(content, np.uint8).copy()
    if len(content) != starts[-1] + lengths[-1] - 1 or changed[starts[1:] - 1].any():
        return None
    changed[starts] ^= 0xFF
    changed[starts + 1] ^= 0xFF
    return None if crc_hqx(changed.data, 0) else content
