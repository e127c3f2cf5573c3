"""What could be done: frames that fit into one, rates that a kind of signal needs."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from buswright.capacity.carried.stream import Rates, Stream
from buswright.capacity.proposed.phrase import filled
from buswright.channels import units
from buswright.channels.carfile.model import CarFile
from buswright.channels.guessing import guess, is_bookkeeping
from buswright.channels.useful_rates import ROUNDING, USEFUL_HZ, WASTE
from buswright.health.described import Described
from buswright.messages.model import Message, Signal

_SAME = 0.01


@dataclass(frozen=True, slots=True)
class Packing:
    """Frames of one module (their sender) and one period that fit into fewer: how many would do.

    `saves` is the worst-case load that this saves, 0..1.
    """

    module: str
    streams: tuple[Stream, ...]
    frames: int
    saves: float


@dataclass(frozen=True, slots=True)
class RateAdvice:
    """A message that is faster or slower than what it carries needs.

    `signal` is one of the kind that decides, `low_hz` to `high_hz` what is usual for that kind. `guessed`: the kind is
    guessed from names, not stated by a car file. `saves` is the worst-case load that the upper usual rate would save; 0
    for a message that is too slow.
    """

    stream: Stream
    kind: str
    signal: str
    low_hz: float
    high_hz: float
    guessed: bool
    saves: float

    @property
    def too_slow(self) -> bool:
        """Whether it is slower than usual."""
        return self.stream.hz < self.low_hz * ROUNDING


def packings(streams: Iterable[Stream], rates: Rates) -> list[Packing]:
    """Find frames of one sender and period that fit into fewer, the largest saving first.

    Only classic frames whose sender is known are looked at. Bytes are moved as they stand; counters and checksums
    that each frame carries would be needed once only, which isn't counted.
    """
    groups: dict[str, list[list[Stream]]] = {}
    for stream in sorted(streams, key=lambda each: (each.module, each.period_ns, each.name)):
        if not stream.module or stream.fd or not stream.clocked or stream.length >= 8:
            continue
        own = groups.setdefault(stream.module, [])
        if not own or stream.period_ns > own[-1][0].period_ns * (1 + _SAME):
            own.append([])
        own[-1].append(stream)
    found = []
    for module, own in groups.items():
        for group in own:
            boxes = [sum(box) for box in filled((stream.length for stream in group), 8)]
            if len(boxes) < len(group):
                joined = [replace(group[k], length=length) for k, length in enumerate(boxes)]
                before, after = (
                    sum(each.longest_ns(rates) / each.period_ns for each in part) for part in (group, joined)
                )
                found.append(Packing(module, tuple(group), len(boxes), before - after))
    return sorted(found, key=lambda packing: -packing.saves)


def rate_advice(streams: Iterable[Stream], described: Described, rates: Rates) -> Iterator[RateAdvice]:
    """Yield messages that come slower than is usual for something they carry, or much faster than for all they carry.

    A message is called too fast only where the kind of every signal is known; counters and checksums don't matter.
    """
    kinds = _stated(described.car)
    for stream in streams:
        database = described.database(stream.name.bus)
        message = (
            next((each for each in reversed(database.messages) if each.name == stream.label), None)
            if database
            else None
        )
        if message is None or not stream.clocked:
            continue
        found = [
            (kind, signal.name, (stream.name.bus, message.name, signal.name) not in kinds)
            for signal in message.signals
            if not is_bookkeeping(signal.name) and not signal.is_multiplexer
            for kind in [kinds.get((stream.name.bus, message.name, signal.name)) or _guessed(signal, message)]
        ]
        known = [(kind, name, guessed) for kind, name, guessed in found if kind in USEFUL_HZ]
        if not known:
            continue
        kind, name, guessed = max(known, key=lambda each: USEFUL_HZ[each[0] or ""])
        low, high = USEFUL_HZ[kind or ""]
        saves = (1 - high / stream.hz) * stream.longest_ns(rates) / stream.period_ns
        advice = RateAdvice(stream, kind or "", name, low, high, guessed, 0.0)
        if advice.too_slow:
            yield advice
        elif len(known) == len(found) and stream.hz > WASTE * high:
            yield replace(advice, saves=saves)


def _stated(car: CarFile | None) -> dict[tuple[str, str, str], str]:
    """Return roles by bus, message and signal, as the car file states them."""
    if car is None:
        return {}
    return {
        (channel.signal.bus, channel.signal.message_name, channel.signal.signal): channel.role
        for channel in car.channels.values()
        if channel.signal is not None and channel.role is not None
    }


def _guessed(signal: Signal, message: Message) -> str | None:
    """Return the kind that names and unit speak for."""
    found = guess(signal.name, message.name, signal.unit, signal.comment)
    if found.role in USEFUL_HZ and found.fits:
        return found.role
    known = units.find(signal.unit) if signal.unit else None
    return "temperature" if known is not None and known.quantity == "temperature" else None
