"""What is on the buses at the moment: each identifier's rate over the last seconds, its age, its payload."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

from buswright.channels.carfile.model import CarFile, FrameName
from buswright.channels.carfile.needs import interface_names
from buswright.frames.table import Bools, Flag, Frames, Int64s, UInt8s, long_ones
from buswright.frames.wire.bits import wire_bits
from buswright.messages.match import Kind, Matcher

if TYPE_CHECKING:
    from buswright.frames.wire.bits import WireBits

WINDOW_S = 2.0
"""Rates and loads of the moment are means over this long, or ten periods of an identifier, whichever is longer."""

_BIN_NS = 100_000_000
_BINS = round(WINDOW_S * 1e9) // _BIN_NS
_WINDOW_NS = _BINS * _BIN_NS
_RING = 32
"""Bins kept: those of the window, the one that is being filled, and some for frames that come late."""
_SETTLED_NS = 100_000_000
"""Frames of a live bus may be on their way for this long: a bus's window ends so much earlier, and nobody is late."""
_PERIODS = 10
_LATE = 1.5
"""A frame that is not there after so many periods lowers the rate."""
_LONG = 64
_NEVER = np.iinfo(np.int64).min


@dataclass(frozen=True, slots=True)
class IdNow:
    """One identifier at the moment.

    Attributes
    ----------
    name
        Bus and identifier.
    frames
        Data frames since the start.
    first_ns, last_ns
        First and latest frame.
    rate_hz
        Over the last `WINDOW_S` or ten periods; 0 when none came in them, None before two frames.
    payload, length
        Of the latest frame.
    fd
        Whether the latest frame was CAN FD.
    """

    name: FrameName
    frames: int
    first_ns: int
    last_ns: int
    rate_hz: float | None
    payload: bytes
    length: int
    fd: bool

    def age_s(self, now_ns: int) -> float:
        """Seconds since the latest frame."""
        return max(0.0, (now_ns - self.last_ns) / 1e9)


@dataclass(frozen=True, slots=True)
class BusNow:
    """One bus at the moment.

    Attributes
    ----------
    name
        Of the bus.
    frames_per_s, bits_per_s, errors_per_s
        Over the last `WINDOW_S`: frames of all kinds, exact bits on the wire, error frames.
    last_ns
        Latest frame; None before there was one.
    """

    name: str
    frames_per_s: float
    bits_per_s: float
    errors_per_s: float
    last_ns: int | None


@dataclass(frozen=True, slots=True)
class Recent:
    """Everything of the moment, at `now_ns` on the capture's clock."""

    now_ns: int
    buses: Mapping[str, BusNow]
    ids: Mapping[FrameName, IdNow]


