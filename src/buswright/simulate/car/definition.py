"""How the invented car's messages are written down: small values from which databases and payloads are made."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from types import MappingProxyType

from buswright.messages import model
from buswright.messages.checksum import Checksum, Counter

NO_CHOICES: Mapping[int, str] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Signal:
    """One signal and what is sent in it.

    Attributes
    ----------
    name, bits, unit, scale, offset, signed
        As in the database.
    source
        Name of the quantity that is sent: of the physics, or one that the node works out.
    low, high
        Range in `unit`.
    noise
        Standard deviation of the sender's own measurement, in `unit`.
    mux
        Value of the message's multiplexer for which the signal is present.
    is_multiplexer
        The signal selects which others are present.
    gap
        Unused bits before it.
    start
        Start bit as a DBC counts it; set by the message.
    """

    name: str
    bits: int
    source: str
    unit: str
    scale: float
    offset: float
    low: float
    high: float
    comment: str
    signed: bool = False
    choices: Mapping[int, str] = field(default_factory=lambda: NO_CHOICES)
    noise: float = 0.0
    mux: int | None = None
    is_multiplexer: bool = False
    gap: int = 0
    start: int = -1


def number(
    name: str, source: str, unit: str, scale: float, low: float, high: float, comment: str,
    *, bits: int = 16, offset: float = 0.0, noise: float = 0.0, mux: int | None = None, gap: int = 0,
) -> Signal:  # fmt: skip
    """Return a numeric signal; it is signed if it goes below its offset."""
    return Signal(
        name, bits, source, unit, scale, offset, low, high, comment, low < offset, noise=noise, mux=mux, gap=gap
    )


def state(name: str, bits: int, source: str, choices: Mapping[int, str], comment: str) -> Signal:
    """Return a signal with a value table."""
    values = MappingProxyType(dict(choices))
    return Signal(name, bits, source, "", 1.0, 0.0, min(values), max(values), comment, choices=values)


def celsius(name: str, source: str, comment: str, noise: float = 0.04, *, high: float = 1200.0) -> Signal:
    """Return a temperature from -40 °C up."""
    return number(name, source, "°C", 0.1, -40.0, high, comment, offset=-40.0, noise=noise)


def millivolts(name: str, comment: str, *, gap: int = 0) -> Signal:
    """Return an analogue input of the damper node, which the quantity is named after."""
    return number(name, name, "mV", 1.0, 0, 5000, comment, gap=gap)


def counter(bits: int = 4) -> Signal:
    """Return a message counter."""
    return Signal("MessageCounter", bits, "counter", "", 1.0, 0.0, 0, (1 << bits) - 1, "Counts the frames.")


def checksum(bits: int = 8, *, gap: int = 0) -> Signal:
    """Return the place of a checksum; it is filled in when the rest of the payload stands."""
    return Signal("Checksum", bits, "checksum", "", 1.0, 0.0, 0, (1 << bits) - 1, "Protects the payload.", gap=gap)


@dataclass(frozen=True, slots=True, eq=False)
class Message:
    """One message, its timing and its contents.

    Attributes
    ----------
    name, id, extended, length, fd
        As in the database; `length` in bytes.
    sender, bus
        Names of module and bus.
    period_ms, phase_ms
        When it is due, on its sender's clock.
    signals
        Laid out one after the other from the first bit; big-endian ones likewise.
    big_endian
        All of its signals.
    delay_s
        How much older than the frame the quantities are.
    counter, checksum
        What its payload carries.
    """

    name: str
    id: int
    sender: str
    bus: str
    period_ms: float
    phase_ms: float
    comment: str
    signals: tuple[Signal, ...]
    length: int = 8
    extended: bool = False
    fd: bool = False
    big_endian: bool = False
    delay_s: float = 0.0
    counter: Counter | None = None
    checksum: Checksum | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "signals", self._laid_out())
        named = {signal.source: signal for signal in self.signals}
        if "counter" in named and self.counter is None:
            found = named["counter"]
            object.__setattr__(self, "counter", Counter(found.start, found.bits))

    @property
    def digits(self) -> str:
        """The identifier as captures write it."""
        return f"{self.id:08X}" if self.extended else f"{self.id:03X}"

    @property
    def multiplexer(self) -> Signal | None:
        """The signal that selects the others, if there is one."""
        return next((signal for signal in self.signals if signal.is_multiplexer), None)

    def _laid_out(self) -> tuple[Signal, ...]:
        """Give every signal its start bit; multiplexed groups all begin at the same one."""
        placed = []
        at = group_at = 0
        group: int | None = None
        for signal in self.signals:
            if signal.mux is not None and signal.mux != group:
                if group is None:
                    group_at = at
                at, group = group_at, signal.mux
            at += signal.gap
            start = 8 * (at // 8) + 7 - at % 8 if self.big_endian else at
            placed.append(replace(signal, start=start))
            at += signal.bits
            if at > 8 * self.length:
                raise ValueError(f"{self.name}.{signal.name} ends beyond the payload")
        return tuple(placed)


@cache
def in_database(message: Message) -> model.Message:
    """Return the message as it comes out of its database."""
    selector = message.multiplexer
    signals = tuple(
        model.Signal(
            signal.name,
            signal.start,
            signal.bits,
            big_endian=message.big_endian,
            signed=signal.signed,
            scale=signal.scale,
            offset=signal.offset,
            is_multiplexer=signal.is_multiplexer,
            multiplexer=selector.name if selector and signal.mux is not None else None,
            mux_values=((signal.mux, signal.mux),) if signal.mux is not None else (),
        )
        for signal in message.signals
    )
    return model.Message(message.name, message.id, message.extended, message.length, signals, fd=message.fd)


@dataclass(frozen=True, slots=True)
class Node:
    """A module of the car.

    Attributes
    ----------
    name, comment
        As in the databases.
    clock_ppm
        How fast its crystal runs.
    boot_ms
        From key-on to its first frame.
    jitter_us
        Scale of the delay between a frame being due and being handed to the bus controller.
    """

    name: str
    comment: str
    clock_ppm: float
    boot_ms: float
    jitter_us: float


@dataclass(frozen=True, slots=True)
class Bus:
    """One network of the car."""

    name: str
    interface: str
    bitrate: int
    data_bitrate: int | None = None
