"""Markdown: tables made of rows, and a page as plain text for pipes and files."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Sequence

_BLANKS = 2
"""Between the columns of a plain table."""
_LEAST = 8
"""Columns are not squeezed below this many characters."""
_UNBROKEN = 30
"""Code up to this many characters stays on one line."""
_HARD_BLANK = "\N{NO-BREAK SPACE}"
_ITEM = re.compile(r"(\s*)([-*]|\d+\.)\s+")
_RULE = re.compile(r"\|?\s*:?-{3,}")
_STRONG = re.compile(r"(?<!\\)\*\*(.+?)(?<!\\)\*\*")
_EMPHASIS = re.compile(r"(?<![\\*\w])\*(?=\S)(.+?)(?<![\\*\s])\*(?![\w*])")
_ESCAPED = re.compile(r"\\([*_<\[\]`\\])")
_CODE = re.compile(r"(`[^`]*`)")
_CELLS = re.compile(r"(?<!\\)\|")


def table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Write a Markdown table; bars inside cells are escaped."""
    lines = [heads, ["---"] * len(heads), *rows]
    return "\n".join("| " + " | ".join(cell.replace("|", r"\|") for cell in line) + " |" for line in lines)


def code(text: str) -> str:
    """Write text as inline code."""
    return f"`{text}`" if text else ""


def escaped(text: str) -> str:
    """Write plain text as Markdown: stars and the like mean themselves, but `code` in backticks stays code."""
    parts = _CODE.split(text)
    return "".join(part if n % 2 else re.sub(r"([*_<\[\]\\])", r"\\\1", part) for n, part in enumerate(parts))


def plain_text(page: str, width: int = 80) -> str:
    """Lay a Markdown page out as plain text.

    Headings are underlined, paragraphs and list items wrapped, tables aligned with wrapped cells; code stands
    as it is, indented. Only what manuals and reports use is understood: no nesting beyond one list level, no HTML.

    Parameters
    ----------
    page
        The Markdown.
    width
        Columns; code lines may be longer.
    """
    lines = page.splitlines()
    blocks = []
    at = 0
    while at < len(lines):
        if not lines[at].strip():
            at += 1
            continue
        end = _end_of_block(lines, at)
        blocks.append("\n".join(_block(lines[at:end], width)))
        at = end
    return "\n\n".join(blocks).replace(_HARD_BLANK, " ") + "\n"


def _end_of_block(lines: Sequence[str], at: int) -> int:
    """Return the line behind the block that begins at `at`."""
    if lines[at].startswith("```"):
        close = next((n for n in range(at + 1, len(lines)) if lines[n].startswith("```")), len(lines) - 1)
        return close + 1
    if lines[at].startswith("#"):
        return at + 1
    end = at
    while end < len(lines) and lines[end].strip() and not (end > at and lines[end].startswith(("```", "#"))):
        end += 1
    return end


def _block(lines: Sequence[str], width: int) -> Iterator[str]:
    first = lines[0]
    if first.startswith("```"):
        yield from (f"  {line}".rstrip() for line in lines[1:-1])
    elif first.startswith("#"):
        title = _inline(first.lstrip("#").strip())
        yield title
        yield {1: "=", 2: "-"}.get(len(first) - len(first.lstrip("#")), "·") * len(title)
    elif first.startswith("|"):
        yield from _plain_table(lines, width)
    elif _ITEM.match(first):
        for item in _items(lines):
            mark = _ITEM.match(item)
            assert mark is not None
            lead = mark[0]
            yield from textwrap.wrap(
                _inline(item[len(lead) :]),
                width,
                initial_indent=lead,
                subsequent_indent=" " * len(lead),
                break_long_words=False,
                break_on_hyphens=False,
            )
    else:
        yield from _wrapped(_inline(" ".join(line.strip() for line in lines)), width)


def _items(lines: Sequence[str]) -> list[str]:
    """Join the lines of each list item."""
    items: list[str] = []
    for line in lines:
        if _ITEM.match(line) or not items:
            items.append(line)
        else:
            items[-1] += " " + line.strip()
    return items


def _wrapped(text: str, width: int) -> list[str]:
    return textwrap.wrap(text, width, break_long_words=False, break_on_hyphens=False) or [""]


def _inline(text: str) -> str:
    """Take emphasis and escapes out and keep code in its backticks."""
    code_spans: list[str] = []

    def put_aside(match: re.Match[str]) -> str:
        short = len(match[0]) <= _UNBROKEN
        code_spans.append(match[0].replace(" ", _HARD_BLANK) if short else match[0])
        return f"\0{len(code_spans) - 1}\0"

    text = _EMPHASIS.sub(r"\1", _STRONG.sub(r"\1", _CODE.sub(put_aside, text)))
    return re.sub("\0(\\d+)\0", lambda match: code_spans[int(match[1])], _ESCAPED.sub(r"\1", text))


def _plain_table(lines: Sequence[str], width: int) -> Iterator[str]:
    rows = [_cells(line) for line in lines if not _RULE.match(line)]
    columns = max(map(len, rows))
    rows = [row + [""] * (columns - len(row)) for row in rows]
    widths = _widths(rows, width - 2 - _BLANKS * (columns - 1))
    for number, row in enumerate(rows):
        cells = [_broken(cell, size) for cell, size in zip(row, widths, strict=True)]
        for level in range(max(map(len, cells))):
            parts = [
                (cell[level] if level < len(cell) else "").ljust(size) for cell, size in zip(cells, widths, strict=True)
            ]
            yield ("  " + (" " * _BLANKS).join(parts)).rstrip()
        if number == 0:
            yield "  " + (" " * _BLANKS).join("-" * size for size in widths)


def _cells(line: str) -> list[str]:
    inner = line.strip().removeprefix("|").removesuffix("|")
    return [_inline(cell.strip().replace(r"\|", "|")).replace("`", "") for cell in _CELLS.split(inner)]


def _broken(cell: str, size: int) -> list[str]:
    return textwrap.wrap(cell, size, break_long_words=True, break_on_hyphens=False) or [""]


def _widths(rows: Sequence[Sequence[str]], room: int) -> list[int]:
    """Return the width of each column: its own, or, where all don't fit, less for the widest."""
    columns = list(zip(*rows, strict=True))
    widths = [max(map(len, column)) for column in columns]
    words = [max((len(word) for cell in column for word in cell.split()), default=0) for column in columns]
    for least in (words, [min(word, _LEAST) for word in words]):
        while sum(widths) > room:
            over = [n for n, size in enumerate(widths) if size > least[n]]
            if not over:
                break
            widths[max(over, key=lambda n: widths[n])] -= 1
    return widths