class RecentTracker:
    """Knows what came last, from frames as they come; whatever the batches, the same numbers.

    Frames without a time are counted, and give no rate. Memory: about 2 KB for each identifier.

    Parameters
    ----------
    car
        The car file, for the names of the buses.
    bus_names
        Interface to bus name, over the car file's.
    """

    def __init__(self, *, car: CarFile | None = None, bus_names: Mapping[str, str] | None = None) -> None:
        # With no database every identifier of every bus is a group of its own.
        self._matcher = Matcher({}, bus_names={**interface_names(car), **(bus_names or {})})
        self._bus_of: dict[str, int] = {}
        self._lane_of: UInt8s = np.zeros(0, dtype=np.uint8)
        self._interfaces: tuple[str, ...] = ()
        self._bins = np.full(_RING, _NEVER, dtype=np.int64)
        self._ids = _Ids()
        self._sums: Int64s = np.zeros((0, 3, _RING), dtype=np.int64)
        self._ends: Int64s = np.zeros((0, 2), dtype=np.int64)

    def update(self, frames: Frames, bits: WireBits | None = None) -> None:
        """Take the next batch.

        Parameters
        ----------
        frames
            In the order of the capture.
        bits
            `wire_bits` of the batch, where the caller has them already.
        """
        if not len(frames):
            return
        self._name_buses(frames)
        window = self._window_of(frames)
        self._add_buses(frames, window, wire_bits(frames) if bits is None else bits)
        self._ids.add(frames, self._matcher.match(frames), self._matcher, window)

    def result(self, now_ns: int) -> Recent:
        """Return what is there at a moment on the capture's clock, usually that of the latest frame or later."""
        return Recent(
            now_ns,
            MappingProxyType({name: self._bus(name, number, now_ns) for name, number in self._bus_of.items()}),
            MappingProxyType(self._ids.at(now_ns, self._bins)),
        )

    def copy(self) -> RecentTracker:
        """Return a tracker that goes on from here by itself."""
        other = RecentTracker.__new__(RecentTracker)
        other.__dict__ |= self.__dict__  # names and groups are only ever added to: they are shared
        other._bus_of, other._bins = dict(self._bus_of), self._bins.copy()
        other._sums, other._ends = self._sums.copy(), self._ends.copy()
        other._ids = self._ids.copy()
        return other

    # Bins -------------------------------------------------------------------------------------------------------------

    def _window_of(self, frames: Frames) -> _Window:
        """Find the bin of every frame; a bin that the ring has no more room for is forgotten.

        A place of the ring belongs to the bin of its latest frame; frames before the place was taken over, which
        only a clock that jumps or a long batch has, are no longer counted.
        """
        timed = ~frames.has(Flag.UNTIMED)
        number = frames.time_ns // _BIN_NS
        place = number % _RING
        rows = np.flatnonzero(timed)
        owner = self._bins.copy()
        owner[place[rows]] = number[rows]  # of equal places the last assignment stays
        stale = owner != self._bins
        others = rows[number[rows] != owner[place[rows]]]
        counted = timed
        if len(others):
            last_other = np.full(_RING, -1, dtype=np.int64)
            last_other[place[others]] = others
            stale |= last_other >= 0
            counted = timed & (np.arange(len(frames)) > last_other[place])
        self._bins = owner
        if stale.any():
            self._sums[:, :, stale] = 0
            self._ids.forget(stale)
        return _Window(place, counted, timed)

    # Buses ------------------------------------------------------------------------------------------------------------

    def _name_buses(self, frames: Frames) -> None:
        if frames.buses == self._interfaces:
            return
        self._interfaces = frames.buses
        for interface in frames.buses:
            self._bus_of.setdefault(self._matcher.bus_name(interface), len(self._bus_of))
        self._lane_of = np.array(
            [self._bus_of[self._matcher.bus_name(interface)] for interface in frames.buses], dtype=np.uint8
        )
        more = len(self._bus_of) - len(self._sums)
        self._sums = np.concatenate([self._sums, np.zeros((more, 3, _RING), dtype=np.int64)])
        self._ends = np.concatenate([self._ends, np.full((more, 2), _NEVER)])

    def _add_buses(self, frames: Frames, window: _Window, bits: WireBits) -> None:
        lane = self._lane_of[frames.bus]
        for number in np.flatnonzero(np.bincount(lane)).tolist():
            rows = np.flatnonzero((lane == number) & window.timed)
            if len(rows):
                if self._ends[number, 0] == _NEVER:
                    self._ends[number, 0] = frames.time_ns[rows[0]]
                self._ends[number, 1] = frames.time_ns[rows[-1]]
            rows = rows[window.counted[rows]]
            place = window.place[rows]
            errors = (frames.flags[rows] & np.uint8(Flag.ERROR)) != 0
            for column, weights in enumerate((None, bits.nominal[rows] + bits.data[rows], errors)):
                self._sums[number, column] += np.bincount(place, weights, _RING).astype(np.int64)

    def _bus(self, name: str, number: int, now_ns: int) -> BusNow:
        first, last = self._ends[number].tolist()
        if first == _NEVER:
            return BusNow(name, 0.0, 0.0, 0.0, None)
        end = (now_ns - _SETTLED_NS) // _BIN_NS
        inside = (self._bins < end) & (self._bins >= end - _BINS)
        begin_ns, end_ns = (end - _BINS) * _BIN_NS, end * _BIN_NS
        if begin_ns < first < now_ns:  # it has only begun
            begin_ns = first
        seconds = (end_ns - begin_ns) / 1e9
        if seconds <= 0:
            return BusNow(name, 0.0, 0.0, 0.0, last)
        frames, bits, errors = (self._sums[number][:, inside].sum(axis=1) / seconds).tolist()
        return BusNow(name, frames, bits, errors, last)


