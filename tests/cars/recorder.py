"""From the world to frames: sampling, circuits, noise, converters, payloads, the wire, and candump text."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from tests.cars.car import Bus, Car, Channel, Message
from tests.cars.wire import exact_bits, worst_bits
from tests.cars.world import World, coloured

Floats = np.ndarray
VoltsHook = Callable[[Floats, Floats, Floats, "Bench"], tuple[Floats, Floats]]
"""From seconds, volts without noise and noise in volts to volts and noise."""


@dataclass
class Faults:
    """What is broken, by the place where it is: each a list of functions of time."""

    value: dict[str, Callable[[Floats, Floats], Floats]] = field(default_factory=dict)
    """channel -> (seconds, value in the channel's unit at the sensor) -> value"""
    supply: dict[str, Callable[[Floats, Floats], Floats]] = field(default_factory=dict)
    """supply -> (seconds, volts) -> volts"""
    ground: dict[str, Callable[[Floats], Floats]] = field(default_factory=dict)
    """ground -> seconds -> volts on top"""
    volts: dict[str, VoltsHook] = field(default_factory=dict)
    """channel -> what its wire does"""
    code: dict[str, Callable[[Floats, Floats], Floats]] = field(default_factory=dict)
    """channel -> (seconds, raw integer of the signal) -> raw integer"""
    gaps: dict[str, list[tuple[float, float]]] = field(default_factory=dict)
    """module -> times without its frames, after each of which it starts anew"""
    dips: list[tuple[str, float, float, float]] = field(default_factory=list)
    """(module, from, to, volts) of its supply"""
    silent: dict[str, list[tuple[float, float]]] = field(default_factory=dict)
    """message -> times in which frames are lost"""
    lost: dict[str, float] = field(default_factory=dict)
    """message -> share of frames lost"""
    frozen: dict[str, list[tuple[float, float]]] = field(default_factory=dict)
    """message -> times in which its payload is repeated"""
    dropped: list[tuple[float, float]] = field(default_factory=list)
    """times that the recorder missed"""


@dataclass
class Frames:
    """Frames of one message: seconds, payloads, and what was true at them."""

    message: Message
    times: Floats
    payload: np.ndarray


class Bench:
    """Samples a car in a world, with faults."""

    def __init__(self, car: Car, world: World, faults: Faults | None = None, seed: int = 0) -> None:
        self.car, self.world, self.faults = car, world, faults or Faults()
        self.seed = seed
        self.true: dict[str, tuple[Floats, Floats]] = {}
        self.at_input: dict[str, tuple[Floats, Floats]] = {}
        self.raw: dict[str, tuple[Floats, Floats]] = {}

    def rng(self, *words: object) -> np.random.Generator:
        """Give dice that depend on the words only, so that a fault in one place leaves all others as they were."""
        return np.random.default_rng(
            [self.car.seed, self.seed, *(sum(map(ord, str(word))) * 31 + len(str(word)) for word in words)]
        )

    # -- time ---------------------------------------------------------------------------------------------------

    def times_of(self, message: Message) -> tuple[Floats, Floats]:
        """Give the seconds of its samples and the counter at each."""
        rng = self.rng("time", message.name)
        module = message.module
        drift = 1 + float(self.rng("drift", module).normal(0, 30e-6))
        starts = [0.0]
        ends: list[float] = []
        for begin, end in sorted(self.faults.gaps.get(module, [])):
            ends.append(begin)
            starts.append(end)
        ends.append(self.car.seconds)
        times, counts = [], []
        for number, (start, end) in enumerate(zip(starts, ends, strict=True)):
            phase = float(rng.uniform(0, min(message.period, 0.1))) + 0.004
            if end - start <= phase:
                continue
            grid = (
                start
                + phase
                + np.arange(int((end - start - phase) / (message.period * drift))) * message.period * drift
            )
            times.append(grid)
            first = int(rng.integers(16)) if number == 0 else 0
            counts.append((first + np.arange(len(grid))) % 16)
        if not times:
            return np.zeros(0), np.zeros(0)
        return np.concatenate(times), np.concatenate(counts)

    # -- values -------------------------------------------------------------------------------------------------

    def supply(self, name: str, times: Floats) -> Floats:
        """Give the volts of a sensor supply."""
        volts = np.full(len(times), self.car.supply_volts)
        hook = self.faults.supply.get(name)
        return hook(times, volts) if hook else volts

    def quantity(self, channel: Channel, times: Floats) -> Floats:
        """Give what the channel should read, in its unit."""
        base, _, which = channel.quantity.partition(":")
        if base == "vref":
            values = self.supply(which, times)
        elif base == "vsup":
            module = self.car.modules[which]
            values = self.world.at("vbat", times) - module.drop - 0.002 * self.world.at("amps", times)
            for name, start, end, volts in self.faults.dips:
                if name == which:
                    values = np.where((times >= start) & (times < end), volts, values)
        else:
            values = self.world.at(channel.quantity, times)
        if channel.sensor and channel.how != "ready":
            return channel.sensor.value(values)
        return values * channel.per_unit

    def codes(self, channel: Channel, times: Floats) -> Floats:
        """Give the raw integers of a channel at these seconds."""
        rng = self.rng("noise", channel.name)
        value = self.quantity(channel, times)
        self.true[channel.name] = times, value
        hook = self.faults.value.get(channel.name)
        if hook:
            value = hook(times, value)
        value = value + channel.skew
        module = self.car.modules[channel.module]
        low, high = (
            (-(2 ** (channel.bits - 1)), 2 ** (channel.bits - 1) - 1) if channel.signed else (0, 2**channel.bits - 1)
        )
        if channel.sensor is None or channel.how == "ready":
            steps = (value - channel.offset) / channel.resolution + rng.standard_normal(len(times)) * channel.noise
            raw = np.rint(steps)
            least, most = channel.range
            if most > least:  # the module knows its own limits
                low, high = (
                    max(low, round((least - channel.offset) / channel.resolution)),
                    min(high, round((most - channel.offset) / channel.resolution)),
                )
            raw = np.clip(raw, low, high)
        elif channel.sensor.kind == "pulses":
            hertz = channel.sensor.volts(value, value)
            noise = rng.standard_normal(len(times)) * channel.noise * channel.resolution * (hertz > 0)
            self.at_input[channel.name] = times, hertz
            volts_hook = self.faults.volts.get(channel.name)
            if volts_hook:
                hertz, noise = volts_hook(times, hertz, noise, self)
            raw = np.clip(np.rint((hertz + noise) / channel.resolution), 0, high)
        else:
            raw = self._converted(channel, module, times, value, rng, high)
        code_hook = self.faults.code.get(channel.name)
        if code_hook:
            raw = code_hook(times, raw)
        self.raw[channel.name] = times, raw
        return raw

    def _converted(self, channel, module, times, value, rng, high):  # type: ignore[no-untyped-def]
        sensor = channel.sensor
        step = module.full / 2**module.bits
        own = value if channel.zero is None else value - channel.zero
        supply = self.supply(channel.supply, times) if channel.supply else np.full(len(times), 5.0)
        cold = self.world.at("t_module", times) if sensor.kind == "couple" else None
        volts = sensor.volts(own, supply, cold)
        if channel.ground:
            volts = volts + 1.2e-4 * (self.world.at("amps", times) - 6)
            ground_hook = self.faults.ground.get(channel.ground)
            if ground_hook:
                volts = volts + ground_hook(times)
        noise = rng.standard_normal(len(times)) * channel.noise * step
        hook = self.faults.volts.get(channel.name)
        if hook:
            volts, noise = hook(times, volts, noise, self)
        self.at_input[channel.name] = times, volts
        full = module.full if not module.ratio or not channel.supply else supply * module.full / 5.0
        code = np.clip(np.rint((volts + noise) / full * 2**module.bits), 0, 2**module.bits - 1)
        if channel.how == "counts":
            return np.clip(code, 0, high)
        return np.clip(np.rint(code * step * 1000 / channel.resolution), 0, high)

    # -- frames -------------------------------------------------------------------------------------------------

    def frames_of(self, message: Message) -> Frames:
        """Give the frames of a message."""
        times, counts = self.times_of(message)
        n = len(times)
        word = np.zeros(n, dtype=np.uint64)
        pages = message.lowest_page + np.arange(n) % max(message.pages, 1)
        if message.pages:
            put(word, pages, message.page_start, 8, message.big)
        for channel in self.car.of_message(message.name):
            rows = np.ones(n, dtype=bool) if channel.page is None else pages == channel.page
            part = word[rows]
            put(part, self.codes(channel, times[rows]), channel.start, channel.bits, message.big)
            word[rows] = part
        payload = words_to_bytes(word, message.big)
        keep = np.ones(n, dtype=bool)
        if message.on_change:
            changed = np.concatenate([[True], np.any(payload[1:] != payload[:-1], axis=1)])
            if message.heartbeat:  # and once in a while without a change
                beat = times // message.heartbeat
                changed |= np.concatenate([[True], beat[1:] != beat[:-1]])
            keep &= changed
            times = times + self.rng("late", message.name).uniform(0, 0.05, n)
        for start, end in self.faults.frozen.get(message.name, []):
            rows = np.flatnonzero((times >= start) & (times < end))
            if len(rows):
                payload[rows] = payload[max(rows[0] - 1, 0)]
                counts[rows] = counts[max(rows[0] - 1, 0)]
                after = times >= end
                counts[after] = (counts[after] - len(rows)) % 16
        if message.counter:
            word = bytes_to_words(payload, message.big)
            put(word, counts, message.counter_start, 4, message.big)
            payload = words_to_bytes(word, message.big)
        share = self.faults.lost.get(message.name, 0.0)
        if share:
            keep &= self.rng("lost", message.name).random(n) >= share
        for start, end in self.faults.silent.get(message.name, []):
            keep &= (times < start) | (times >= end)
        for start, end in self.faults.dropped:
            keep &= (times < start) | (times >= end)
        return Frames(message, times[keep], payload[keep])

    def record(self) -> list[Frames]:
        """Give the frames of all messages."""
        return [self.frames_of(message) for message in self.car.messages.values()]


def _shift(start: int, bits: int, big: bool) -> int:
    return (7 - start // 8) * 8 + start % 8 - bits + 1 if big else start


def put(word: np.ndarray, raw: np.ndarray, start: int, bits: int, big: bool) -> None:
    """Write integers into payload words: little-endian ones, or big-endian ones with byte 0 on top."""
    shift = _shift(start, bits, big)
    mask = (1 << bits) - 1
    word &= np.uint64(~(mask << shift) & 0xFFFF_FFFF_FFFF_FFFF)
    word |= (np.asarray(raw).astype(np.int64).astype(np.uint64) & np.uint64(mask)) << np.uint64(shift)


def words_to_bytes(word: np.ndarray, big: bool) -> np.ndarray:
    """Give the eight bytes of each word as they go over the wire."""
    return word.astype(">u8" if big else "<u8").view(np.uint8).reshape(-1, 8).copy()


def bytes_to_words(payload: np.ndarray, big: bool) -> np.ndarray:
    """Give the words back."""
    return np.ascontiguousarray(payload).view(">u8" if big else "<u8").reshape(-1).astype(np.uint64)


_HEX = np.frombuffer(b"0123456789ABCDEF", dtype=np.uint8)


def on_the_wire(car: Car, bus: Bus, frames: list[Frames], rng: np.random.Generator) -> list[Floats]:
    """Give the seconds at which each frame ends on its bus: senders jitter, and one frame waits for the other."""
    starts = [
        part.times + np.abs(rng.normal(0, min(car.jitter, 0.04 * part.message.period), len(part.times)))
        for part in frames
    ]
    counts = [len(times) for times in starts]
    if not sum(counts):
        return starts
    every = np.concatenate(starts)
    order = np.argsort(every, kind="stable")
    sent = every[order]
    bits = np.repeat([worst_bits(part.message) for part in frames], counts).astype(float)
    ends = _one_after_the_other(sent, bits[order] / bus.bitrate)
    # Only where frames meet does it matter how long they are exactly.
    meets = np.zeros(len(every), dtype=bool)
    meets[order[np.flatnonzero(np.diff(ends) < 2.2 * bits.max() / bus.bitrate) + 1]] = True
    begin = 0
    for part, count in zip(frames, counts, strict=True):
        rows = np.flatnonzero(meets[begin : begin + count])
        if len(rows):
            bits[begin + rows] = exact_bits(part.message, part.payload[rows])
        begin += count
    ends = _one_after_the_other(sent, bits[order] / bus.bitrate)
    if car.host_stamps:
        # The laptop fetches what its adapter has collected: a clump each few milliseconds.
        polls = np.cumsum(rng.uniform(0.0008, 0.0035, int(car.seconds / 0.0008) + 100))
        ends = polls[np.searchsorted(polls, ends)] + rng.uniform(0, 2e-5, len(ends))
        ends = np.maximum.accumulate(ends)
    back = np.empty(len(every))
    back[order] = ends
    return np.split(back, np.cumsum(counts)[:-1])


def _one_after_the_other(sent: Floats, seconds: Floats) -> Floats:
    """Give when frames end that wait for each other: from the seconds when each is ready and that each takes."""
    total = np.cumsum(seconds)
    return total + np.maximum.accumulate(sent - (total - seconds))


def candump(car: Car, frames: list[Frames], epoch: int, rng: np.random.Generator) -> bytes:
    """Give the frames as text in the compact candump form, in the order of time."""
    parts: list[Frames] = []
    times: list[Floats] = []
    for bus in car.buses.values():
        mine = [part for part in frames if part.message.bus == bus.name and len(part.times)]
        parts += mine
        times += on_the_wire(car, bus, mine, rng)
    every = np.concatenate(times)
    order = np.argsort(every, kind="stable")
    micro = np.rint(every * 1e6).astype(np.int64)
    widths = np.concatenate(
        [np.full(len(part.times), len(_line_head(car, part)) + 2 * part.message.length + 1) for part in parts]
    )
    offsets = np.empty(len(every), dtype=np.int64)
    offsets[order] = np.cumsum(widths[order]) - widths[order]
    out = np.empty(int(widths.sum()), dtype=np.uint8)
    begin = 0
    for part in parts:
        n = len(part.times)
        rows = slice(begin, begin + n)
        begin += n
        head = np.frombuffer(_line_head(car, part).encode(), dtype=np.uint8)
        width = len(head) + 2 * part.message.length + 1
        line = np.empty((n, width), dtype=np.uint8)
        line[:, : len(head)] = head
        stamp = micro[rows]
        seconds, rest = epoch + stamp // 1_000_000, stamp % 1_000_000
        for place in range(10):
            line[:, 10 - place] = 48 + seconds // 10**place % 10
        for place in range(6):
            line[:, 17 - place] = 48 + rest // 10**place % 10
        payload = part.payload[:, : part.message.length]
        line[:, len(head) : -1 : 2] = _HEX[payload >> 4]
        line[:, len(head) + 1 : -1 : 2] = _HEX[payload & 15]
        line[:, -1] = 10
        starts = offsets[rows]
        for first in range(0, n, 100_000):  # the table of places is eight times as large as the text
            some = slice(first, first + 100_000)
            out[(starts[some, None] + np.arange(width)).ravel()] = line[some].ravel()
    return out.tobytes()


def _line_head(car: Car, part: Frames) -> str:
    message = part.message
    identifier = f"{message.identifier:08X}" if message.extended else f"{message.identifier:03X}"
    return f"(0000000000.000000) {car.buses[message.bus].interface} {identifier}#"


def hum(bench: Bench, times: Floats, name: str) -> Floats:
    """Give what an open wire picks up, standard deviation 1."""
    rng = bench.rng("hum", name)
    step = 0.002
    slow = coloured(rng, int(bench.car.seconds / step) + 3, step, 0.3, 60.0)
    return np.interp(times, np.arange(len(slow)) * step, slow)


def write_capture(path: Path, bench: Bench, epoch: int = 1_780_000_000) -> None:
    """Record a bench into a candump file."""
    path.write_bytes(candump(bench.car, bench.record(), epoch + bench.car.seed * 3600, bench.rng("wire")))
