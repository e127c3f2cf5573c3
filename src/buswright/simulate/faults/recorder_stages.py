"""What recorders do wrong: changes to the frames of a wire on their way into the file."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np

from buswright.frames.table import Bools, Event, Flag, Frames, Int64s, UInt8s, concatenate, empty_frames
from buswright.simulate.faults.disturbed import ERRORS
from buswright.simulate.faults.plan import Record
from buswright.simulate.wire.bus import RESOLUTION_NS, SECOND

FIFO_FRAMES = 16
"""What the recorder's hardware still holds when it comes back."""
BURST_NS = 12_000
"""How close these are stamped one behind the other."""
CLUMP_NS = 6_000
"""How close the frames of one transfer are stamped."""
HOST_JITTER_NS = 97_000
"""By how much transfers are late at most."""
ECHO_NS = (40_000, 700_000)
"""Shortest and longest time until the second copy."""
OVERFLOW_CLASS, OVERFLOW_CONTROL = 0x04, 0x01
"""Linux error frame: controller problem, receive overflow (include/uapi/linux/can/error.h)."""
RECEIVE_LIMIT = 128


@dataclass(frozen=True, slots=True)
class Part:
    """The frames of one interface, or with None of all, stamped start <= t < end."""

    interface: str | None
    start_ns: int
    end_ns: int

    def of(self, frames: Frames) -> Bools:
        """Mark them."""
        inside: Bools = (frames.time_ns >= self.start_ns) & (frames.time_ns < self.end_ns)
        return inside if self.interface is None else inside & (frames.bus == frames.buses.index(self.interface))


def _error_frames(time_ns: Int64s, bus: UInt8s, buses: tuple[str, ...], payload: UInt8s, classes: int) -> Frames:
    """Return error frames of one class; payload uint8[n, 8]."""
    n = len(time_ns)
    eight = np.full(n, 8, dtype=np.uint8)
    flags = np.full(n, Flag.ERROR, dtype=np.uint8)
    return Frames(time_ns, bus, np.full(n, classes, dtype=np.uint32), flags, eight, eight.copy(), payload, buses)


def _by_time(parts: list[Frames]) -> Frames:
    joined = concatenate(parts)
    return joined.take(np.argsort(joined.time_ns, kind="stable"))


@dataclass(slots=True, eq=False)
class WrongBitrate:
    """Frames become error frames or nothing."""

    part: Part
    share: float
    rng: np.random.Generator
    record: Record
    order: int = 10
    _seen: int = 0

    def __call__(self, frames: Frames, events: list[Event], *, final: bool) -> Frames:  # noqa: ARG002
        """Garble them."""
        garbled = self.part.of(frames)
        heard = frames.take(garbled)
        heard = heard.take(self.rng.random(len(heard)) < self.share)
        payload = np.zeros((len(heard), 8), dtype=np.uint8)
        form = self.rng.random(len(heard)) < 0.3
        for word, chosen in (("stuff", ~form), ("form", form)):
            payload[chosen, 2], payload[chosen, 3] = ERRORS[word].kind, ERRORS[word].place
        # The receive error counter climbs to error passive and stays there (ISO 11898-1).
        payload[:, 7] = np.minimum(self._seen + 1 + np.arange(len(heard)), RECEIVE_LIMIT)
        self._seen += len(heard)
        self.record.add(len(heard))
        errors = _error_frames(heard.time_ns, heard.bus, frames.buses, payload, ERRORS["stuff"].classes)
        return _by_time([frames.take(~garbled), errors])


@dataclass(frozen=True, slots=True, eq=False)
class Filter:
    """Only frames with ``id & mask == value`` pass."""

    part: Part
    mask: int
    value: int
    extended: bool
    record: Record
    order: int = 20

    def __call__(self, frames: Frames, events: list[Event], *, final: bool) -> Frames:  # noqa: ARG002
        """Leave the others out."""
        passes = (frames.id & np.uint32(self.mask) == np.uint32(self.value)) & (
            frames.has(Flag.EXTENDED) == self.extended
        ) | frames.has(Flag.ERROR)
        stopped = self.part.of(frames) & ~passes
        self.record.add(int(stopped.sum()))
        return frames.take(~stopped)


@dataclass(frozen=True, slots=True, eq=False)
class Lose:
    """A share of one identifier's frames is lost."""

    part: Part
    id: int
    extended: bool
    share: float
    rng: np.random.Generator
    record: Record
    epoch_ns: int
    order: int = 30

    def __call__(self, frames: Frames, events: list[Event], *, final: bool) -> Frames:  # noqa: ARG002
        """Lose them."""
        own = (frames.id == self.id) & (frames.has(Flag.EXTENDED) == self.extended) & ~frames.has(Flag.ERROR)
        rows = np.flatnonzero(own & self.part.of(frames))
        rows = rows[self.rng.random(len(rows)) < self.share]
        at = (frames.time_ns[rows] - self.epoch_ns) / SECOND
        self.record.spans += [(time, time) for time in at.tolist()]
        self.record.add(len(rows))
        return frames.take(np.delete(np.arange(len(frames)), rows))


