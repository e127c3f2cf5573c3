"""Recordings of the Wrenfell that were damaged afterwards: one fault each, made from a clean run's columns.

Nothing here is shared with the detectors, nor with the fault injection of the simulator: a second hand breaks the car.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import numpy as np
import numpy.typing as npt

from buswright.frames.table import Flag, Frames, concatenate
from buswright.frames.wire.arbitration import arbitrate, rank
from buswright.frames.wire.bits import wire_bits
from buswright.simulate.car import networks as car
from buswright.simulate.car.definition import Message
from buswright.simulate.run import simulate_run

Rows = npt.NDArray[np.intp]
Mask = npt.NDArray[np.bool_]
SECOND = 1_000_000_000
BITRATES = {0: 500_000, 1: 1_000_000}
MESSAGES = {(0 if m.bus == "engine" else 1, m.id): m for m in car.messages()}
ENGINE, CHASSIS = 0, 1


@cache
def clean(seconds: float, seed: int) -> Frames:
    return concatenate(list(simulate_run(seconds, seed)))


def start_of(frames: Frames) -> int:
    return int(frames.time_ns[0])


def ended(frames: Frames, last_s: float) -> float:
    return min(last_s, int(frames.time_ns[-1] - frames.time_ns[0]) / SECOND)


def between(frames: Frames, first_s: float, last_s: float) -> Mask:
    seconds = (frames.time_ns - start_of(frames)) / SECOND
    return (seconds >= first_s) & (seconds < last_s)


def of_ids(frames: Frames, bus: int, ids: Sequence[int]) -> Mask:
    return (frames.bus == bus) & np.isin(frames.id, ids)


def ids_of(module: str) -> list[int]:
    return [m.id for m in MESSAGES.values() if m.sender == module]


def of_module(frames: Frames, module: str) -> Mask:
    bus = next(bus for (bus, _), m in MESSAGES.items() if m.sender == module)
    return of_ids(frames, bus, ids_of(module))


def with_times(frames: Frames, time_ns: npt.NDArray[np.int64]) -> Frames:
    """The same frames at other times, in the order of time."""
    moved = replace(frames, time_ns=np.array(time_ns, dtype=np.int64))
    return moved.take(np.argsort(moved.time_ns, kind="stable"))


def together(*parts: Frames) -> Frames:
    joined = concatenate(list(parts))
    return joined.take(np.argsort(joined.time_ns, kind="stable"))


def on_the_wire(frames: Frames) -> Frames:
    """Put frames that overlap one behind the other, as arbitration does."""
    duration = np.zeros(len(frames), dtype=np.int64)
    bits = wire_bits(frames)
    for bus, rate in BITRATES.items():
        own = frames.bus == bus
        duration[own] = (bits.nominal[own].astype(np.int64) * SECOND) // rate
    time_ns = frames.time_ns.copy()
    order = np.arange(len(frames))
    for bus in BITRATES:
        rows = np.flatnonzero(frames.bus == bus)
        released = frames.time_ns[rows] - duration[rows]
        by_release = np.argsort(released, kind="stable")
        rows = rows[by_release]
        ranks = np.array(
            [rank(int(i), bool(f & Flag.EXTENDED)) for i, f in zip(frames.id[rows], frames.flags[rows], strict=True)]
        )
        who, starts = arbitrate(released[by_release], ranks, duration[rows])
        time_ns[rows[who]] = (starts + duration[rows[who]]) // 1000 * 1000
    return with_times(frames.take(order), time_ns)


def rewritten(frames: Frames, rows: Rows, payload: npt.NDArray[np.uint8]) -> Frames:
    whole = frames.payload.copy()
    whole[rows] = payload
    return replace(frames, payload=whole)


def counted(message: Message, payload: npt.NDArray[np.uint8], number: npt.NDArray[np.int64]) -> npt.NDArray[np.uint8]:
    """Payloads with a counter and a fitting checksum."""
    out = payload[:, : message.length].copy()
    if message.counter:
        message.counter.insert(out, number)
    if message.checksum:
        message.checksum.fill(out, message.id)
    whole = payload.copy()
    whole[:, : message.length] = out
    return whole


# Capture --------------------------------------------------------------------------------------------------------------


def dropped(frames: Frames, at_s: Sequence[float], length_s: float, bus: int | None = None) -> Frames:
    lost = np.zeros(len(frames), dtype=bool)
    for start in at_s:
        lost |= between(frames, start, start + length_s)
    if bus is not None:
        lost &= frames.bus == bus
    return frames.take(~lost)


def dropped_singly(frames: Frames, share: float, bus: int, seed: int) -> Frames:
    rng = np.random.default_rng(seed)
    return frames.take((frames.bus != bus) | (rng.random(len(frames)) >= share))


def clock_jumped(frames: Frames, at_s: float, by_s: float) -> Frames:
    later = between(frames, at_s, np.inf)
    return replace(frames, time_ns=frames.time_ns + later * round(by_s * SECOND))


def echoed(frames: Frames, bus: int, first_s: float, last_s: float) -> Frames:
    twice = frames.take((frames.bus == bus) & between(frames, first_s, last_s))
    return together(frames, replace(twice, time_ns=twice.time_ns + 20_000))


def echoed_partly(frames: Frames, rows: Mask, seed: int, first_s: float = -1.0, last_s: float = 99.0) -> Frames:
    """Copies of some frames, each 0.1 to 0.3 ms after its original."""
    twice = frames.take(rows & between(frames, first_s, last_s))
    after = np.random.default_rng(seed).integers(100, 300, len(twice)) * 1000
    return together(frames, replace(twice, time_ns=twice.time_ns + after))


def share_of(frames: Frames, share: float, bus: int, seed: int) -> Mask:
    picked: Mask = (frames.bus == bus) & (np.random.default_rng(seed).random(len(frames)) < share)
    return picked


def stamped_by_host(frames: Frames, bus: int, every_ms: float) -> Frames:
    """Fetched together every few milliseconds, stamped a few microseconds apart."""
    step = round(every_ms * 1e6)
    own = frames.bus == bus
    fetched = -(-frames.time_ns[own] // step) * step
    first = np.concatenate([[True], fetched[1:] != fetched[:-1]])
    nth = np.arange(len(fetched)) - np.maximum.accumulate(np.where(first, np.arange(len(fetched)), 0))
    time_ns = frames.time_ns.copy()
    time_ns[own] = fetched + nth * 8_000
    return with_times(frames, time_ns)


def filtered(frames: Frames, bus: int, mask: int, value: int, first_s: float = -1.0) -> Frames:
    return frames.take((frames.bus != bus) | (frames.id & mask == value) | ~between(frames, first_s, np.inf))


# Bus ------------------------------------------------------------------------------------------------------------------


def errors(bus: int, time_ns: npt.NDArray[np.int64], like: Frames, kind: int = 0x88) -> Frames:
    """Linux error frames: protocol violation and bus error, or another class."""
    count = len(time_ns)
    payload = np.zeros((count, 8), dtype=np.uint8)
    payload[:, 2] = 0x04
    return Frames(
        time_ns=np.sort(time_ns).astype(np.int64),
        bus=np.full(count, bus, dtype=np.uint8),
        id=np.full(count, kind, dtype=np.uint32),
        flags=np.full(count, Flag.ERROR, dtype=np.uint8),
        dlc=np.full(count, 8, dtype=np.uint8),
        length=np.full(count, 8, dtype=np.uint8),
        payload=payload,
        buses=like.buses,
    )


def with_errors(frames: Frames, bus: int, per_second: float, first_s: float, last_s: float, seed: int) -> Frames:
    rng = np.random.default_rng(seed)
    count = max(1, round(per_second * (last_s - first_s)))
    times = start_of(frames) + (rng.uniform(first_s, last_s, count) * SECOND).astype(np.int64)
    return together(frames, errors(bus, times, frames))


def burst(frames: Frames, bus: int, at_s: float, count: int) -> Frames:
    times = start_of(frames) + round(at_s * SECOND) + np.arange(count) * 500_000
    return together(frames, errors(bus, times.astype(np.int64), frames))


def babbling(frames: Frames, bus: int, identifier: int, every_s: float, first_s: float, last_s: float) -> Frames:
    one = frames.take(np.flatnonzero(of_ids(frames, bus, [identifier]))[:1])
    times = np.arange(round(first_s * SECOND), round(last_s * SECOND), round(every_s * SECOND)) + start_of(frames)
    more = one.take(np.zeros(len(times), dtype=np.intp))
    return on_the_wire(together(frames, replace(more, time_ns=times.astype(np.int64))))


def crowded(frames: Frames, bus: int, count: int, every_s: float, first_s: float, last_s: float) -> Frames:
    """More modules on the bus: `count` new messages of eight bytes."""
    some = frames.take(np.flatnonzero(frames.bus == bus)[:1])
    parts = [frames]
    for number in range(count):
        times = np.arange(first_s + number * every_s / count, ended(frames, last_s), every_s)
        more = some.take(np.zeros(len(times), dtype=np.intp))
        payload = np.random.default_rng(number).integers(0, 256, (len(times), 8), dtype=np.uint8)
        parts.append(
            replace(
                more,
                time_ns=start_of(frames) + (times * SECOND).astype(np.int64),
                id=np.full(len(times), 0x001 + number, dtype=np.uint32),
                length=np.full(len(times), 8, dtype=np.uint8),
                dlc=np.full(len(times), 8, dtype=np.uint8),
                payload=payload,
            )
        )
    return on_the_wire(together(*parts))


def unacknowledged(frames: Frames, bus: int, first_s: float, last_s: float) -> Frames:
    """Nobody else is on the bus: one frame is repeated for ever."""
    stretch = (frames.bus == bus) & between(frames, first_s, last_s)
    one = frames.take(np.flatnonzero(stretch)[:1])
    times = np.arange(round(first_s * SECOND), round(last_s * SECOND), 280_000) + start_of(frames)
    more = one.take(np.zeros(len(times), dtype=np.intp))
    return together(frames.take(~stretch), replace(more, time_ns=times.astype(np.int64)))


# Modules --------------------------------------------------------------------------------------------------------------


def silent(frames: Frames, modules: Sequence[str], first_s: float, last_s: float) -> Frames:
    gone = np.zeros(len(frames), dtype=bool)
    for module in modules:
        gone |= of_module(frames, module)
    return frames.take(~(gone & between(frames, first_s, last_s)))


def reset(frames: Frames, modules: Sequence[str], at_s: float, length_s: float, seed: int) -> Frames:
    """Silent for a time; then the module starts as it did at key-on, payloads, counters and all."""
    rng = np.random.default_rng(seed)
    parts = []
    rest = np.ones(len(frames), dtype=bool)
    end = int(frames.time_ns[-1])
    for module in modules:
        own = of_module(frames, module)
        rest &= ~own
        stream = frames.take(own)
        began = start_of(frames) + round((at_s + length_s + rng.uniform(0, 0.08)) * SECOND)
        again = replace(stream, time_ns=stream.time_ns - int(stream.time_ns[0]) + began)
        parts += [
            stream.take(stream.time_ns < start_of(frames) + round(at_s * SECOND)),
            again.take(again.time_ns <= end),
        ]
    return on_the_wire(together(frames.take(rest), *parts))


def restarted(frames: Frames, module: str, at_s: Sequence[float], lengths_s: Sequence[float], seed: int) -> Frames:
    """Several restarts, each with the payloads and counters of key-on again."""
    rng = np.random.default_rng(seed)
    own = of_module(frames, module)
    stream = frames.take(own)
    offsets = [
        start_of(frames) + round((at + n + rng.uniform(0, 0.08)) * SECOND)
        for at, n in zip(at_s, lengths_s, strict=True)
    ]
    begins = [int(stream.time_ns[0]), *offsets]
    ends = [*(start_of(frames) + round(at * SECOND) for at in at_s), int(frames.time_ns[-1]) + 1]
    parts = []
    for begin, end in zip(begins, ends, strict=True):
        again = replace(stream, time_ns=stream.time_ns - int(stream.time_ns[0]) + begin)
        parts.append(again.take(again.time_ns < end))
    return on_the_wire(together(frames.take(~own), *parts))


def off_the_bus(frames: Frames, module: str, at_s: float, length_s: float, *, reported: bool = True) -> Frames:
    bus = next(bus for (bus, _), m in MESSAGES.items() if m.sender == module)
    quiet = silent(frames, [module], at_s, at_s + length_s)
    return burst(quiet, bus, at_s - 0.01, 24) if reported else quiet


def cycled(frames: Frames, at_s: float, length_s: float, seed: int) -> Frames:
    return reset(frames, [node.name for node in car.NODES], at_s, length_s, seed)


# Identifiers ----------------------------------------------------------------------------------------------------------


def lost(frames: Frames, bus: int, identifier: int, share: float, first_s: float, last_s: float, seed: int) -> Frames:
    rng = np.random.default_rng(seed)
    gone = of_ids(frames, bus, [identifier]) & between(frames, first_s, last_s) & (rng.random(len(frames)) < share)
    return frames.take(~gone)


def skipped(
    frames: Frames, bus: int, identifier: int, share: float, first_s: float, last_s: float, seed: int
) -> Frames:
    """As `lost`, but the counter of what remains goes on without a step."""
    left = lost(frames, bus, identifier, share, first_s, last_s, seed)
    rows = np.flatnonzero(of_ids(left, bus, [identifier]))
    message = MESSAGES[bus, identifier]
    return rewritten(left, rows, counted(message, left.payload[rows], np.arange(len(rows))))


def gone(frames: Frames, bus: int, identifier: int, first_s: float, last_s: float) -> Frames:
    return frames.take(~(of_ids(frames, bus, [identifier]) & between(frames, first_s, last_s)))


def jittery(frames: Frames, bus: int, ids: Sequence[int], share: float, seed: int) -> Frames:
    """Each frame later by a random part of its period."""
    rng = np.random.default_rng(seed)
    time_ns = frames.time_ns.copy()
    for identifier in ids:
        rows = np.flatnonzero(of_ids(frames, bus, [identifier]))
        period = MESSAGES[bus, identifier].period_ms * 1e6
        time_ns[rows] += (rng.uniform(0, share, len(rows)) * period).astype(np.int64)
    return on_the_wire(with_times(frames, time_ns))


def two_senders(
    frames: Frames, bus: int, identifier: int, phase: float, ppm: float, first_s: float, last_s: float
) -> Frames:
    """A second module sends the same identifier, on its own clock, with other values and its own counter."""
    message = MESSAGES[bus, identifier]
    rows = np.flatnonzero(of_ids(frames, bus, [identifier]) & between(frames, first_s, last_s))
    second = frames.take(rows)
    times = second.time_ns - second.time_ns[0]
    times = second.time_ns[0] + (times * (1 + ppm * 1e-6)).astype(np.int64) + round(phase * message.period_ms * 1e6)
    payload = counted(message, second.payload ^ np.uint8(0x5A), np.arange(len(rows)) + 7)
    return on_the_wire(together(frames, replace(second, time_ns=times, payload=payload)))


def frozen(frames: Frames, bus: int, identifier: int, first_s: float, last_s: float) -> Frames:
    rows = np.flatnonzero(of_ids(frames, bus, [identifier]) & between(frames, first_s, last_s))
    return rewritten(frames, rows, np.repeat(frames.payload[rows[:1]], len(rows), axis=0))


def miscounted(frames: Frames, bus: int, identifier: int, share: float, step: int, seed: int) -> Frames:
    rng = np.random.default_rng(seed)
    rows = np.flatnonzero(of_ids(frames, bus, [identifier]))
    number = np.arange(len(rows)) + np.cumsum((rng.random(len(rows)) < share) * step)
    return rewritten(frames, rows, counted(MESSAGES[bus, identifier], frames.payload[rows], number))


def wrong_checksums(frames: Frames, bus: int, identifier: int, share: float, seed: int) -> Frames:
    rng = np.random.default_rng(seed)
    rows = np.flatnonzero(of_ids(frames, bus, [identifier]))
    rows = rows[rng.random(len(rows)) < share]
    payload = frames.payload[rows].copy()
    checksum = MESSAGES[bus, identifier].checksum
    assert checksum is not None
    payload[:, checksum.byte] ^= 0x55
    return rewritten(frames, rows, payload)


def cut_short(frames: Frames, bus: int, identifier: int, length: int, first_s: float, last_s: float) -> Frames:
    rows = of_ids(frames, bus, [identifier]) & between(frames, first_s, last_s)
    size = np.where(rows, length, frames.length).astype(np.uint8)
    payload = frames.payload.copy()
    payload[rows, length:] = 0
    return replace(frames, length=size, dlc=np.where(rows, length, frames.dlc).astype(np.uint8), payload=payload)


def stranger(frames: Frames, bus: int, identifier: int, every_s: float, first_s: float, last_s: float) -> Frames:
    some = frames.take(np.flatnonzero(frames.bus == bus)[:1])
    times = np.arange(first_s, ended(frames, last_s), every_s)
    more = some.take(np.zeros(len(times), dtype=np.intp))
    payload = np.random.default_rng(5).integers(0, 256, (len(times), 8), dtype=np.uint8)
    more = replace(
        more,
        time_ns=start_of(frames) + (times * SECOND).astype(np.int64),
        id=np.full(len(times), identifier, dtype=np.uint32),
        length=np.full(len(times), 8, dtype=np.uint8),
        dlc=np.full(len(times), 8, dtype=np.uint8),
        payload=payload,
    )
    return on_the_wire(together(frames, more))