class _Window(NamedTuple):
    """For every frame of a batch: its place in the ring, whether it counts there, and whether it has a time."""

    place: Int64s
    counted: Bools
    timed: Bools


class _Ids:
    """Columns with a row for each identifier."""

    _COLUMNS = ("frames", "first", "times", "counts", "earliest", "latest", "payload", "length", "fd")

    def __init__(self) -> None:
        self.names: list[FrameName] = []
        self.row_of_code: npt.NDArray[np.intp] = np.zeros(0, dtype=np.intp)
        self.frames: Int64s = np.zeros(0, dtype=np.int64)
        self.first: Int64s = np.zeros(0, dtype=np.int64)
        self.times: Int64s = np.zeros((0, _PERIODS + 1), dtype=np.int64)
        """Of the latest timed frames, the newest last."""
        self.counts: Int64s = np.zeros((0, _RING), dtype=np.int64)
        self.earliest: Int64s = np.zeros((0, _RING), dtype=np.int64)
        self.latest: Int64s = np.zeros((0, _RING), dtype=np.int64)
        self.payload: UInt8s = np.zeros((0, _LONG), dtype=np.uint8)
        self.length: UInt8s = np.zeros(0, dtype=np.uint8)
        self.fd: Bools = np.zeros(0, dtype=np.bool_)

    def copy(self) -> _Ids:
        other = _Ids()
        other.names, other.row_of_code = list(self.names), self.row_of_code.copy()
        for name in self._COLUMNS:
            setattr(other, name, getattr(self, name).copy())
        return other

    def forget(self, places: Bools) -> None:
        """Empty places of the ring."""
        self.counts[:, places] = 0
        self.earliest[:, places] = np.iinfo(np.int64).max
        self.latest[:, places] = _NEVER

    def add(self, frames: Frames, codes: npt.NDArray[np.int32], matcher: Matcher, window: _Window) -> None:
        """Add the data frames of a batch; `codes` are their groups."""
        self._make_room(codes, matcher)
        row = self.row_of_code[codes]
        chosen = np.flatnonzero((row >= 0) & window.counted)
        cell = row[chosen] * _RING + window.place[chosen]
        size = len(self.names) * _RING
        self.counts += np.bincount(cell, minlength=size).reshape(-1, _RING)
        np.minimum.at(self.earliest.reshape(-1), cell, frames.time_ns[chosen])
        np.maximum.at(self.latest.reshape(-1), cell, frames.time_ns[chosen])
        # A key of two bytes is sorted in one pass.
        key = row.astype(np.int16) if len(self.names) < 1 << 15 else row
        order = np.argsort(key, kind="stable")
        order = order[np.searchsorted(key[order], 0) :]
        if len(order):
            self._add_latest(frames, order, row[order], window.timed)

    def _add_latest(self, frames: Frames, order: npt.NDArray[np.intp], row: npt.NDArray[np.intp], timed: Bools) -> None:
        """Note what came last of each identifier; `order` are data frames, by identifier."""
        ends = np.flatnonzero(np.append(row[1:] != row[:-1], True))
        here, last = row[ends], order[ends]
        self.frames += np.bincount(row, minlength=len(self.names))
        self.length[here] = frames.length[last]
        self.fd[here] = (frames.flags[last] & np.uint8(Flag.FD)) != 0
        self.payload[here, 8:] = 0
        self.payload[here, :8] = frames.payload[last]
        long, at = long_ones(frames.long_row, last)
        self.payload[here[long]] = frames.long_payload[at]
        if not timed.all():
            kept = timed[order]
            order, row = order[kept], row[kept]
            if not len(order):
                return
            ends = np.flatnonzero(np.append(row[1:] != row[:-1], True))
            here = row[ends]
        starts = np.concatenate([[0], ends[:-1] + 1])
        times = frames.time_ns[order]
        new = self.first[here] == _NEVER
        self.first[here[new]] = times[starts[new]]
        # What is kept is the end of the old times with the new ones behind them.
        count = ends - starts + 1
        back = np.arange(-_PERIODS, 1)
        at = ends[:, np.newaxis] + back
        fresh = -back < count[:, np.newaxis]
        old = np.clip(np.arange(_PERIODS + 1) + count[:, np.newaxis], 0, _PERIODS)
        kept_before = np.take_along_axis(self.times[here], old, axis=1)
        self.times[here] = np.where(fresh, times[np.where(fresh, at, 0)], kept_before)

    def _make_room(self, codes: npt.NDArray[np.int32], matcher: Matcher) -> None:
        """Give a row to every identifier that is met for the first time."""
        known = len(self.row_of_code)
        if known < len(matcher.groups):
            self.row_of_code = np.append(self.row_of_code, np.full(len(matcher.groups) - known, -1))
        unmet = np.flatnonzero(self.row_of_code[codes] < 0)
        before = len(self.names)
        for code in np.unique(codes[unmet]).tolist():
            group = matcher.groups[code]
            if group.kind is Kind.UNMATCHED:
                self.row_of_code[code] = len(self.names)
                self.names.append(FrameName(group.bus, group.id, group.extended))
        more = len(self.names) - before
        if not more:
            return
        for name in self._COLUMNS:
            old = getattr(self, name)
            start = _NEVER if name in ("first", "times", "latest") else 0
            start = np.iinfo(np.int64).max if name == "earliest" else start
            setattr(self, name, np.concatenate([old, np.full((more, *old.shape[1:]), start, dtype=old.dtype)]))

    # Reading it -------------------------------------------------------------------------------------------------------

    def at(self, now_ns: int, bins: Int64s) -> dict[FrameName, IdNow]:
        """Return every identifier as it is at a moment."""
        rates = self._rates(now_ns, bins)
        found = {}
        columns = (self.frames, self.first, self.times[:, -1], self.times[:, -2], rates, self.length, self.fd)
        for row, (frames, first, last, before, rate, length, fd) in enumerate(
            zip(*(column.tolist() for column in columns), strict=True)
        ):
            name = self.names[row]
            timed = last != _NEVER
            found[name] = IdNow(
                name,
                frames,
                first if timed else 0,
                last if timed else 0,
                rate if before != _NEVER else None,
                self.payload[row, :length].tobytes(),
                length,
                fd,
            )
        return found

    def _rates(self, now_ns: int, bins: Int64s) -> npt.NDArray[np.float64]:
        """Rate of each identifier: spacings over the time they take, so that it doesn't depend on the window's edges.

        Of the frames in the window, or, where ten periods are longer than that, of the latest ten spacings. Once a
        frame is overdue, the time it is overdue counts too; after a whole window without a frame the rate is zero.
        """
        kept = self.times != _NEVER
        last = self.times[:, -1]
        oldest = self.times[np.arange(len(self.times)), kept.argmax(axis=1)] if len(self.times) else last
        few = kept.sum(axis=1) - 1
        span = last - oldest
        now_bin = now_ns // _BIN_NS
        inside = (bins <= now_bin) & (bins > now_bin - _BINS)
        count = self.counts[:, inside].sum(axis=1) - 1
        begin = self.earliest[:, inside].min(axis=1, initial=np.iinfo(np.int64).max)
        end = self.latest[:, inside].max(axis=1, initial=_NEVER)
        # More than eleven frames lie in the window: they say more than the latest eleven.
        dense = (count > few) & (end > begin)
        spacings = np.where(dense, count, few)
        seconds = np.where(dense, end - begin, span) / 1e9
        good = (spacings > 0) & (seconds > 0)
        period = np.divide(seconds, spacings, out=np.zeros(len(last)), where=good)
        silent = np.where(good, now_ns - np.where(good, last, now_ns), 0) / 1e9
        overdue = np.maximum(0.0, silent - _LATE * period - _SETTLED_NS / 1e9)
        good &= silent <= np.maximum(_WINDOW_NS / 1e9, _PERIODS * period)
        rates: npt.NDArray[np.float64] = np.divide(spacings, seconds + overdue, out=np.zeros(len(last)), where=good)
        return rates
