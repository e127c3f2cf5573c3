"""Preallocated columns that one thread fills and another takes away."""

from __future__ import annotations

import struct
import threading

import numpy as np

from buswright.frames.formats.columns import Columns

CAPACITY = 1 << 17
"""Frames between two visits of the reader: 16 seconds of a full bus at 1 Mbit/s."""

_BYTES = [(name, "u1") for name in ("flags", "dlc", "length", "pad")]
_RECORD = np.dtype([("time_ns", "<i8"), ("id", "<u4"), *_BYTES, ("payload", "u1", 8)])
_PACK = struct.Struct("<qIBBBx8s")


class LiveBuffer:
    """A double buffer: the receive thread appends records to one half while the other is being read.

    One call packs a whole frame; as columns they are copied out, a few hundred at a time.

    Parameters
    ----------
    capacity
        Frames in each half. What finds it full is dropped and counted.
    """

    def __init__(self, capacity: int = CAPACITY) -> None:
        self._capacity = capacity
        self._halves = (bytearray(_RECORD.itemsize * capacity), bytearray(_RECORD.itemsize * capacity))
        self._filling = 0
        self._count = 0
        self._dropped = 0
        self._long: list[tuple[int, bytes]] = []
        self._lock = threading.Lock()

    def append(self, time_ns: int, identifier: int, flags: int, dlc: int, payload: bytes) -> None:
        """Add a frame; called by one thread only."""
        with self._lock:
            at = self._count
            if at == self._capacity:
                self._dropped += 1
                return
            half = self._halves[self._filling]
            _PACK.pack_into(half, at * _RECORD.itemsize, time_ns, identifier, flags, dlc, len(payload), payload)
            if len(payload) > 8:
                self._long.append((at, payload))
            self._count = at + 1

    def refuse(self) -> None:
        """Count a frame as dropped."""
        with self._lock:
            self._dropped += 1

    @property
    def half_full(self) -> bool:
        """Whether the reader should hurry."""
        return self._count * 2 > self._capacity

    def take(self, bus: int) -> tuple[Columns, int]:
        """Return what was appended since the last call as columns of this bus, and how many frames were dropped."""
        with self._lock:
            half, n, long, dropped = self._halves[self._filling], self._count, self._long, self._dropped
            self._filling, self._count, self._long, self._dropped = 1 - self._filling, 0, [], 0
        records = np.frombuffer(half, dtype=_RECORD, count=n)
        columns = Columns.of_size(n)
        columns.bus[:] = bus
        for name in ("time_ns", "id", "flags", "dlc", "length", "payload"):
            getattr(columns, name)[:] = records[name]
        columns.set_long(dict(long))
        return columns, dropped
