"""Plain text: lines put together, tables whose columns line up, and what is said of every capture."""

from __future__ import annotations

import math
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
