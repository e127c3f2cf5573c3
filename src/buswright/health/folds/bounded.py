"""Bounded memory of unbounded things: the first and the last rows, the longest and the latest.

Whatever the rows are given in, one by one or all at once, the same ones are kept.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

Rows = npt.NDArray[Any]
"""A structured array, or an array whose first axis counts rows."""


class FirstAndLast:
    """Keeps the first and the last `size` rows, in order, and counts all."""

    def __init__(self, dtype: npt.DTypeLike, size: int) -> None:
        self.size = size
        self.count = 0
        self._first: Rows = np.zeros(0, dtype=dtype)
        self._last: Rows = np.zeros(0, dtype=dtype)

    def add(self, rows: Rows) -> None:
        """Take rows in order."""
        if not len(rows):
            return
        self.count += len(rows)
        room = self.size - len(self._first)
        if room:
            self._first = np.concatenate([self._first, rows[:room]])
            rows = rows[room:]
        if len(rows):
            self._last = np.concatenate([self._last, rows[-self.size :]])[-self.size :]

    @property
    def rows(self) -> Rows:
        """What was kept, in order."""
        return np.concatenate([self._first, self._last])


class LongestAndLatest:
    """Keeps up to `2 size` rows, and of more the `size` longest and the `size` latest, in order; counts all.

    The structured rows need a field `length`; of equally long ones the earlier are kept.
    """

    def __init__(self, dtype: npt.DTypeLike, size: int) -> None:
        self.size = size
        self.count = 0
        self._number: npt.NDArray[np.int64] = np.zeros(0, dtype=np.int64)
        self._rows: Rows = np.zeros(0, dtype=dtype)

    def add(self, rows: Rows) -> None:
        """Take rows in order."""
        if not len(rows):
            return
        numbers = np.arange(self.count, self.count + len(rows))
        self.count += len(rows)
        self._rows = np.concatenate([self._rows, rows])
        self._number = np.concatenate([self._number, numbers])
        # Half as much room again, so that rows that come one by one don't make a sort each.
        if len(self._rows) > 3 * self.size:
            self._prune()

    def _prune(self) -> None:
        kept = self._number >= self.count - self.size
        kept[np.argsort(-self._rows["length"], kind="stable")[: self.size]] = True
        self._rows, self._number = self._rows[kept], self._number[kept]

    @property
    def rows(self) -> Rows:
        """What was kept, in order."""
        if self.count > 2 * self.size:
            self._prune()
        return self._rows
