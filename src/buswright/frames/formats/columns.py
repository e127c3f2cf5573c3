"""Columns of frames that are being read: filled line by line or as arrays, put in order, and frozen into `Frames`."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from buswright.frames.table import (
    COLUMN_NAMES,
    COLUMNS,
    NO_LONG_PAYLOAD,
    NO_LONG_ROWS,
    Frames,
    Int32s,
    Int64s,
    UInt8s,
    UInt32s,
)


class Rows:
    """Frames collected one by one on a slow path, with the place of each among its chunk's lines."""

    def __init__(self) -> None:
        self.place: list[int] = []
        self._numbers: list[tuple[int, int, int, int, int]] = []
        self._payload: list[bytes] = []

    def __len__(self) -> int:
        return len(self.place)

    def add(self, place: int, time_ns: int, bus: int, identifier: int, flags: int, dlc: int, payload: bytes) -> None:
        """Append a frame; `payload` is at most 64 bytes."""
        self.place.append(place)
        self._numbers.append((time_ns, bus, identifier, flags, dlc))
        self._payload.append(payload)

    def part(self) -> tuple[Columns, npt.NDArray[np.int64]]:
        """Return the rows as columns, in the order they were added, and the place of each, for `interleave`."""
        columns = Columns.of_size(len(self.place))
        for name, numbers in zip(COLUMN_NAMES, zip(*self._numbers, strict=True), strict=False):
            getattr(columns, name)[:] = numbers
        columns.length[:] = [len(p) for p in self._payload]
        columns.payload[:] = padded((p[:8] for p in self._payload), 8)
        columns.set_long({k: p for k, p in enumerate(self._payload) if len(p) > 8})
        return columns, np.array(self.place, dtype=np.int64)


@dataclass(slots=True)
class Columns:
    """Writable columns of a batch that is being built; see `Frames` for their meaning."""

    time_ns: Int64s
    bus: UInt8s
    id: UInt32s
    flags: UInt8s
    dlc: UInt8s
    length: UInt8s
    payload: UInt8s
    long_row: Int32s = field(default_factory=lambda: NO_LONG_ROWS)
    long_payload: UInt8s = field(default_factory=lambda: NO_LONG_PAYLOAD)

    @classmethod
    def of_size(cls, n: int) -> Columns:
        """Return uninitialised columns for n frames."""
        numbers = {name: np.empty(n, dtype=dtype) for name, dtype in COLUMNS.items()}
        return cls(**numbers, payload=np.empty((n, 8), dtype=np.uint8))

    def set_long(self, payloads: Mapping[int, bytes]) -> None:
        """Set the whole payloads, by row in ascending order, of the rows that have more than eight bytes."""
        if payloads:
            self.long_row = np.array(list(payloads), dtype=np.int32)
            self.long_payload = padded(payloads.values(), 64)

    def __len__(self) -> int:
        return int(self.time_ns.shape[0])

    def take(self, rows: npt.NDArray[np.intp]) -> Columns:
        """Return some rows, in ascending order."""
        taken = Columns(*(getattr(self, name)[rows] for name in COLUMN_NAMES))
        if len(self.long_row):
            is_long = np.isin(self.long_row, rows)
            taken.long_row = np.searchsorted(rows, self.long_row[is_long]).astype(np.int32)
            taken.long_payload = self.long_payload[is_long]
        return taken

    def freeze(self, buses: list[str]) -> Frames:
        """Return the batch; the columns must not be written afterwards."""
        columns = {name: getattr(self, name) for name in COLUMN_NAMES}
        return Frames(**columns, buses=tuple(buses), long_row=self.long_row, long_payload=self.long_payload)


def padded(payloads: Iterable[bytes], size: int) -> UInt8s:
    """Return payloads as uint8[n, size], zero-padded."""
    return np.frombuffer(b"".join(p.ljust(size, b"\0") for p in payloads), dtype=np.uint8).reshape(-1, size).copy()


def join(parts: list[Columns]) -> Columns:
    """Put column sets one behind the other."""
    if len(parts) == 1:
        return parts[0]
    joined = Columns(*(np.concatenate([getattr(part, name) for part in parts]) for name in COLUMN_NAMES))
    starts = np.cumsum([0, *(len(part) for part in parts[:-1])])
    joined.long_row = np.concatenate(
        [part.long_row + start for part, start in zip(parts, starts, strict=True)], dtype=np.int32, casting="same_kind"
    )
    joined.long_payload = np.concatenate([part.long_payload for part in parts])
    return joined


def interleave(parts: list[tuple[Columns, npt.NDArray[np.int64]]], n_lines: int) -> Columns:
    """Merge column sets by their place among the lines of a chunk.

    Parameters
    ----------
    parts
        Pairs of columns and the line number (0-based in the chunk, int) of each of their rows; no line
        occurs twice.
    n_lines
        Lines in the chunk.
    """
    parts = [part for part in parts if len(part[0])]
    if len(parts) < 2:
        return parts[0][0] if parts else Columns.of_size(0)
    row_of_line = np.full(n_lines, -1, dtype=np.int64)
    for _, place in parts:
        row_of_line[place] = 0
    row_of_line[row_of_line >= 0] = np.arange(np.count_nonzero(row_of_line >= 0))
    total = sum(len(columns) for columns, _ in parts)
    merged = Columns.of_size(total)
    long_rows, long_payloads = [], []
    for columns, place in parts:
        rows = row_of_line[place]
        for name in COLUMN_NAMES:
            getattr(merged, name)[rows] = getattr(columns, name)
        if len(columns.long_row):
            long_rows.append(rows[columns.long_row])
            long_payloads.append(columns.long_payload)
    if long_rows:
        where = np.concatenate(long_rows)
        order = np.argsort(where, kind="stable")
        merged.long_row = where[order].astype(np.int32)
        merged.long_payload = np.concatenate(long_payloads)[order]
    return merged
