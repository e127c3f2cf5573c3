"""Batches of frames in, the health of the buses out: whatever the batches, the same numbers.

Every batch is brought into the order of its identifiers once; the parts then go to one lane for each identifier and
one for each bus. Nothing here grows with the run but the windows (32 bytes for each 100 ms and bus, 48 bytes for
each 10 s and identifier): some 4 MB for an hour of a car with two buses and fifty identifiers.
"""

from __future__ import annotations

import copy
from collections.abc import Iterable, Mapping
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from buswright.channels.carfile.model import CarFile, FrameName
from buswright.channels.carfile.needs import interface_names
from buswright.channels.expectation import NO_FACTS, Facts, name_of
from buswright.frames.table import Bools, Clock, Event, Flag, Frames, Problems
from buswright.frames.wire.bits import WireBits, wire_bits
from buswright.health.buses.lane import BusLane
from buswright.health.described import Described, Identity
from buswright.health.identifiers.contents import Block
from buswright.health.identifiers.lane import IdLane
from buswright.health.identifiers.requests import RequestsFold
from buswright.health.model.gaps import GapLimits
from buswright.health.model.health import BusHealth
from buswright.health.repeats import RepeatedFrames
from buswright.health.result import Measured, assemble
from buswright.messages.match import Databases, Kind, Matcher, by_group

Order = npt.NDArray[np.intp]
UInt64s = npt.NDArray[np.uint64]


