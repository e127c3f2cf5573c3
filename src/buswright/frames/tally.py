"""What a capture contains: frames by bus and identifier, first and last seen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from buswright.frames.table import Flag, Frames
from buswright.frames.wire.arbitration import rank


@dataclass(frozen=True, slots=True)
class Identifier:
    """One identifier on one bus.

    Attributes
    ----------
    bus
        Interface or bus name.
    id, extended
        The identifier.
    kind
        "data", "remote" or "error" (then `id` is the error class).
    count
        Frames.
    lengths
        Payload lengths that occur, ascending; bytes.
    fd
        Any of them in CAN FD format.
    first_ns, last_ns
        Time of the first and last of them; None where the capture gives no time.
    """

    bus: str
    id: int
    extended: bool
    kind: str
    count: int
    lengths: tuple[int, ...]
    fd: bool
    first_ns: int | None
    last_ns: int | None

    @property
    def text(self) -> str:
        """The identifier as candump writes it: three or eight hex digits."""
        return f"{self.id:08X}" if self.extended or self.kind == "error" else f"{self.id:03X}"

    @property
    def rate_hz(self) -> float | None:
        """Frames per second between the first and the last; None below two frames or without time."""
        if self.first_ns is None or self.last_ns is None or self.count < 2 or self.last_ns <= self.first_ns:
            return None
        return (self.count - 1) * 1e9 / (self.last_ns - self.first_ns)


@dataclass(slots=True)
class _Entry:
    count: int = 0
    lengths: int = 0  # a bit for each length 0..64
    fd: bool = False
    first_ns: int | None = None
    last_ns: int | None = None


class Tally:
    """Counts frames batch by batch; `identifiers` gives the result so far."""

    def __init__(self) -> None:
        self._entries: dict[tuple[str, int, int], _Entry] = {}
        self.frames = 0
        self.first_ns: int | None = None
        self.last_ns: int | None = None

    def update(self, frames: Frames) -> None:
        """Count a batch."""
        if not len(frames):
            return
        self.frames += len(frames)
        kind = frames.flags & np.uint8(Flag.EXTENDED | Flag.REMOTE | Flag.ERROR)
        key = frames.id.astype(np.uint64)
        key |= kind.astype(np.uint64) << np.uint64(32)
        key |= frames.bus.astype(np.uint64) << np.uint64(40)
        keys, code = np.unique(key, return_inverse=True)
        order = np.argsort(code.astype(np.uint16 if len(keys) < 65536 else np.uint32), kind="stable")
        counts = np.bincount(code)
        starts = np.cumsum(counts) - counts
        timed = not frames.has(Flag.UNTIMED).any()
        times = frames.time_ns[order]
        lows = np.minimum.reduceat(times, starts)
        highs = np.maximum.reduceat(times, starts)
        lengths = np.bitwise_or.reduceat(np.uint64(1) << np.minimum(frames.length[order], 63).astype(np.uint64), starts)
        fd = np.logical_or.reduceat(frames.has(Flag.FD)[order], starts)
        for k, value in enumerate(keys.tolist()):
            entry = self._entries.setdefault(
                (frames.buses[value >> 40], value >> 32 & 255, value & 0xFFFFFFFF), _Entry()
            )
            entry.count += int(counts[k])
            entry.lengths |= int(lengths[k])
            entry.fd |= bool(fd[k])
            if timed:
                entry.first_ns = int(lows[k]) if entry.first_ns is None else min(entry.first_ns, int(lows[k]))
                entry.last_ns = int(highs[k]) if entry.last_ns is None else max(entry.last_ns, int(highs[k]))
        if timed:
            low, high = int(lows.min()), int(highs.max())
            self.first_ns = low if self.first_ns is None else min(self.first_ns, low)
            self.last_ns = high if self.last_ns is None else max(self.last_ns, high)

    @property
    def identifiers(self) -> tuple[Identifier, ...]:
        """Every identifier seen, by bus and then by arbitration order (11-bit and 29-bit as they contend)."""
        found = []
        for (bus, flags, identifier), entry in self._entries.items():
            kind = "error" if flags & Flag.ERROR else "remote" if flags & Flag.REMOTE else "data"
            lengths = tuple(n if n < 63 else 64 for n in range(64) if entry.lengths >> n & 1)
            span = entry.first_ns, entry.last_ns
            extended = bool(flags & Flag.EXTENDED)
            found.append(Identifier(bus, identifier, extended, kind, entry.count, lengths, entry.fd, *span))
        found.sort(key=lambda one: (one.bus, one.kind == "error", rank(one.id, one.extended), one.kind))
        return tuple(found)
