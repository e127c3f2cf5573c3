"""Databases driven with realistic processes, so that the truth of each bit is known."""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from buswright.messages.encode import encode_raw
from buswright.messages.model import Message, Signal

FRAMES = 3_000


@dataclass(frozen=True)
class Truth:
    """A message without its database, and what the database says."""

    message: Message
    payload: npt.NDArray[np.uint8]
    signals: tuple[Signal, ...]
    kinds: dict[str, str]


def drive(message: Message, frames: int = FRAMES) -> Truth | None:
    """Fill a message's signals with processes that suit them; None for what can't be: containers, overlaps, none.

    Multiplexed signals are left out but for those of the first multiplexer value, which alone is sent.
    """
    taken, chosen = 0, []
    for signal in sorted(message.signals, key=lambda one: one.multiplexer is not None):
        if signal.multiplexer is not None or signal.is_float or not 1 <= signal.length <= 32:
            continue
        if signal.bits & taken or signal.end_bit > 8 * message.length or signal.is_multiplexer:
            continue
        taken |= signal.bits
        chosen.append(signal)
    if not chosen or message.length > 64 or message.is_container:
        return None
    rng = np.random.default_rng(zlib.crc32(message.name.encode()))
    raws, kinds = {}, {}
    for signal in chosen:
        kinds[signal.name], raws[signal.name] = _process(signal, rng, frames)
    small = Message(
        name=message.name, id=message.id, extended=message.extended, length=message.length, signals=tuple(chosen)
    )
    return Truth(small, encode_raw(small, raws, count=frames), tuple(chosen), kinds)


def _process(signal: Signal, rng: np.random.Generator, n: int) -> tuple[str, npt.NDArray[np.int64]]:
    """Return the kind of a signal and its raw values."""
    low = -(1 << signal.length - 1) if signal.signed else 0
    high = (1 << signal.length - (1 if signal.signed else 0)) - 1
    words = signal.name.lower()
    if signal.length >= 2 and ("counter" in words or "cnt" in words or "alive" in words):
        return "counter", np.arange(n) % (1 << signal.length) + low
    if signal.length == 1 or (signal.length <= 4 and (signal.choices or signal.length <= 2)):
        states = rng.integers(low, high + 1, size=n)
        since = np.maximum.accumulate(np.where(rng.random(n) < rng.uniform(0.002, 0.02), np.arange(n), 0))
        return "state", states[since]
    # A quantity: slow movement over a part of its range, with noise of some counts, as of an analogue input.
    span = (high - low) * rng.uniform(0.1, 0.8)
    centre = 0.0 if signal.signed else low + span / 2 + (high - low - span) * rng.uniform(0, 1)
    seconds = np.arange(n) / 100.0
    wave = sum(
        rng.uniform(0.2, 1) * np.sin(2 * np.pi * rng.uniform(0.02, 0.6) * seconds + rng.uniform(0, 6.28)) for _ in range(4)
    )
    noise = rng.normal(size=n) * rng.choice([0.0, 0.4, 1.5]) * (1 if signal.length > 6 else 0.3)
    value = centre + span / 2 * wave / np.abs(wave).max() + noise
    return "quantity", np.clip(np.round(value), low, high).astype(np.int64)