class HealthTracker:
    """Measures buses, modules and identifiers from frames as they come.

    Trackers of two parts of a capture can't be merged into that of the whole: an identifier's spacings are judged by
    the period that was learned up to them (`TimingFold`), and a tracker that begins in the middle has learned none.
    So the processes of --jobs share the reading alone. This measuring is a sixth of the time of `health`.

    Parameters
    ----------
    car
        The car file: names, bit rates, periods, counters, checksums, modules.
    databases
        For what the car file has none for; see `messages.match`.
    bus_names
        Interface to bus name, over the car file's.
    remembered
        What identifiers were like in a good run, for what car file and databases leave open.
    bitrates, data_bitrates
        Bit/s by bus name, over the car file's; `"*"` is every bus that isn't named.

    Examples
    --------
    >>> tracker = HealthTracker(bitrates={"*": 500_000})  # doctest: +SKIP
    >>> for frames in capture:  # doctest: +SKIP
    ...     tracker.update(frames)
    >>> tracker.result(events=capture.events, problems=capture.problems).buses["can0"].load  # doctest: +SKIP
    """

    def __init__(
        self,
        *,
        car: CarFile | None = None,
        databases: Databases | None = None,
        bus_names: Mapping[str, str] | None = None,
        remembered: Mapping[FrameName, Facts] = NO_FACTS,
        bitrates: Mapping[str, int] | None = None,
        data_bitrates: Mapping[str, int] | None = None,
    ) -> None:
        self._bus_names = {**interface_names(car), **(bus_names or {})}
        self._described = Described(car, databases or {}, self._bus_names, remembered)
        self._bitrates = dict(bitrates or {})
        self._data_bitrates = dict(data_bitrates or {})
        # With no database every identifier of every bus is a group of its own.
        self._matcher = Matcher({}, bus_names=self._bus_names)
        self._lanes: dict[int, IdLane] = {}
        self._identities: dict[FrameName, Identity] = {}
        self._buses: list[BusLane] = []
        self._bus_of: dict[str, int] = {}
        self._unlisted = 0
        self._repeats = RepeatedFrames()
        self._requests = RequestsFold()

    def update(self, frames: Frames, bits: WireBits | None = None) -> None:
        """Take the next batch of the capture or of a live bus; `bits` are its `bits_of`, where they are known already.

        Raises
        ------
        ValueError
            The bits are of another batch.
        """
        if bits is not None and len(bits) != len(frames):
            raise ValueError(f"bits of {len(bits)} frames, not of {len(frames)}")
        if not len(frames):
            return
        lane_of = np.array([self._lane_of(interface) for interface in frames.buses], dtype=np.uint8)
        lane = lane_of[frames.bus]
        words: UInt64s = np.ascontiguousarray(frames.payload).view("<u8").ravel()
        bits = self.bits_of(frames) if bits is None else bits
        present = int(np.bitwise_or.reduce(frames.flags))
        used = np.flatnonzero(np.bincount(lane)).tolist()
        for number in used:
            rows: Order | slice = slice(None) if len(used) == 1 else np.flatnonzero(lane == number)
            self._buses[number].add(frames, rows, bits, words)
        self._repeats.add(frames, lane, words)
        self._by_identifier(frames, words, bits, present)
        names = [bus.name for bus in self._buses]
        self._requests.add(frames, lane, names, any_remote=bool(present & Flag.REMOTE))

    def _lane_of(self, interface: str) -> int:
        """Return the number of the bus that a capture calls `interface`."""
        name = self._matcher.bus_name(interface)
        number = self._bus_of.get(name)
        if number is None:
            number = self._bus_of[name] = len(self._buses)
            rate = self._described.bitrate(name, self._bitrates, self._data_bitrates)
            slow, fast = rate.bits_per_s, rate.data_bits_per_s
            self._buses.append(BusLane(name, slow / fast if slow and fast else 1.0))
        if interface not in self._buses[number].interfaces:
            self._buses[number].interfaces.append(interface)
        return number

    def bits_of(self, frames: Frames) -> WireBits:
        """Return the bits on the wire of a batch, each bus's in the dialect that the car file says it speaks."""
        bits = wire_bits(frames)
        old = [
            number
            for number, interface in enumerate(frames.buses)
            if self._described.non_iso(self._matcher.bus_name(interface))
        ]
        if not old or not frames.has(Flag.FD).any():
            return bits
        other, here = wire_bits(frames, fd="non-iso"), np.isin(frames.bus, old)
        return WireBits(
            np.where(here, other.nominal, bits.nominal),
            np.where(here, other.data, bits.data),
            np.where(here, other.stuff, bits.stuff),
        )

    def _by_identifier(self, frames: Frames, words: UInt64s, bits: WireBits, present: int) -> None:
        found, ends, order = by_group(self._matcher.match(frames))
        time_ns, length = frames.time_ns.take(order), frames.length.take(order)
        payload = words.take(order).view(np.uint8).reshape(-1, 8)
        nominal = bits.nominal.take(order)
        data = bits.data.take(order) if present & Flag.BRS else None
        timed: Bools | None = None
        if present & Flag.UNTIMED:
            timed = (frames.flags.take(order) & np.uint8(Flag.UNTIMED)) == 0
        start = 0
        for code, end in zip(found.tolist(), ends.tolist(), strict=True):
            place, start = slice(start, end), end
            group = self._matcher.groups[code]
            if group.kind is not Kind.UNMATCHED:
                self._unlisted += place.stop - place.start if group.kind is Kind.UNLISTED else 0
                continue
            own_data = 0 if data is None else int(data[place].sum(dtype=np.int64))
            self._lane(code).add(
                Block(
                    time_ns[place],
                    frames.payloads(order[place]) if int(length[place].max()) > 8 else payload[place],
                    length[place],
                    nominal[place] if not own_data or data is None else nominal[place] + data[place],
                    None if timed is None else timed[place],
                ),
                int(nominal[place].sum(dtype=np.int64)),
                own_data,
            )

    def _lane(self, code: int) -> IdLane:
        lane = self._lanes.get(code)
        if lane is None:
            group = self._matcher.groups[code]
            name = name_of(group)
            identity = self._identities[name] = self._described.identity(name)
            lane = self._lanes[code] = IdLane(name, identity.expected, GapLimits.of(self._described.car, name))
        return lane

    def copy(self) -> HealthTracker:
        """Return a tracker that goes on from here by itself."""
        # What is known of identifiers is the same for both, and the groups are only ever added to.
        told = (lane.told for lane in self._lanes.values() if lane.told is not None)
        shared = (self._described, self._matcher, self._identities, *told)
        return copy.deepcopy(self, {id(each): each for each in shared})

    def result(
        self, *, events: Iterable[Event] = (), problems: Problems | None = None, clock: Clock | None = None
    ) -> BusHealth:
        """Return what has been measured so far; more batches may follow.

        Parameters
        ----------
        events
            What the capture holds beside frames: chip states, reported losses.
        problems
            What its reader could not take.
        clock
            Where its time comes from; the resolution matters for spacings.
        """
        measured = Measured(
            described=self._described,
            buses=tuple(self._buses),
            bus_of=MappingProxyType(self._bus_of),
            lanes=tuple(sorted(self._lanes.values(), key=lambda lane: lane.name)),
            identities=MappingProxyType(self._identities),
            requests=self._requests,
            rates={
                bus.name: self._described.bitrate(bus.name, self._bitrates, self._data_bitrates) for bus in self._buses
            },
            repeats=self._repeats,
            unlisted=self._unlisted,
        )
        return assemble(measured, tuple(events), problems, clock)
