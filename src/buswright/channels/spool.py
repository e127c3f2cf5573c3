"""Columns outside of memory: written to a temporary file, mapped from there when they are looked at."""

from __future__ import annotations

import mmap
import tempfile
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import IO, Any
from weakref import WeakSet

import numpy as np

from buswright.channels.samples.series import COLUMNS, Series
from buswright.messages.decoding.plan import Numbers

FILE_BYTES = 128 << 20
"""Bytes of one temporary file: few files, for systems allow some hundred open ones."""
HELD_BYTES = 32 << 20
"""After so many bytes more, what was read of mapped files is let go: the system would keep it while it has room."""
LEAST_BYTES = 4096
"""A column smaller than this isn't worth its place in a file."""
_ALIGNED = 64


class Spool:
    """Keeps columns in files that vanish by themselves, also where the process is killed; used in a `with`.

    What is read of a mapped column lies in memory only for a while.

    Parameters
    ----------
    folder
        Where the files are made; one that doesn't exist yet stands for the closest one above it that does. None: that
        for temporary files.
    """

    def __init__(self, folder: Path | None = None) -> None:
        folder = Path(tempfile.gettempdir()) if folder is None else folder
        self._folder = next(each for each in (folder.absolute(), *folder.absolute().parents) if each.is_dir())
        self._file: IO[bytes] | None = None
        self._map: mmap.mmap | None = None
        self._used = 0
        self._spans: list[tuple[int, int]] = []
        self._maps: WeakSet[mmap.mmap] = WeakSet()
        self._since = 0

    def __enter__(self) -> Spool:
        return self

    def __exit__(self, *_: object) -> None:
        """Take no more columns; those that were given out stay."""
        if self._file is not None:
            self._file.close()

    def keep(self, column: Numbers) -> Numbers:
        """Return a column of the same values, read-only, that lies in a file.

        Raises
        ------
        OSError
            The disk is full.
        """
        size, address = column.nbytes, column.__array_interface__["data"][0]
        if size < LEAST_BYTES or any(start <= address < stop for start, stop in self._spans):
            return column
        if self._file is None or self._map is None or self._used + size > len(self._map):
            if self._file is not None:
                self._file.close()  # its map stays
            self._file = tempfile.TemporaryFile(dir=self._folder)  # noqa: SIM115 - lives as long as its columns
            self._file.truncate(max(FILE_BYTES, size))
            self._map = mmap.mmap(self._file.fileno(), max(FILE_BYTES, size), access=mmap.ACCESS_READ)
            self._maps.add(self._map)
            self._used = 0
            start = np.frombuffer(self._map, np.uint8).__array_interface__["data"][0]
            self._spans.append((start, start + len(self._map)))
        self._file.seek(self._used)
        self._file.write(np.ascontiguousarray(column).data)
        self._file.flush()
        kept = np.frombuffer(self._map, column.dtype, len(column), self._used)
        self._used += -(-size // _ALIGNED) * _ALIGNED
        self._since += size
        if self._since > HELD_BYTES and hasattr(mmap, "MADV_DONTNEED"):
            self._since = 0
            for each in self._maps:
                each.madvise(mmap.MADV_DONTNEED)
        return kept

    def keep_series(self, series: Series) -> Series:
        """Return a series whose columns lie in a file."""
        columns: dict[str, Any] = {
            name: self.keep(column) for name in COLUMNS if (column := getattr(series, name)) is not None
        }
        return replace(series, **columns)


class Parts:
    """A column that comes in parts, joined when asked for; a part of None is one of zeros.

    `parts`, `lengths`: the first ones, and how many rows each has.
    """

    __slots__ = ("_kept", "_lengths", "_parts")

    def __init__(self, parts: Iterable[Numbers | None] = (), lengths: Iterable[int] = ()) -> None:
        self._parts = list(parts)
        self._lengths = list(lengths)
        self._kept = 0

    def add(self, part: Numbers | None, length: int) -> None:
        """Append a part."""
        self._parts.append(part)
        self._lengths.append(length)

    def joined(self) -> Numbers | None:
        """Return the whole column, the same array each time; None if all of it is zeros."""
        return self._join(0)

    def move(self, spool: Spool, *, whole: bool = False) -> None:
        """Put what came since the last time into a file; with `whole` all of it, as one column."""
        self._kept = 0 if whole else self._kept
        column = self._join(self._kept)
        if column is not None:
            self._parts[self._kept] = spool.keep(column)
        self._kept = len(self._parts)

    def _join(self, first: int) -> Numbers | None:
        """Make one part of those from `first` on."""
        parts, lengths = self._parts[first:], self._lengths[first:]
        if len(parts) > 1:
            there = next((part for part in parts if part is not None), None)
            joined = None
            if there is not None:
                filled = [
                    np.zeros(n, there.dtype) if part is None else part for part, n in zip(parts, lengths, strict=True)
                ]
                joined = np.concatenate(filled)
            self._parts[first:], self._lengths[first:] = [joined], [sum(lengths)]
        return self._parts[first] if len(self._parts) > first else None
