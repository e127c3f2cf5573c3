"""A payload as a grid of bits: which signal each belongs to, its value, and how often it changes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from buswright.frames.table import Int64s
from buswright.messages.model import Message, Signal
from buswright.tui.widgets.heights import HEIGHTS
from buswright.tui.widgets.toned import Span, Tone

LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyzαβγδεζηθικλμνξοπρστυφχψω"
"""Of the signals in the order of the database; what is beyond gets `MANY`."""
MANY, SHARED, NOBODY, ABSENT = "*", "&", "?", "-"
"""A signal beyond the letters; a bit of several signals; a bit that moves and belongs to none; no such byte came."""

LEVELS = tuple(HEIGHTS[at] for at in (0, 1, 3, 5, 8))
"""How often a bit changes, by height: never, under 1 %, under 10 %, under half of the frames, more."""
_STEPS = (0.01, 0.1, 0.5)


def bits_of(signal: Signal) -> tuple[int, ...]:
    """Return where a signal's bits lie, the most significant one first: byte times 8 plus bit, bit 0 the lowest.

    A DBC counts so too, and gives the least significant bit of a little-endian signal and the most significant one of
    a big-endian signal, whose bits go down in a byte and on at bit 7 of the next byte.
    """
    if not signal.big_endian:
        return tuple(range(signal.start + signal.length - 1, signal.start - 1, -1))
    first = signal.first_bit
    return tuple(8 * (at // 8) + 7 - at % 8 for at in range(first, first + signal.length))


def raw_of(signal: Signal, payload: bytes) -> int | None:
    """Return a signal's bits as an unsigned number; None where the payload is too short."""
    raw = 0
    for at in bits_of(signal):
        if not 0 <= at < 8 * len(payload):
            return None
        raw = raw << 1 | payload[at // 8] >> at % 8 & 1
    return raw


def present(message: Message, payload: bytes) -> frozenset[str]:
    """Return the names of the signals that this payload carries: multiplexed ones by their selector's value."""
    by_name = {signal.name: signal for signal in message.signals}
    known: dict[str, bool] = {}

    def carried(signal: Signal) -> bool:
        if signal.name not in known:
            known[signal.name] = False  # a selector that selects itself carries nothing
            known[signal.name] = signal.multiplexer is None or selected(signal, by_name.get(signal.multiplexer))
        return known[signal.name]

    def selected(signal: Signal, selector: Signal | None) -> bool:
        if selector is None or not carried(selector):
            return False
        raw = raw_of(selector, payload)
        return raw is not None and any(low <= raw <= high for low, high in signal.mux_values)

    return frozenset(signal.name for signal in message.signals if carried(signal))


@lru_cache(maxsize=64)
def letters_of(message: Message) -> Mapping[str, str]:
    """Return the letter of each signal by its name; the same whatever the frame, so that none wanders."""
    return {signal.name: LETTERS[at] if at < len(LETTERS) else MANY for at, signal in enumerate(message.signals)}


@dataclass(frozen=True, slots=True)
class Bit:
    """One cell.

    Attributes
    ----------
    letter
        See above; a space where no signal lies and nothing moves.
    value
        0 or 1; None where the frame is too short.
    activity
        Share of the last frames in which it changed.
    level
        Place in `LEVELS`.
    """

    letter: str
    value: int | None
    activity: float
    level: int

    @property
    def text(self) -> str:
        """Three cells: letter, value, activity."""
        return f"{self.letter}{ABSENT if self.value is None else self.value}{LEVELS[self.level]}"


@dataclass(frozen=True, slots=True)
class BitGrid:
    """The grid.

    Attributes
    ----------
    rows
        A byte each: eight cells, bit 7 first.
    stray
        Bits that move and belong to no signal, ascending.
    shared
        Pairs of names of signals that lie on the same bit.
    """

    rows: tuple[tuple[Bit, ...], ...]
    stray: tuple[int, ...]
    shared: tuple[tuple[str, str], ...]


def level_of(activity: float) -> int:
    """Return the place of a share of changes in `LEVELS`."""
    return 0 if activity <= 0 else 1 + sum(activity >= step for step in _STEPS)


def grid_of(message: Message | None, payload: bytes, changes: Int64s, frames: int) -> BitGrid:
    """Lay out a payload.

    Parameters
    ----------
    message
        What the database says; None where it says nothing.
    payload
        Of the latest frame.
    changes : int64[512]
        How often each bit changed over `frames` frames.
    """
    owner, shared = _owners(message, payload)
    activity = (np.minimum(changes / max(frames - 1, 1), 1.0)).tolist()
    letters = letters_of(message) if message else {}
    count = max(len(payload), message.length if message else 0)
    moving = [at for at in np.flatnonzero(changes).tolist() if at < 8 * count]
    covered = _covered(message)
    stray = tuple(at for at in moving if at not in covered) if message else ()

    def cell(at: int) -> Bit:
        names = owner.get(at, ())
        letter = SHARED if len(names) > 1 else letters[names[0]] if names else NOBODY if at in stray else " "
        value = payload[at // 8] >> at % 8 & 1 if at < 8 * len(payload) else None
        return Bit(letter, value, activity[at], level_of(activity[at]))

    rows = tuple(tuple(cell(8 * byte + bit) for bit in range(7, -1, -1)) for byte in range(count))
    return BitGrid(rows, stray, shared)


def _owners(message: Message | None, payload: bytes) -> tuple[dict[int, tuple[str, ...]], tuple[tuple[str, str], ...]]:
    """Return who lies on each bit of this frame, and which signals lie on each other."""
    owner: dict[int, tuple[str, ...]] = {}
    if message is None:
        return owner, ()
    here = present(message, payload)
    for signal in message.signals:
        if signal.name in here:
            for at in bits_of(signal):
                owner[at] = (*owner.get(at, ()), signal.name)
    pairs = {(names[0], other) for names in owner.values() for other in names[1:]}
    return owner, tuple(sorted(pairs))


@lru_cache(maxsize=64)
def _covered(message: Message | None) -> frozenset[int]:
    """Bits of any signal, of other selections of a multiplexed message too."""
    return frozenset(at for signal in message.signals for at in bits_of(signal)) if message else frozenset()


# Drawing --------------------------------------------------------------------------------------------------------------

WIDTH = 41
"""Cells that the grid takes."""
_TONES: tuple[Tone, ...] = ("dim", "plain", "plain", "strong", "strong")


def grid_lines(grid: BitGrid, payload: bytes) -> Iterator[list[Span]]:
    """Draw the grid: a heading, and a line for each byte."""
    yield [Span("byte hex " + "".join(f"{bit:>3} " for bit in range(7, -1, -1)), "dim")]
    for number, row in enumerate(grid.rows):
        hexed = f"{payload[number]:02X}" if number < len(payload) else ABSENT * 2
        yield [Span(f"{number:>3}  ", "dim"), Span(f"{hexed}  "), *_cells(row)]


def _cells(row: Sequence[Bit]) -> Iterator[Span]:
    for bit in row:
        stray = bit.letter in (NOBODY, SHARED)
        yield Span(bit.letter, "suspect" if stray else "accent")
        yield Span(bit.text[1:] + " ", "suspect" if stray else _TONES[bit.level])


def notes_of(grid: BitGrid, message: Message | None, frames: int) -> Iterator[str]:
    """Say what is odd about the grid, and over how many frames changes were counted."""
    if grid.stray:
        yield f"{NOBODY} moves, but no signal here: {bit_words(grid.stray)}"
    for one, other in grid.shared:
        yield f"{SHARED} {one} and {other} lie on the same bits"
    counted = f"changes counted over {frames} frames"
    if message is not None and any(signal.multiplexer for signal in message.signals):
        counted += ", all selections of this multiplexed message together; letters are those of the latest frame"
    yield counted


def bit_words(bits: Sequence[int]) -> str:
    """Write places of bits: byte 6 bits 7-4, byte 7 bit 0."""
    parts = []
    for byte in sorted({at // 8 for at in bits}):
        inside = sorted((at % 8 for at in bits if at // 8 == byte), reverse=True)
        runs: list[list[int]] = []
        for bit in inside:
            if runs and runs[-1][-1] == bit + 1:
                runs[-1].append(bit)
            else:
                runs.append([bit])
        said = ", ".join(str(run[0]) if len(run) == 1 else f"{run[0]}-{run[-1]}" for run in runs)
        parts.append(f"byte {byte} bit{'s' if len(inside) > 1 else ''} {said}")
    return "; ".join(parts)
