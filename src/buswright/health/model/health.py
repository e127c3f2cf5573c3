"""What was measured on the buses, as frozen values: the capture, its buses, modules and identifiers.

All numbers, no verdicts. Times are nanoseconds on the capture's clock, int; None where there is none (no timed
frame, nothing seen). Durations that come out of an average are float nanoseconds. Windows lie on a grid aligned to
time zero of that clock; a frame counts in the window in which it ends. `identifiers` holds what is measured for each
identifier, `gaps` what is known about its silences.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from buswright.channels.carfile.model import FrameName
from buswright.frames.table import Int64s
from buswright.health.model.gaps import GapGroup
from buswright.health.model.identifiers import IdFigures, NeverCame

Float64s = npt.NDArray[np.float64]
HostStamped = Literal["clock", "spacings", "unknown"]


class BitRate(NamedTuple):
    """The bit rate that loads are computed with, and who says so.

    Attributes
    ----------
    bits_per_s, data_bits_per_s
        None where unknown: then every load is None. The second is only for CAN FD with a bit-rate switch; where
        such frames come and nobody gives it, `bits_per_s` is used and the load is an upper bound.
    source
        "option" (the caller), "car file", "database", "guessed" (from the shortest spacings of frames) or
        "unknown".
    support
        For a guess: share of frame spacings that are back to back at this rate (a busy bus has many, a quiet one
        few). 1 for what was given.
    basis
        The same in words, for a person.
    exact
        Whether a guess rests on exact stamps, or on stamps that a computer may have smeared. True for what was given.
    """

    bits_per_s: int | None
    data_bits_per_s: int | None
    source: Literal["option", "car file", "database", "guessed", "unknown"]
    support: float
    basis: str
    exact: bool = True


class Peak(NamedTuple):
    """The window with the highest load (or, without a bit rate, the most bits): its start, its load and its bits.

    It starts with the first frame that ends in it.
    """

    start_ns: int
    load: float | None
    bits: int


@dataclass(frozen=True, slots=True, eq=False)
class LoadWindows:
    """What a bus carried, window by window; windows without any traffic inside a run are there, with zeros.

    A long silence, or a jump of the clock, may leave windows out: `start_ns` says which ones are there.

    Attributes
    ----------
    width_ns
        100 ms or 1 s.
    start_ns : int64[k]
        Ascending multiples of `width_ns`. The first and the last window are usually only partly recorded.
    frames, errors : int64[k]
        Frames of all kinds, and error frames among them.
    bits, data_bits : int64[k]
        Bits at the nominal and at the data bit rate, see `BusFigures.bits`.
    load : float64[k]
        0..1; NaN where the bit rate is unknown.
    """

    width_ns: int
    start_ns: Int64s
    frames: Int64s
    errors: Int64s
    bits: Int64s
    data_bits: Int64s
    load: Float64s

    def __len__(self) -> int:
        return len(self.start_ns)

    def load_at(self, time_ns: Int64s) -> Float64s:
        """Load of the window in which each time lies; NaN where there is none; float64[n]."""
        found = np.full(len(time_ns), np.nan)
        if len(self.start_ns):
            wanted = time_ns // self.width_ns * self.width_ns
            at = np.minimum(np.searchsorted(self.start_ns, wanted), len(self.start_ns) - 1)
            hit = self.start_ns[at] == wanted
            found[hit] = self.load[at[hit]]
        return found


class Spacing(NamedTuple):
    """How close frames of one bus followed each other; what is impossible on a wire was stamped by a host.

    Attributes
    ----------
    pairs
        Consecutive timed frames.
    impossible
        Pairs closer than the second frame takes on the wire (with a margin for the stamps' resolution), at the rate
        that exact spacings show, else at the given one; None where there is neither.
    back_to_back
        Pairs exactly one frame time apart (within 5 %); None as above where the rate is unknown.
    zero, under_50us
        Pairs with equal stamps, and less than 50 microseconds apart: no classic frame is shorter at up to 800
        kbit/s.
    repeated
        Back-to-back candidates for a retransmission without acknowledgement: pairs of the same identifier and the
        same payload, less than 1 ms apart.
    on_millisecond
        Stamps that are whole milliseconds: host stamps are often cut to these.
    """

    pairs: int
    impossible: int | None
    back_to_back: int | None
    zero: int
    under_50us: int
    repeated: int
    on_millisecond: int


class ControllerState(NamedTuple):
    """What a controller said about itself, in an error frame or in an event of the capture.

    `transmit_errors` and `receive_errors` are the recording (or reporting) controller's own counters: those of the
    modules on the bus are not visible. None where not said; `state` is "error-active", "error-warning",
    "error-passive", "bus-off", "restarted" or empty.
    """

    time_ns: int | None
    transmit_errors: int | None
    receive_errors: int | None
    state: str


@dataclass(frozen=True, slots=True, eq=False)
class ErrorFigures:
    """Error frames of one bus. Classes and details are those of the Linux error frame (linux/can/error.h).

    Attributes
    ----------
    count
        Error frames of any class.
    on_the_wire
        Those that mean an error flag on the bus (protocol, acknowledge, bus error, or no class at all).
    classes
        Frames by class: "transmit-timeout", "arbitration-lost", "controller", "protocol", "transceiver",
        "no-acknowledge", "bus-off", "bus-error", "restarted", "counters", "unspecified". One frame may name several.
    protocol
        Frames by kind of protocol violation: "bit", "form", "stuff", "dominant-bit", "recessive-bit", "overload",
        "active", "transmit".
    places
        Frames by the place in the frame where the error was seen, e.g. "data", "acknowledge slot".
    controller
        Frames by controller problem: "receive-overflow", "transmit-overflow", "receive-warning",
        "transmit-warning", "receive-passive", "transmit-passive", "active".
    time_ns : int64[k]
        Times of error frames on the wire, ascending: the first and the last `KEPT` ones.
    burst, burst_ns
        Most error frames on the wire within 50 ms, and when that began.
    states
        Controller states in order of time (the first and last ones, when there are many).
    bus_off_ns, restarted_ns
        When the controller said so.
    followed_by
        How many came right before a frame of an identifier, by number and whether that is extended: a frame that was
        destroyed is sent again at once.
    """

    count: int
    on_the_wire: int
    classes: Mapping[str, int]
    protocol: Mapping[str, int]
    places: Mapping[str, int]
    controller: Mapping[str, int]
    time_ns: Int64s
    first_ns: int | None
    last_ns: int | None
    burst: int
    burst_ns: int | None
    states: tuple[ControllerState, ...]
    bus_off_ns: tuple[int, ...]
    restarted_ns: tuple[int, ...]
    followed_by: Mapping[tuple[int, bool], int] = field(default_factory=dict)

    KEPT = 5_000

    @property
    def highest_transmit(self) -> int | None:
        """Highest transmit error counter that was reported."""
        return max((s.transmit_errors for s in self.states if s.transmit_errors is not None), default=None)

    @property
    def highest_receive(self) -> int | None:
        """Highest receive error counter that was reported."""
        return max((s.receive_errors for s in self.states if s.receive_errors is not None), default=None)

    def within(self, start_ns: int, end_ns: int) -> int:
        """Count the kept error frames of start <= time <= end."""
        first, last = np.searchsorted(self.time_ns, (start_ns, end_ns + 1))
        return int(last - first)


@dataclass(frozen=True, slots=True, eq=False)
class Silences:
    """Stretches in which a bus carried nothing at all: the longest and the latest of those over 5 ms.

    Attributes
    ----------
    start_ns, end_ns : int64[k]
        Last frame before and first frame after, ascending.
    count
        All that were over 5 ms.
    """

    start_ns: Int64s
    end_ns: Int64s
    count: int

    def __len__(self) -> int:
        return len(self.start_ns)

    def longest_within(self, start_ns: int, end_ns: int) -> int:
        """Longest part of a silence that lies in a stretch, nanoseconds; 0 if none."""
        overlap = np.minimum(self.end_ns, end_ns) - np.maximum(self.start_ns, start_ns)
        return max(0, int(overlap.max())) if len(overlap) else 0


class ClockStep(NamedTuple):
    """Time that went backwards on one bus between two consecutive frames: a new segment starts at `after_ns`."""

    bus: str
    before_ns: int
    after_ns: int

    @property
    def step_ns(self) -> int:
        """How far, negative."""
        return self.after_ns - self.before_ns


class Duplicates(NamedTuple):
    """Frames that came twice: same identifier and payload less than 1 ms after the first, on the same bus or another.

    Attributes
    ----------
    bus, other
        Bus of the second copy and of the first; equal for one bus.
    copies
        Second copies.
    share
        `copies` over the data frames of `bus`. A doubled recording (own messages received, one bus recorded through
        two interfaces under one name) has nearly 1/2; a bus recorded under two names nearly 1 on one of the two.
    first_ns, last_ns
        When.
    """

    bus: str
    other: str
    copies: int
    share: float
    first_ns: int
    last_ns: int


class CommonFilter(NamedTuple):
    """The narrowest mask and value that let all identifiers of one bus pass: few IDs under a wide mask are suspicious.

    Attributes
    ----------
    extended
        Of the 29-bit identifiers, or of the 11-bit ones.
    ids
        Distinct identifiers.
    mask, value
        All identifiers have ``id & mask == value``.
    passes
        How many identifiers that filter would let pass.
    """

    extended: bool
    ids: int
    mask: int
    value: int
    passes: int


class Drop(NamedTuple):
    """A loss that the recorder itself reported; `frames` is None where it doesn't say how many.

    A bus that it did not hear for a while is one too: from `start_ns` to `time_ns`.
    """

    time_ns: int | None
    bus: str | None
    frames: int | None
    text: str
    start_ns: int | None = None


class ClockSet(NamedTuple):
    """A step of the wall clock that the recorder noticed at `time_ns`: it was set, or the computer slept."""

    time_ns: int
    step_ns: int
    text: str


_ONE_RATE = 0.1
"""Rates closer than this are one: a bus of 83.333 kbit/s, or one that nobody gives in round numbers."""


def contradicted(given: BitRate, shown: BitRate) -> bool:
    """Whether frames show another bit rate than the one that somebody gives."""
    if not given.bits_per_s or not shown.bits_per_s or given.source == "guessed":
        return False
    return abs(given.bits_per_s / shown.bits_per_s - 1) > _ONE_RATE


@dataclass(frozen=True, slots=True, eq=False)
class BusFigures:
    """One bus.

    Attributes
    ----------
    name, interfaces
        Bus name, and what the capture calls it.
    bitrate
        What loads are computed with.
    shown
        The bit rate that the spacings of the frames show, whoever says another.
    frames
        All frames; `data_frames`, `remote_frames`, `error_frames` add up to it. `fd_frames`, `transmitted` and
        `untimed` are counted among them.
    first_ns, last_ns
        First and last timed frame in the order of the capture.
    seconds
        Recorded time: last minus first, jumps backwards taken out; 0 if nothing was timed.
    bits, data_bits
        Exact bits on the wire at the nominal and the data bit rate: stuff bits and 3 bits of interframe space
        included; a remote frame counts as the frame without data that it is, an error frame on the wire as 20 + 3
        bits (the longest error flag), a report of a controller's state as none.
    load
        Mean over `seconds`, 0..1; None without a bit rate, without time, or where frames have no time. The first
        frame, which ended when that time began, doesn't count.
    peak_100ms, peak_1s
        Busiest windows, wherever they begin; so at least as busy as any of `windows`, which lie on a grid, but where
        the clock went back. In a shorter recording all of it, with its mean.
    windows, slow_windows
        100 ms and 1 s windows.
    spacing, errors, silences, steps_back, filters
        See there. `steps_back` holds the first 1000; `steps_back_count` counts all.
    host_stamped
        Whether a computer stamped the frames when it got round to them, so that stamps are late by what it was busy
        with: "clock" (the capture says so), "spacings" (one in a hundred or more is impossible on a wire), or
        "unknown".
    """

    name: str
    interfaces: tuple[str, ...]
    bitrate: BitRate
    shown: BitRate
    frames: int
    data_frames: int
    remote_frames: int
    error_frames: int
    fd_frames: int
    transmitted: int
    untimed: int
    first_ns: int | None
    last_ns: int | None
    seconds: float
    bits: int
    data_bits: int
    load: float | None
    peak_100ms: Peak | None
    peak_1s: Peak | None
    windows: LoadWindows
    slow_windows: LoadWindows
    spacing: Spacing
    errors: ErrorFigures
    silences: Silences
    steps_back: tuple[ClockStep, ...]
    steps_back_count: int
    filters: tuple[CommonFilter, ...]
    host_stamped: HostStamped = "unknown"

    @property
    def contradicted(self) -> bool:
        """Whether the frames show another bit rate than the one that somebody gives."""
        return contradicted(self.bitrate, self.shown)


@dataclass(frozen=True, slots=True)
class ModuleFigures:
    """What one module sent on one bus; the module of a message comes from the car file, then from the database.

    Attributes
    ----------
    name, bus
        The module.
    ids
        Its identifiers that were seen.
    never_came
        Its messages that never came; only for modules of a database or car file.
    frames, bits, share, load
        Sums over its identifiers; `share` of the bits of the bus, `load` of the bus's capacity.
    first_ns, last_ns
        First and last frame.
    """

    name: str
    bus: str
    ids: tuple[FrameName, ...]
    never_came: tuple[NeverCame, ...]
    frames: int
    bits: int
    share: float
    load: float | None
    first_ns: int | None
    last_ns: int | None


@dataclass(frozen=True, slots=True, eq=False)
class CaptureFigures:
    """The recording itself.

    Attributes
    ----------
    frames, untimed
        All frames of all buses; those without a time, for which no rate is given.
    first_ns, last_ns
        Earliest and latest time of any frame.
    duplicates
        Frames that came twice, by pair of buses.
    drops
        Losses that the recorder reported, in events and as receive overflows in error frames (`frames` None).
    dropped
        Sum of the counts given; None where nothing was reported.
    bad_lines
        Problems of the reader by reason, as far as they were given.
    unlisted
        Frames of identifiers beyond the number that is told apart.
    clock_set
        Steps of its wall clock that the recorder noticed.
    """

    frames: int
    untimed: int
    first_ns: int | None
    last_ns: int | None
    duplicates: tuple[Duplicates, ...]
    drops: tuple[Drop, ...]
    dropped: int | None
    bad_lines: Mapping[str, int]
    unlisted: int
    clock_set: tuple[ClockSet, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class BusHealth:
    """Everything that was measured.

    Attributes
    ----------
    capture
        The recording itself.
    buses
        By name, in the order in which they appear.
    ids
        By bus and identifier, in order of bus and identifier. Data frames only have entries of their own; remote
        frames are counted there too.
    only_asked
        Remote frames by identifier, of those that no data frame came of: what somebody asks for and nobody sends.
    modules
        By (bus, module).
    gap_groups
        Silences that belong together, by time: who stopped, and how it came back. See `GapGroup`. Where there are
        more than `GROUPS_KEPT`, those with the most members.
    gap_groups_count
        All of them.
    """

    capture: CaptureFigures
    buses: Mapping[str, BusFigures]
    ids: Mapping[FrameName, IdFigures]
    modules: Mapping[tuple[str, str], ModuleFigures]
    gap_groups: tuple[GapGroup, ...]
    gap_groups_count: int
    only_asked: Mapping[FrameName, int] = field(default_factory=dict)

    GROUPS_KEPT = 500

    def keys(self) -> dict[str, set[tuple[int, bool]]]:
        """Return the identifiers that came, each with whether it has 29 bits, by bus name."""
        found: dict[str, set[tuple[int, bool]]] = {}
        for name in self.ids:
            found.setdefault(name.bus, set()).add((name.id, name.extended))
        return found

    def ids_of(self, bus: str) -> Iterator[IdFigures]:
        """Return the identifiers of one bus."""
        return (figures for name, figures in self.ids.items() if name.bus == bus)
