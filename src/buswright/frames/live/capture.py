"""Live buses as a capture that isn't finished: the same batches, events and problems as of a recorded one."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType

import numpy as np

from buswright.errors import UserError
from buswright.frames.captures.capture import Capture
from buswright.frames.formats.reading import Reading
from buswright.frames.live.address import LiveAddress, parse_all
from buswright.frames.live.buffer import CAPACITY
from buswright.frames.live.bus import Opened, Opener, interface_is_up, open_bus
from buswright.frames.live.lane import Lane, wall_ns
from buswright.frames.live.listen_only import Listening, Proof, prove, warning
from buswright.frames.table import Bools, Clock, Event, Frames, Int64s, concatenate, empty_frames

BATCH_S = 0.03
"""Batches come out this often while frames arrive."""
HOLD_NS = 20_000_000
"""With several buses, frames wait this long for earlier ones of the others."""
LOOK_S = 0.5
"""Drop counters, interface states and clocks are looked at this often."""
STILL_S = 1.0
"""A wait of some milliseconds that takes this much longer: this program did not run meanwhile."""
CLOCK_STEP_NS = 50_000_000
"""A wall clock that moves against the monotonic one by more than this between two looks was set."""
CLOSE_S = 5.0
"""A receiving thread that neither ends nor brings anything for so long is left behind."""


@dataclass(frozen=True, slots=True)
class Drops:
    """Frames lost on the way from one bus to this program, so far.

    Attributes
    ----------
    queue
        In this program: it could not keep up.
    kernel
        By where the kernel counts them, "socket" or "interface"; None where it can't be asked.
    """

    queue: int
    kernel: Mapping[str, int | None]

    @property
    def lost(self) -> int:
        """How many, of those that are counted."""
        return self.queue + sum(number or 0 for number in self.kernel.values())

    @property
    def known(self) -> bool:
        """Whether any kernel counter can be read; if not, it is unknown what the kernel dropped."""
        return any(count is not None for count in self.kernel.values())


@dataclass(slots=True)
class _Watch:
    """What was last seen of one bus besides its frames; counters by where the kernel counts."""

    lane: Lane
    queue: int = 0
    seen: dict[str, int | None] = field(default_factory=dict)
    lost: dict[str, int] = field(default_factory=dict)
    up: bool | None = None
    damaged: int = 0
    latest: int = int(np.iinfo(np.int64).min)


class LiveCapture(Capture):
    """Live buses on one time base: iterate it for batches until it is closed; it can be read only once.

    Time is that of the host's clock since the epoch, quantised to a microsecond on receipt, so that what is
    computed live equals what its recording gives. A gap in receiving, a drop, a change of the wall clock is an
    event; receiving goes on.

    Attributes
    ----------
    addresses
        The buses, in the order of `buses`.
    proofs
        By bus name, what is known of its listening only.
    ends
        Told the time of the first frame, returns when to end, or None; see `stop_at`.
    """

    def __init__(
        self, addresses: Sequence[LiveAddress], lanes: Sequence[Lane], proofs: Mapping[str, Proof], *, bench: bool
    ) -> None:
        self.addresses = tuple(addresses)
        self.proofs = MappingProxyType(dict(proofs))
        self.bench = bench
        self.paths = tuple(Path(f"live:{address.backend}/{address.name}") for address in addresses)
        self.format = "live"
        self.size = 0
        self._reading = Reading(", ".join(address.text for address in addresses))
        for address in addresses:
            self._reading.bus(address.name)
        stamps = {lane.stamped_by for lane in lanes}
        self._reading.clock = Clock("epoch", stamps.pop() if len(stamps) == 1 else "unknown", 1000, "")
        self._lanes = tuple(lanes)
        self._watches = tuple(map(_Watch, lanes))
        self._waiting: tuple[Frames, Int64s] = (empty_frames(self.buses), np.zeros(0, dtype=np.int64))
        self._stopped = threading.Event()
        self._ended = False
        self._first_ns: int | None = None
        self._ends: Callable[[int], int | None] = lambda first_ns: None  # noqa: ARG005
        self._end_ns: int | None = None
        self._runs_ns: int | None = None
        self._running = False
        self._next_look = 0.0
        self._clock_offset = time.time_ns() - time.monotonic_ns()

    def __enter__(self) -> LiveCapture:
        return self

    def __exit__(self, *fault: object) -> None:
        self.close()

    def __iter__(self) -> Iterator[Frames]:
        """Yield batches until `stop`, or the time of `stop_at`; then close."""
        if self._ended:
            raise RuntimeError("a live capture can be read only once: record it to read it again")
        try:
            while not self._stopped.is_set():
                frames = self.poll()
                if len(frames):
                    yield frames
        finally:
            self.close()
        last = self.poll(0.0)
        if len(last):
            yield last

    def poll(self, wait_s: float = BATCH_S) -> Frames:
        """Return what has come since the last call, after waiting up to `wait_s`; a batch may be empty."""
        deadline = time.monotonic() + wait_s
        while not any(lane.buffer.half_full for lane in self._lanes):
            left = deadline - time.monotonic()
            if left <= 0 or self._wait(min(left, BATCH_S)):
                break
        self._look()
        frames = self._in_order([self._taken(watch) for watch in self._watches])
        if self._first_ns is None and len(frames):
            self._first_ns = int(frames.time_ns[0])
            self._end_ns = self._ends(self._first_ns)
            if self._end_ns is not None and self._running:
                self._runs_ns = time.monotonic_ns() + self._end_ns - wall_ns()
        return frames if self._end_ns is None else self._until(self._end_ns, frames)

    def _until(self, end_ns: int, frames: Frames) -> Frames:
        """Leave out what came after the end; some time behind it, stop."""
        late_ns = wall_ns() - end_ns if self._runs_ns is None else time.monotonic_ns() - self._runs_ns
        if late_ns > 10 * HOLD_NS:
            self._stopped.set()
        inside = frames.time_ns <= end_ns
        return frames if late_ns < 0 or inside.all() else frames.take(inside)

    def _wait(self, seconds: float) -> bool:
        """Wait; return whether it is to end."""
        begun = time.monotonic()
        stopped = self._stopped.wait(seconds)
        still = time.monotonic() - begun - seconds
        if still > STILL_S:
            text = f"this program did not run for {still:.1f} s: it was suspended, or the computer was too busy"
            self._say("note", None, text, still_s=still)
        return stopped

    def stop(self) -> None:
        """End the iteration after what has come so far; may be called from a signal handler or another thread."""
        self._stopped.set()

    @property
    def stopped(self) -> bool:
        """Whether it was asked to end."""
        return self._stopped.is_set()

    def stop_at(self, ends: Callable[[int], int | None], *, running: bool = False) -> None:
        """Have it stop by itself at a time that is known once the first frame's is (both in nanoseconds).

        With `running` it is that much time after the first frame, whatever becomes of the wall clock meanwhile.
        """
        self._ends, self._running = ends, running

    def close(self) -> None:
        """Stop receiving and close the interfaces. What has been received can still be polled."""
        self._stopped.set()
        if self._ended:
            return
        self._ended = True
        self._look(now=True)  # a closed socket has no counter
        for lane in self._lanes:
            lane.stop()
        deadline = time.monotonic() + CLOSE_S
        while not all(lane.join(BATCH_S) for lane in self._lanes) and time.monotonic() < deadline:
            if any(lane.buffer.half_full for lane in self._lanes):
                self._hold()
                deadline = time.monotonic() + CLOSE_S

    def first_time_ns(self) -> int | None:
        """Time of the first frame; None while there was none."""
        return self._first_ns

    @property
    def drops(self) -> dict[str, Drops]:
        """Frames lost so far, by bus name."""
        result = {}
        for watch in self._watches:
            kernel = {where: None if seen is None else watch.lost.get(where, 0) for where, seen in watch.seen.items()}
            result[watch.lane.address.name] = Drops(watch.queue, kernel)
        return result

    @property
    def connected(self) -> dict[str, bool]:
        """By bus name, whether it is being received at the moment."""
        return {lane.address.name: lane.connected for lane in self._lanes}

    # Frames ----------------------------------------------------------------------------------------------------------

    def _taken(self, watch: _Watch) -> tuple[Frames, Int64s]:
        """Return a lane's frames, with a key for merging that never falls: time that goes back stays in its lane."""
        lane = watch.lane
        columns, dropped = lane.buffer.take(lane.index)
        if dropped:
            watch.queue += dropped
            self._drop(lane, "queue", dropped, watch.queue, "this program could not keep up")
        key: Int64s = np.maximum.accumulate(np.maximum(columns.time_ns, watch.latest))
        if len(key):
            watch.latest = int(key[-1])
        return columns.freeze(self._reading.buses), key

    def _hold(self) -> None:
        """Keep what came until the next poll: the lanes need the room."""
        parts = [self._waiting, *map(self._taken, self._watches)]
        self._waiting = concatenate([part for part, _ in parts]), np.concatenate([key for _, key in parts])

    def _in_order(self, parts: list[tuple[Frames, Int64s]]) -> Frames:
        """Merge the lanes by time. What is very new waits for the next batch, once, in case another lane is late."""
        if len(parts) == 1 and not len(self._waiting[1]):
            return parts[0][0]
        frames = concatenate([self._waiting[0], *(part for part, _ in parts)])
        key = np.concatenate([self._waiting[1], *(part_key for _, part_key in parts)])
        order = np.argsort(key, kind="stable")
        waits: Bools = key > wall_ns() - HOLD_NS
        waits[: len(self._waiting[1])] = False
        if self._stopped.is_set():
            waits[:] = False
        stay, go = order[waits[order]], order[~waits[order]]
        self._waiting = (frames.take(stay), key[stay])
        return frames.take(go)

    # What is not a frame ---------------------------------------------------------------------------------------------

    def _look(self, *, now: bool = False) -> None:
        """Collect what the lanes have to say; now and then look at counters, interfaces and clocks."""
        for watch in self._watches:
            while watch.lane.damaged:
                reason, text = watch.lane.damaged.popleft()
                self._reading.problems.add(reason, watch.lane.address.text, 0, text)
                watch.damaged += 1
            while watch.lane.events:
                self._reading.events.append(watch.lane.events.popleft())
        self._look_at_clock()
        if not now and time.monotonic() < self._next_look:
            return
        self._next_look = time.monotonic() + LOOK_S
        for watch in self._watches:
            self._look_at_counters(watch)
            self._look_at_damage(watch)
            if watch.lane.address.backend == "socketcan":
                self._look_at_interface(watch)

    def _look_at_clock(self) -> None:
        offset = time.time_ns() - time.monotonic_ns()
        step = offset - self._clock_offset
        self._clock_offset = offset
        if abs(step) > CLOCK_STEP_NS:
            if self._end_ns is not None and self._running:
                self._end_ns += step
            text = f"the wall clock moved by {step / 1e9:+.3f} s: it was set, or the computer slept"
            self._say("clock", None, text, step_s=step / 1e9)

    def _look_at_counters(self, watch: _Watch) -> None:
        counts = {where: counter() for where, counter in watch.lane.opened.counters.items()}
        for where, count in counts.items():
            before = watch.seen.get(where)
            if count is None or before is None or count <= before:
                continue  # unknown, the first look, no change, or a counter that restarted with its interface
            watch.lost[where] = watch.lost.get(where, 0) + count - before
            self._drop(watch.lane, where, count - before, watch.lost[where], f"counted by the kernel's {where}")
        watch.seen = {where: watch.seen.get(where) if count is None else count for where, count in counts.items()}

    def _look_at_damage(self, watch: _Watch) -> None:
        if watch.damaged:
            name, damaged = watch.lane.address.name, watch.damaged
            watch.damaged = 0
            text = f"{damaged} messages of {name} could not be read: garbled between the adapter and this program"
            self._say("note", name, text, damaged=damaged)

    def _look_at_interface(self, watch: _Watch) -> None:
        address = watch.lane.address
        up = interface_is_up(address.channel)
        if watch.up is not None and up is not watch.up:
            state = {True: "up", False: "down", None: "gone"}[up]
            self._say("interface", address.name, f"{address.name} is {state}", state=state)
        watch.up = up

    def _drop(self, lane: Lane, where: str, dropped: int, total: int, why: str) -> None:
        name = lane.address.name
        text = f"{dropped} frames of {name} dropped ({total} so far): {why}"
        self._say("drop", name, text, dropped=dropped, total=total, where=where)

    def _say(self, kind: str, bus: str | None, text: str, **values: float | int | str) -> None:
        self._reading.events.append(Event(wall_ns(), bus, kind, MappingProxyType(values), text))


