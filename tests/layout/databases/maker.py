"""Makers' tables: signals that move as they do in a car, their frames, and a table printed in one convention.

The printing is written here from what each convention means, not by way of the reader that is tried.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from buswright.layout.databases.heard import Heard
from buswright.messages.decoding.encode import encode
from buswright.messages.model import Message, Signal
from buswright.messages.sheet.read import Table, load_table

FRAMES = 1_500
MESSAGES = 22
HEADS = "id,message,message bytes,signal,start bit,length,order,sign,scale,offset,minimum,maximum,unit,period"
CONVENTIONS = {
    "usual": "",
    "bits-as-sent": "bit-numbering",
    "start-is-lsb": "big-endian-start",
    "bytes-from-1": "bytes-from-1",
    "percent": "percent-of-5v",
    "unsigned": "signedness",
    "signed": "signedness",
    "hex": "identifier-base",
    "decimal": "identifier-base",
    "divides": "scale-inverted",
    "offset-first": "offset-first",
}
"""How a table is printed, and what the misreading is called."""


@dataclass(frozen=True)
class Kind:
    """A sort of signal: unit, lowest and highest value, whether it passes zero, and how fast it moves (in Hz)."""

    unit: str
    low: float
    high: float
    hz: float
    signed: bool = False


KINDS = (
    Kind("rpm", 0, 13_000, 0.8),
    Kind("bar", 0, 120, 2.0),
    Kind("°C", -40, 150, 0.02, signed=True),
    Kind("V", 0, 5, 3.0),
    Kind("V", 0, 5, 0.5),
    Kind("V", 0, 5, 1.0),
    Kind("km/h", 0, 300, 0.3),
    Kind("deg", -360, 360, 1.0, signed=True),
    Kind("g", -4, 4, 4.0, signed=True),
    Kind("%", 0, 100, 2.0),
    Kind("mm", 0, 75, 8.0),
)


def process(kind: Kind, rng: np.random.Generator) -> np.ndarray:
    """A quantity that moves through most of a part of its range, slower parts more than fast ones, with noise."""
    spectrum = np.fft.rfft(rng.normal(size=2 * FRAMES))
    walk = np.fft.irfft(spectrum / (1 + (np.fft.rfftfreq(2 * FRAMES, 0.01) / kind.hz) ** 2))[:FRAMES]
    walk = (walk - walk.min()) / np.ptp(walk)
    middle, width = rng.uniform(0.45, 0.55), rng.uniform(0.5, 0.9)
    shape = np.clip(middle + width * (walk - 0.5), 0.02, 0.98)
    value = kind.low + shape * (kind.high - kind.low)
    return value + rng.normal(0, 1e-4 * (kind.high - kind.low), FRAMES)


def module(rng: np.random.Generator, order: str, *, digits: bool) -> tuple[list[Message], dict]:
    """Messages with their frames; identifiers of decimal digits alone where `digits`."""
    messages, heard = [], {}
    identifiers = rng.permutation([k for k in range(0x100, 0x600) if not digits or f"{k:X}".isdecimal()])
    for number in range(MESSAGES):
        signals, values, place = [], {}, 0
        big = {"big": True, "little": False}.get(order, bool(rng.integers(2)))
        while place < 64:
            length = int(rng.choice([8, 12, 16, 16, 16, 10, 4]))
            if place + length > 64:
                break
            kind = KINDS[rng.integers(len(KINDS))]
            name = f"S{number}_{len(signals)}"
            start = 8 * (place // 8) + 7 - place % 8 if big else place
            if length == 4:  # a counter
                signal = Signal(name, start, 4, big)
                values[name] = np.arange(FRAMES) % 16
            else:
                # A round resolution, as makers choose it, that the range just fits into.
                steps = 2.0**length / (kind.high - kind.low)
                scale = 10.0 ** -np.floor(np.log10(steps * 0.95))
                scale = next(
                    s for s in (scale / 4, scale / 2, scale, 2 * scale) if s * 2**length >= kind.high - kind.low
                )
                signed = kind.signed and bool(rng.integers(2))
                scale = 2 * scale if signed else scale
                offset = kind.low if kind.low < 0 and not signed else 0
                ranged = rng.random() < 0.7
                limits = (kind.low, kind.high) if ranged else (None, None)
                signal = Signal(
                    name, start, length, big, signed, scale=scale, offset=offset, unit=kind.unit,
                    minimum=limits[0], maximum=limits[1],
                )  # fmt: skip
                values[name] = process(kind, rng)
            signals.append(signal)
            place += length
        message = Message(f"M{number}", int(identifiers[number]), False, 8, tuple(signals))
        messages.append(message)
        payload = encode(message, values, count=FRAMES)
        heard[message.id, False] = Heard(np.unpackbits(payload, axis=1, bitorder="little").astype(bool))
    return messages, heard


def flipped(bit: int) -> int:
    return bit - bit % 8 + 7 - bit % 8


def printed(signal: Signal, convention: str) -> Signal:
    """Return the numbers that a table in a convention has."""
    start, scale, offset, limits = signal.start, signal.scale, signal.offset, (signal.minimum, signal.maximum)
    if convention == "bits-as-sent":
        if signal.big_endian:
            start = flipped(start)
        elif start % 8 + signal.length <= 8:
            start = flipped(start + signal.length - 1)
        elif start % 8:
            start = flipped(start)
    elif convention == "start-is-lsb" and signal.big_endian:
        start = flipped(flipped(start) + signal.length - 1)
    elif convention == "bytes-from-1":
        start += 8
    elif convention == "percent" and signal.unit == "V":
        scale, limits = scale * 20, (None, None)
    elif convention == "divides" and scale != 1:
        scale = 1 / scale
    elif convention == "offset-first":
        offset = offset / scale
    signed = signal.signed
    if convention in ("signed", "unsigned") and signal.length > 4:
        signed = convention == "signed"
    return replace(signal, start=start, scale=scale, offset=offset, minimum=limits[0], maximum=limits[1], signed=signed)


def cell(value: float | None) -> str:
    return "" if value is None else f"{value:.12g}"


def table(messages: list[Message], convention: str, path: Path) -> Table:
    lines = [HEADS.replace("id,", "id (hex),", 1) if convention == "decimal" else HEADS]
    for message in messages:
        number = {"hex": f"{message.id:X}", "decimal": str(message.id)}.get(convention, f"0x{message.id:X}")
        for signal in message.signals:
            one = printed(signal, convention)
            order, sign = "big" if one.big_endian else "little", "signed" if one.signed else "unsigned"
            cells = [number, message.name, "8", one.name, str(one.start), str(one.length), order, sign]
            cells += [cell(each) for each in (one.scale, one.offset, one.minimum, one.maximum)]
            lines.append(",".join([*cells, one.unit, "10"]))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return load_table(path)


def case(convention: str, seed: int, path: Path) -> tuple[Table, dict, set[str]]:
    """Return a table, what was heard, and the signals that the convention prints otherwise."""
    rng = np.random.default_rng([seed, *convention.encode()])
    orders = ("big", "mixed") if convention in ("bits-as-sent", "start-is-lsb") else ("big", "little", "mixed")
    messages, heard = module(rng, orders[seed % len(orders)], digits=convention in ("hex", "decimal"))
    moved = {
        f"{message.name}/{signal.name}"
        for message in messages
        for signal in message.signals
        if printed(signal, convention) != signal
    }
    return table(messages, convention, path), heard, moved
