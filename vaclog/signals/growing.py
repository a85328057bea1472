"""Columns that grow at the end and are read as slices.

Enters: blocks of numbers. Leaves: read-only views of everything so far, without a copy.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

_FIRST_CAPACITY = 256


class Growing:
    """An array that grows by appending rows; rows once written never change.

    A view taken earlier stays valid: when the store is full it is copied to one twice as
    large and the old one is left to its views. Appending is therefore O(rows appended) on
    average, and reading is O(1).

    Parameters
    ----------
    dtype
        Type of the numbers.
    width
        Columns of a row; 0 makes a one-dimensional array.
    """

    def __init__(self, dtype: DTypeLike, width: int = 0) -> None:
        shape = (_FIRST_CAPACITY, width) if width else (_FIRST_CAPACITY,)
        self._store: NDArray[Any] = np.empty(shape, dtype)
        self._rows = 0

    def __len__(self) -> int:
        return self._rows

    def append(self, rows: NDArray[Any]) -> None:
        """Put a block of rows at the end."""
        wanted = self._rows + len(rows)
        if wanted > len(self._store):
            capacity = max(wanted, 2 * len(self._store))
            larger = np.empty((capacity, *self._store.shape[1:]), self._store.dtype)
            larger[: self._rows] = self._store[: self._rows]
            self._store = larger
        self._store[self._rows : wanted] = rows
        self._rows = wanted

    def view(self) -> NDArray[Any]:
        """All rows so far, read-only, without a copy."""
        rows = self._store[: self._rows]
        rows.flags.writeable = False
        return rows