def open_live(
    sources: Sequence[str | LiveAddress],
    *,
    may_acknowledge: bool = False,
    bench: bool = False,
    opener: Opener = open_bus,
    proving: Callable[[LiveAddress], Proof] = prove,
    capacity: int = CAPACITY,
) -> LiveCapture:
    """Open live buses for listening.

    Parameters
    ----------
    sources
        `live:` addresses.
    may_acknowledge
        The user accepts adapters whose listening only can't be proven.
    bench
        The module on this bench has no other partner: don't even ask the adapter to listen only. Implies the
        above.
    opener, proving
        How buses are opened and checked; tests put their own here.
    capacity
        Frames that fit between two batches of one bus.

    Raises
    ------
    UserError
        An address is wrong, an interface is down or can't be opened, or it may acknowledge frames and the user
        has not accepted that; the text says how to set it.
    """
    addresses = parse_all([str(source) for source in sources])
    proofs = {address.name: proving(address) for address in addresses}
    if not (may_acknowledge or bench):
        for address in addresses:
            if not proofs[address.name].safe:
                raise UserError(
                    warning(address, proofs[address.name]),
                    hint="set listen-only, or accept the risk with --may-acknowledge",
                )
    lanes: list[Lane] = []
    try:
        for address in addresses:
            if address.backend == "socketcan" and interface_is_up(address.channel) is False:
                raise UserError(f"{address}: the interface is down", hint=f"sudo ip link set {address.channel} up")
            opened = opener(address, bench)
            reopen = _reopener(address, bench, opener, proving, proofs[address.name])
            lanes.append(Lane(address, len(lanes), opened, reopen, capacity))
            # At once: the computer stamps what some adapters send when it fetches it, and the next may take seconds.
            lanes[-1].start()
    except UserError:
        for lane in lanes:
            lane.stop()
        for lane in lanes:
            lane.join(CLOSE_S)
        raise
    for lane in lanes[:-1]:
        if lane.stamped_by == "host":  # all buses begin together, or the load of the later ones would seem lower
            lane.buffer.take(lane.index)
    return LiveCapture(addresses, lanes, proofs, bench=bench)


def _reopener(
    address: LiveAddress,
    bench: bool,
    opener: Opener,
    proving: Callable[[LiveAddress], Proof],
    first: Proof,
) -> Callable[[], Opened]:
    """Open again as at first; an interface that came back in normal mode is left alone if it was proven before."""

    def reopen() -> Opened:
        if first.listening is Listening.PROVEN and not proving(address).safe:
            raise UserError(f"{address.name} came back, but not in listen-only mode")
        return opener(address, bench)

    return reopen
