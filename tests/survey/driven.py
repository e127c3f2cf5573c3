"""Databases driven with realistic processes, so that the truth of each bit is known."""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from buswright.errors import UserError
from buswright.messages.checksum import Checksum
from buswright.messages.database import load_database
from buswright.messages.decoding.encode import encode_raw
from buswright.messages.model import Message, Signal
from tests.source_distributions import source_distribution

FRAMES = 3_000
RATE_HZ = 100.0
ADDED = 0.5
"""Share of the messages with a free last byte that get a checksum there."""
EXAMPLES = Path(__file__).parents[2] / "dbc_examples"
Int64s = npt.NDArray[np.int64]
Float64s = npt.NDArray[np.float64]
_COUNTER = re.compile(r"counter|cnt\b|_cnt|alive|rolling", re.IGNORECASE)
_CHECKSUM = re.compile(r"checksum|crc|chksum", re.IGNORECASE)
_CHECKSUMS = ("crc8-j1850", "crc8-autosar", "xor", "sum8-id", "sum8-ones")


@dataclass(frozen=True)
class Truth:
    """A message without its database, and what the database says.

    Attributes
    ----------
    kinds
        By signal: "counter", "checksum", "state", "quantity", "multiplexer".
    checksum
        What was computed into it; None without one.
    raws : int64[n] each
        The numbers that were written.
    """

    message: Message
    payload: npt.NDArray[np.uint8]
    signals: tuple[Signal, ...]
    kinds: dict[str, str]
    checksum: Checksum | None
    raws: dict[str, Int64s]

    @property
    def time_ns(self) -> Int64s:
        """When each frame came."""
        return (np.arange(len(self.payload)) * (1e9 / RATE_HZ)).astype(np.int64)


def wrenfell() -> Iterator[Message]:
    """Yield the messages of the simulated car."""
    for name in ("wrenfell_chassis.dbc", "wrenfell_engine.dbc", "wrenfell_chassis_fd.dbc"):
        yield from load_database(EXAMPLES / name)


def public() -> Iterator[Message]:
    """Yield the messages of the databases that cantools is tested with, each layout once."""
    seen = set()
    for path in sorted((source_distribution("cantools") / "tests" / "files" / "dbc").glob("*.dbc")):
        try:
            database = load_database(path)
        except UserError:
            continue
        for message in database:
            layout = (message.name, message.length, tuple((s.name, s.start, s.length) for s in message.signals))
            if layout not in seen:
                seen.add(layout)
                yield message


def drive(message: Message, frames: int = FRAMES, seed: int = 0) -> Truth | None:
    """Fill a message's signals with processes that suit them; None for what can't be: containers, overlaps, none.

    Signals that a multiplexer selects are left out, but the multiplexer goes round.
    """
    taken, chosen = 0, []
    for signal in message.signals:
        if signal.multiplexer is not None or signal.is_float or not 1 <= signal.length <= 32:
            continue
        if signal.bits & taken or signal.end_bit > 8 * message.length:
            continue
        taken |= signal.bits
        chosen.append(signal)
    if not chosen or message.length > 64 or message.is_container:
        return None
    rng = np.random.default_rng([zlib.crc32(message.name.encode()), seed])
    if message.length >= 4 and rng.random() < ADDED:
        chosen += _added(message.length, taken)
    raws: dict[str, Int64s] = {}
    kinds: dict[str, str] = {}
    for signal in chosen:
        kinds[signal.name], raws[signal.name] = _process(signal, rng, frames)
    small = Message(
        name=message.name, id=message.id, extended=message.extended, length=message.length, signals=tuple(chosen)
    )
    payload = encode_raw(small, raws, count=frames)
    checksum = _checksum(small, kinds, rng)
    if checksum is not None:
        checksum.fill(payload, message.id)
    return Truth(small, payload, tuple(chosen), kinds, checksum, raws)


def _added(length: int, taken: int) -> list[Signal]:
    """Put a checksum into a last byte that is free, and a counter before it: few public databases name theirs."""
    found = [Signal("AddedChecksum", 8 * length - 8, 8), Signal("AddedCounter", 8 * length - 16, 4)]
    free = [signal for signal in found if not signal.bits & taken]
    return free if found[0] in free else []


def _checksum(message: Message, kinds: dict[str, str], rng: np.random.Generator) -> Checksum | None:
    """Choose a checksum for a whole last byte that is called one."""
    for signal in message.signals:
        whole = signal.length == 8 and signal.bits == 0xFF << 8 * (message.length - 1)
        if whole and message.length >= 4 and _CHECKSUM.search(signal.name):
            kinds[signal.name] = "checksum"
            return Checksum(str(rng.choice(_CHECKSUMS)), message.length - 1)
    return None


def _process(signal: Signal, rng: np.random.Generator, n: int) -> tuple[str, Int64s]:
    """Return the kind of a signal and its raw values."""
    low = -(1 << signal.length - 1) if signal.signed else 0
    high = (1 << signal.length - (1 if signal.signed else 0)) - 1
    if signal.is_multiplexer and 2 <= signal.length <= 8:
        values = sorted(rng.choice(high + 1, size=min(high + 1, int(rng.integers(2, 6))), replace=False).tolist())
        return "multiplexer", np.array(values, dtype=np.int64)[np.arange(n) % len(values)]
    if 2 <= signal.length <= 16 and _COUNTER.search(signal.name):
        return "counter", np.arange(n) % (1 << signal.length) + low
    if signal.length <= 2 or (signal.length <= 4 and signal.choices):
        states = rng.integers(low, high + 1, size=n)
        since = np.maximum.accumulate(np.where(rng.random(n) < rng.uniform(0.002, 0.02), np.arange(n), 0))
        return "state", states[since]
    span = (high - low) * rng.uniform(0.1, 0.8)
    centre = low + span / 2 + (high - low - span) * rng.uniform(0, 1)
    if signal.signed and rng.random() < 0.7:
        centre = 0.0
    noise = rng.normal(size=n) * rng.choice([0.0, 0.4, 1.5]) * (1 if signal.length > 6 else 0.3)
    value = centre + span / 2 * _shape(rng, n) + noise
    return "quantity", np.clip(np.round(value), low, high).astype(np.int64)


def _shape(rng: np.random.Generator, n: int) -> Float64s:
    """Return a movement within -1 to 1: a driven wave, a random walk, or steps that a first-order lag follows."""
    seconds = np.arange(n) / RATE_HZ
    which = rng.integers(3)
    if which == 0:
        moved = np.zeros(n)
        for _ in range(4):
            moved += rng.uniform(0.2, 1) * np.sin(
                2 * np.pi * rng.uniform(0.02, 0.6) * seconds + rng.uniform(0, 2 * np.pi)
            )
    elif which == 1:
        moved = np.cumsum(rng.normal(size=n))
        moved -= moved.mean()
    else:
        since = np.maximum.accumulate(np.where(rng.random(n) < 0.005, np.arange(n), 0))
        target = rng.uniform(-1, 1, size=n)[since]
        keeps = np.exp(-1 / (RATE_HZ * rng.uniform(0.1, 2.0)))
        weights = (1 - keeps) * keeps ** np.arange(min(n, 1_500))
        moved = np.convolve(target, weights)[:n]
    largest = float(np.abs(moved).max())
    return moved / largest if largest else moved
