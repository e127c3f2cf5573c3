"""Plain text: lines put together and broken, tables whose columns line up and fit, what is said of every capture."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Sequence

from buswright.frames.table import Problems
from buswright.wording import visible


def joined(lines: Iterable[str]) -> str:
    """Put lines together; text of a file that stands in one can't begin another, nor command a terminal."""
    return "\n".join(visible(line) for line in lines)


def table(heads: Sequence[str], rows: Sequence[Sequence[str]], *, right: Sequence[int] = ()) -> list[str]:
    """Lay out rows under heads, two blanks between columns; columns in `right` stand to the right."""
    every = [[visible(cell) for cell in row] for row in (heads, *rows)]
    widths = [max(len(row[k]) for row in every) for k in range(len(heads))]
    lines = []
    for row in every:
        cells = [
            cell.rjust(w) if k in right else cell.ljust(w) for k, (cell, w) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append(("  " + "  ".join(cells)).rstrip())
    return lines


def first(lines: Sequence[str], most: int, rest: str) -> list[str]:
    """Return the first lines; of further ones how many there are stands where `rest` has braces."""
    return [*lines[:most], *([rest.format(len(lines) - most)] if len(lines) > most else [])]


def cut(text: str, most: int) -> str:
    """Shorten a text to so many signs; an ellipsis says so."""
    return text if len(text) <= most else f"{text[: most - 1]}…"


def fold(text: str, width: int, indent: str = "") -> list[str]:
    """Break a text into lines, further ones indented."""
    return textwrap.wrap(text, width, subsequent_indent=indent, break_on_hyphens=False)


def section(name: str, width: int, limit: str = "") -> list[str]:
    """Write a section's name, and beside it the limits that its numbers are judged by."""
    if not limit:
        return ["", name]
    if len(name) + len(limit) + 4 <= width:
        return ["", f"{name}  ({limit})"]
    return ["", name, *(f"  {line}" for line in fold(f"({limit})", width - 2))]


def fitted(
    heads: Sequence[str],
    rows: Sequence[Sequence[str]],
    width: int,
    *,
    right: Sequence[int] = (),
    drop: Sequence[int],
    shorten: int = -1,
    leave: Sequence[int] = (),
) -> list[str]:
    """Lay out a table no wider than `width`, without the columns `leave`.

    Where it doesn't fit, column `shorten` is cut to the room that is left (8 signs at least), then columns are left
    out in the order of `drop`.
    """
    kept, waiting = [k for k in range(len(heads)) if k not in leave], list(drop)
    while True:
        sizes = [0 if k == shorten else max(len(row[k]) for row in (heads, *rows)) for k in kept]
        room = width - sum(sizes) - 2 * len(kept)
        if room >= (8 if shorten in kept else 0) or not waiting:
            break
        gone = waiting.pop(0)
        kept = [k for k in kept if k != gone]
    cells = [[cut(row[k], max(room, 8)) if k == shorten else row[k] for k in kept] for row in rows]
    at_right = [at for at, k in enumerate(kept) if k in right]
    return [line[:width] for line in table([heads[k] for k in kept], cells, right=at_right)]


def number(value: float) -> str:
    """Write a value with about four digits; a dash where there is none."""
    if not math.isfinite(value):
        return "–"
    size = abs(value)
    return f"{value:.{0 if size >= 1000 else 1 if size >= 100 else 2 if size >= 1 else 3}f}"


def told_apart(low: float, high: float) -> tuple[str, str]:
    """Write two ends as `number` does, or with as many digits as tell them apart."""
    ends = number(low), number(high)
    for digits in range(2, 18):
        if ends[0] != ends[1] or low == high:
            break
        ends = f"{low:.{digits}g}", f"{high:.{digits}g}"
    return ends


def problem_lines(problems: Problems) -> list[str]:
    """Say every problem, most frequent first; nothing for none."""
    return [str(problem) for problem in sorted(problems, key=lambda problem: -problem.count)]
