"""The payload of a message as a grid of bits: whose each is, page by page; page and Markdown draw the same one."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

from buswright.layout.document.model import MessageLayout, SignalLayout
from buswright.messages.model import Signal

Kind = Literal["signal", "shared", "counter", "checksum", "moves", "still"]

LETTERS = "abcdefghijklmnopqrstuvwxyzABDEFGHIJLMNOPQRSTUVWXYZ"
"""Of signals in text, without the C and K of counters and checksums."""
LEAST_TOGETHER = 4
"""Bytes of a long frame that nothing is known of are drawn as one from so many on."""
SIGNS = {"shared": "&", "counter": "C", "checksum": "K", "moves": "~", "still": "."}


class Run(NamedTuple):
    """Neighbouring bits of one byte that belong together: how many, to what, and the signal's number from 1."""

    bits: int
    kind: Kind
    number: int = 0


class Row(NamedTuple):
    """A byte, or several alike: which, and its runs from bit 7 down."""

    label: str
    runs: tuple[Run, ...]


@dataclass(frozen=True, slots=True)
class Grid:
    """One page of a message: a title (empty without multiplexers), and its bytes."""

    title: str
    rows: tuple[Row, ...]


def grids(message: MessageLayout, signals: Sequence[SignalLayout]) -> tuple[Grid, ...]:
    """Draw a message: once, or once for each page of its multiplexers."""
    numbered = list(enumerate(signals, 1))
    if not message.pages:
        return (_grid("", message, numbered),)
    by_name = {signal.name: signal for signal in signals}
    found = []
    for page in message.pages:
        shown = {signal.name for signal in signals if not signal.values} | set(page.signals)
        selector: SignalLayout | None = by_name.get(page.multiplexer)
        while selector is not None and selector.name not in shown:
            shown.add(selector.name)
            selector = by_name.get(selector.multiplexer)
        title = f"{page.multiplexer} = {page.values}"
        if not page.signals:
            title += ": a page that the database doesn't have"
        if page.frames is not None:
            title += f" ({page.frames:,} frames)" if page.frames else " (never came)"
        found.append(_grid(title, message, [each for each in numbered if each[1].name in shown]))
    return tuple(found)


def _grid(title: str, message: MessageLayout, signals: Sequence[tuple[int, SignalLayout]]) -> Grid:
    owner: dict[int, tuple[Kind, int]] = {}
    size = 8 * message.size
    for kind, text in (("checksum", message.checksum_bits), ("counter", message.counter_bits)):
        mask = int(text or "0", 16)
        owner |= {bit: (kind, 0) for bit in range(size) if mask >> bit & 1}  # type: ignore[misc]
    taken: set[int] = set()
    for number, signal in signals:
        mask = Signal(signal.name, signal.start, signal.length, signal.big_endian).bits
        for bit in range(size):
            if mask >> bit & 1:
                owner[bit] = ("shared", 0) if bit in taken else ("signal", number)
                taken.add(bit)
    moving = int(message.moving_bits or "0", 16)
    for bit in range(size):
        owner.setdefault(bit, ("moves" if moving >> bit & 1 else "still", 0))
    rows = [tuple(_runs([owner[8 * byte + bit] for bit in range(7, -1, -1)])) for byte in range(message.size)]
    return Grid(title, tuple(_together(rows)))


def _together(rows: Sequence[tuple[Run, ...]]) -> Iterator[Row]:
    """Yield the rows; many bytes in a row that nobody explains and that never moved are one."""
    start = 0
    for byte in range(1, len(rows) + 1):
        alike = byte < len(rows) and rows[byte] == rows[start] == (Run(8, "still"),)
        if alike:
            continue
        if byte - start < LEAST_TOGETHER:
            yield from (Row(str(each), rows[each]) for each in range(start, byte))
        else:
            yield Row(f"{start}-{byte - 1}", rows[start])
        start = byte


def _runs(bits: Sequence[tuple[Kind, int]]) -> Iterator[Run]:
    start = 0
    for at in range(1, len(bits) + 1):
        if at == len(bits) or bits[at] != bits[start]:
            yield Run(at - start, *bits[start])
            start = at


def letter(number: int) -> str:
    """Return the sign of a signal in text: by its number, from 1."""
    return LETTERS[number - 1] if number <= len(LETTERS) else "*"


def grid_lines(grid: Grid) -> list[str]:
    """Draw a grid as text."""
    lines = ["byte  7 6 5 4 3 2 1 0"]
    for label, runs in grid.rows:
        signs = [
            letter(run.number) if run.kind == "signal" else SIGNS[run.kind] for run in runs for _ in range(run.bits)
        ]
        lines.append(f"{label:>5} {' '.join(signs)}")
    return lines
