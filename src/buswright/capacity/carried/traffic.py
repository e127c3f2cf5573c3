"""What planning needs of recorded frames beside their health: how short and long they were, and how close they came.

A fold: however a run is cut into batches, the same numbers. It keeps some 350 bytes for each identifier, and a sample
of the frames.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from buswright.capacity.carried.stream import Bits
from buswright.channels.carfile.model import FrameName
from buswright.channels.expectation import name_of
from buswright.frames.table import Flag, Frames, concatenate
from buswright.frames.wire.bits import wire_bits
from buswright.messages.match import Kind, Matcher

Int64s = npt.NDArray[np.int64]

RUNS = range(2, 10)
"""So many frames in a row are looked at: how short a time each took at the least."""
SAMPLE = 20_000
"""Frames kept from the start of the capture, to measure encoders with."""
_CARRIED = RUNS[-1] - 1
_FAR = np.iinfo(np.int64).max


@dataclass(frozen=True, slots=True)
class Carried:
    """What was measured of one identifier: lengths of its frames, its longest payload in bytes.

    `fd` and `switched`: whether any frame had the CAN FD format, and switched its bit rate. `shortest_ns` is the
    shortest time that so many frames in a row took, by their number; those of `RUNS` that came. `first_ns` and
    `last_ns` are of the earliest and latest frame with a time; None for none.
    """

    bits: Bits
    length: int
    fd: bool
    switched: bool
    shortest_ns: Mapping[int, int]
    first_ns: int | None
    last_ns: int | None


@dataclass(frozen=True, slots=True, eq=False)
class Traffic:
    """What was measured of a capture: data frames by bus and identifier, the first frames of all buses, bus names."""

    ids: Mapping[FrameName, Carried]
    sample: Frames
    bus_names: tuple[str, ...] = ()

    def sample_of(self, bus: str) -> Frames:
        """Return the first frames of one bus."""
        here = [number for number, name in enumerate(self.bus_names) if name == bus]
        return self.sample.take(np.isin(self.sample.bus, here))


class TrafficFold:
    """Measures frames as they come; `bus_names` leads from interface to bus name.

    Buses in `non_iso` speak CAN FD in the form before ISO 11898-1:2015.
    """

    def __init__(self, bus_names: Mapping[str, str], non_iso: Collection[str] = ()) -> None:
        self._matcher = Matcher({}, bus_names=bus_names)
        self._non_iso = frozenset(non_iso)
        self._columns = _Columns(0)
        self._last: list[Int64s] = []
        self._sample: list[Frames] = []
        self._kept = 0

    def update(self, frames: Frames) -> None:
        """Take the next batch."""
        if not len(frames):
            return
        if self._kept < SAMPLE:
            self._sample.append(frames.take(np.arange(min(len(frames), SAMPLE - self._kept))))
            self._kept += len(self._sample[-1])
        codes = self._matcher.match(frames)
        self._columns.grow(len(self._matcher.groups))
        used = len(self._matcher.groups)
        narrow = np.uint8 if used <= 256 else np.uint16 if used <= 65_536 else np.int32
        order = np.argsort(codes.astype(narrow), kind="stable")
        codes = codes.take(order)
        starts = np.flatnonzero(np.diff(codes, prepend=-1))
        present = codes[starts]
        columns = self._columns
        columns.frames[present] += np.diff(starts, append=len(codes))
        for phase, bits in enumerate(self._bits(frames)):
            own = bits.take(order)
            columns.total[present, phase] += np.add.reduceat(own.astype(np.int64), starts)
            columns.shortest[present, phase] = np.minimum(
                columns.shortest[present, phase], np.minimum.reduceat(own, starts)
            )
            columns.longest[present, phase] = np.maximum(
                columns.longest[present, phase], np.maximum.reduceat(own, starts)
            )
        columns.length[present] = np.maximum(
            columns.length[present], np.maximum.reduceat(frames.length.take(order), starts)
        )
        flags = frames.flags.take(order)
        columns.flags[present] |= np.bitwise_or.reduceat(flags, starts)
        timed = (flags & np.uint8(Flag.UNTIMED)) == 0
        self._spans(codes[timed], frames.time_ns.take(order)[timed])

    def _bits(self, frames: Frames) -> tuple[npt.NDArray[np.int32], npt.NDArray[np.int32]]:
        bits = wire_bits(frames)
        old = [k for k, name in enumerate(frames.buses) if self._matcher.bus_name(name) in self._non_iso]
        if not old:
            return bits.nominal, bits.data
        other, here = wire_bits(frames, fd="non-iso"), np.isin(frames.bus, old)
        return np.where(here, other.nominal, bits.nominal), np.where(here, other.data, bits.data)

    def _spans(self, codes: npt.NDArray[np.int32], times: Int64s) -> None:
        """Find the closest runs of frames of each identifier, those that began in earlier batches included."""
        if not len(codes):
            return
        columns = self._columns
        starts = np.flatnonzero(np.diff(codes, prepend=-1))
        present = codes[starts]
        columns.first[present] = np.minimum(columns.first[present], np.minimum.reduceat(times, starts))
        columns.last[present] = np.maximum(columns.last[present], np.maximum.reduceat(times, starts))
        before = [columns.carried[code, : columns.held[code]] for code in present.tolist()]
        whole = np.concatenate(
            [part for pair in zip(before, np.split(times, starts[1:]), strict=True) for part in pair]
        )
        counts = columns.held[present] + np.diff(starts, append=len(codes))
        owner = np.repeat(present, counts)
        # A clock that goes back begins anew: no run reaches over that.
        stretch = np.cumsum((np.diff(whole, prepend=whole[0]) < 0) | (np.diff(owner, prepend=owner[0]) != 0))
        for column, frames in enumerate(RUNS):
            ahead = frames - 1
            if len(whole) <= ahead:
                break
            took = np.where(stretch[ahead:] == stretch[:-ahead], whole[ahead:] - whole[:-ahead], _FAR)
            np.minimum.at(columns.runs[:, column], owner[ahead:], took)
        ends = np.cumsum(counts)
        for code, count, end in zip(present.tolist(), counts.tolist(), ends.tolist(), strict=True):
            kept = min(count, _CARRIED)
            columns.carried[code, :kept] = whole[end - kept : end]
            columns.held[code] = kept

    def result(self) -> Traffic:
        """Return what has been measured so far."""
        found = {}
        for code, group in enumerate(self._matcher.groups):
            if group.kind is Kind.UNMATCHED and code < len(self._columns.frames) and self._columns.frames[code]:
                found[name_of(group)] = self._columns.of(code)
        sample = concatenate(self._sample)
        return Traffic(MappingProxyType(found), sample, tuple(map(self._matcher.bus_name, sample.buses)))


class _Columns:
    """The numbers of every identifier, by its code."""

    def __init__(self, size: int) -> None:
        self.frames = np.zeros(size, dtype=np.int64)
        self.total = np.zeros((size, 2), dtype=np.int64)
        self.shortest = np.full((size, 2), np.iinfo(np.int32).max, dtype=np.int32)
        self.longest = np.zeros((size, 2), dtype=np.int32)
        self.length = np.zeros(size, dtype=np.uint8)
        self.flags = np.zeros(size, dtype=np.uint8)
        self.runs = np.full((size, len(RUNS)), _FAR, dtype=np.int64)
        self.first = np.full(size, _FAR, dtype=np.int64)
        self.last = np.full(size, -_FAR, dtype=np.int64)
        self.carried = np.zeros((size, _CARRIED), dtype=np.int64)
        self.held = np.zeros(size, dtype=np.int64)

    def grow(self, size: int) -> None:
        """Make room for more identifiers."""
        have = len(self.frames)
        if size <= have:
            return
        more = _Columns(max(size, 2 * have) - have)
        for name, column in vars(more).items():
            setattr(self, name, np.concatenate([getattr(self, name), column]))

    def of(self, code: int) -> Carried:
        """Return what was measured of one identifier."""
        frames = int(self.frames[code])
        shortest, longest, total = (column[code].tolist() for column in (self.shortest, self.longest, self.total))
        flags = int(self.flags[code])
        timed = self.last[code] >= self.first[code]
        return Carried(
            Bits(tuple(shortest), tuple(longest), (total[0] / frames, total[1] / frames), frames),
            int(self.length[code]),
            bool(flags & Flag.FD),
            bool(flags & Flag.BRS),
            MappingProxyType(
                {run: took for run, took in zip(RUNS, self.runs[code].tolist(), strict=True) if took < _FAR}
            ),
            int(self.first[code]) if timed else None,
            int(self.last[code]) if timed else None,
        )