@dataclass(slots=True, eq=False)
class Drop:
    """Everything is lost in gaps; the last frames of each may come in a burst, and the recorder may say so."""

    gaps: list[Part]
    words: frozenset[str]
    record: Record
    order: int = 40
    _fifo: Frames | None = None
    _dropped: dict[str, int] = field(default_factory=dict)
    _total: dict[str, int] = field(default_factory=dict)

    def __call__(self, frames: Frames, events: list[Event], *, final: bool) -> Frames:
        """Lose them."""
        for gap in list(self.gaps):
            inside = gap.of(frames)
            lost, frames = frames.take(inside), frames.take(~inside)
            buffered = FIFO_FRAMES if "burst" in self.words else 0
            late = concatenate([self._fifo or empty_frames(frames.buses), lost])
            cut = max(len(late) - buffered, 0)
            self._count(late.slice(0, cut))
            self._fifo = late.slice(cut, len(late))
            if final or (len(frames) and frames.time_ns[-1] >= gap.end_ns):
                frames = self._come_back(frames, gap.end_ns, events)
                self.gaps.remove(gap)
            else:
                break
        return frames

    def _count(self, lost: Frames) -> None:
        self.record.add(len(lost))
        for number, name in enumerate(lost.buses):
            self._dropped[name] = self._dropped.get(name, 0) + int((lost.bus == number).sum())

    def _come_back(self, frames: Frames, end_ns: int, events: list[Event]) -> Frames:
        parts = [frames]
        late = self._fifo
        if late is not None and len(late):
            stamps = end_ns - BURST_NS * np.arange(len(late), 0, -1)
            parts.append(replace(late, time_ns=stamps - stamps % RESOLUTION_NS))
        self._fifo = None
        for name, dropped in self._dropped.items():
            total = self._total[name] = self._total.get(name, 0) + dropped
            if dropped and "events" in self.words:
                text = f"{dropped} frames dropped on {name}"
                events.append(Event(end_ns, name, "drop", MappingProxyType({"dropped": dropped, "total": total}), text))
            if dropped and "overflow" in self.words:
                parts.append(self._overflow(frames.buses, name, end_ns))
        self._dropped.clear()
        return _by_time(parts) if len(parts) > 1 else frames

    @staticmethod
    def _overflow(buses: tuple[str, ...], name: str, end_ns: int) -> Frames:
        bus = np.array([buses.index(name)], dtype=np.uint8)
        payload = np.zeros((1, 8), dtype=np.uint8)
        payload[0, 1] = OVERFLOW_CONTROL
        return _error_frames(np.array([end_ns], dtype=np.int64), bus, buses, payload, OVERFLOW_CLASS)


@dataclass(slots=True, eq=False)
class Echo:
    """A share of the frames comes a second time, a little later."""

    part: Part
    share: float
    rng: np.random.Generator
    record: Record
    order: int = 50
    _later: Frames | None = None

    def __call__(self, frames: Frames, events: list[Event], *, final: bool) -> Frames:  # noqa: ARG002
        """Repeat them."""
        copies = frames.take(self.part.of(frames))
        copies = copies.take(self.rng.random(len(copies)) < self.share)
        later = copies.time_ns + self.rng.integers(*ECHO_NS, len(copies))
        copies = replace(copies, time_ns=later - later % RESOLUTION_NS)
        self.record.add(len(copies))
        joined = _by_time([frames, self._later or empty_frames(frames.buses), copies])
        if final or not len(frames):
            self._later = None if final else joined
            return joined if final else empty_frames(frames.buses)
        ready = int(np.searchsorted(joined.time_ns, frames.time_ns[-1], side="right"))
        self._later = joined.slice(ready, len(joined))
        return joined.slice(0, ready)


@dataclass(slots=True, eq=False)
class HostStamps:
    """Frames get the time of the transfer that brings them."""

    part: Part
    step_ns: int
    record: Record
    order: int = 60
    _slot: int = -1
    _count: int = 0

    def __call__(self, frames: Frames, events: list[Event], *, final: bool) -> Frames:  # noqa: ARG002
        """Give them the time of their transfer."""
        rows = np.flatnonzero(self.part.of(frames))
        if not len(rows):
            return frames
        slot = -(-frames.time_ns[rows] // self.step_ns)
        first = np.flatnonzero(np.diff(slot, prepend=-1))
        place: Int64s = np.arange(len(rows)) - np.repeat(first, np.diff(np.append(first, len(rows))))
        if slot[0] == self._slot:
            place[: int(np.searchsorted(slot, slot[0], side="right"))] += self._count
        self._slot, self._count = int(slot[-1]), int(place[-1]) + 1
        self.record.add(len(rows))
        late = slot * 2_654_435_761 % HOST_JITTER_NS
        stamps = slot * self.step_ns + late + np.minimum(CLUMP_NS * place, self.step_ns - HOST_JITTER_NS)
        time_ns = frames.time_ns.copy()
        time_ns[rows] = stamps - stamps % RESOLUTION_NS
        frames = replace(frames, time_ns=time_ns)
        # Recorders write in the order in which frames come in: the other buses' frames are not late.
        return frames.take(np.argsort(frames.time_ns, kind="stable"))


@dataclass(frozen=True, slots=True, eq=False)
class ClockSteps:
    """All stamps from a moment on move; `steps` has the moments and by how much, in nanoseconds."""

    steps: tuple[tuple[int, int], ...]
    order: int = 70

    def __call__(self, frames: Frames, events: list[Event], *, final: bool) -> Frames:  # noqa: ARG002
        """Move them."""
        moved = np.zeros(len(frames), dtype=np.int64)
        for start, step in self.steps:
            moved += np.where(frames.time_ns >= start, step, 0)
        return replace(frames, time_ns=frames.time_ns + moved) if moved.any() else frames
