"""What is printed: text from files obeyed by no terminal, on streams that may be closed or full."""

from __future__ import annotations

import io
import json
import os
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from typing import Any, TextIO

from buswright.tui.terminal.plain_signs import PLAIN_SIGNS
from buswright.wording import visible

_COMMAND = " " * 4
"""Before a command in a line of its own, and before what goes on from a line above."""


@contextmanager
def standing_streams() -> Iterator[Callable[[], bool]]:
    """Have all standard streams there; give whether something was printed to a standard output that was closed.

    Python has None for a closed one, and the next file that is opened would get its number.
    """
    for number in (0, 1, 2):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)
    closed = None
    if sys.stdout is None:
        closed = sys.stdout = io.StringIO()
    if sys.stderr is None:
        sys.stderr = io.StringIO()
    for stream in (sys.stdout, sys.stderr):  # a terminal without ▆ shows another sign rather than an error
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors=PLAIN_SIGNS)
    yield lambda: closed is not None and bool(closed.getvalue())


def to_nowhere(stream: TextIO) -> None:
    """Have what is still printed, and what waits to be, go nowhere: its reader has gone, or its disk is full."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def let_go(stream: TextIO) -> None:
    """Drop what a stream can't take any more, as a terminal that is gone: Python would end with a status of its own."""
    try:
        stream.flush()
    except (OSError, ValueError):
        to_nowhere(stream)


def put(text: object, *, error: bool = False) -> None:
    """Print lines, on standard error if need be; what a terminal would obey is shown as what it is."""
    print(visible(str(text), keep="\n"), file=sys.stderr if error else sys.stdout, flush=error)


def put_lines(lines: Iterable[str], *, error: bool = False) -> None:
    """Print lines; a line end within one is in the text of a file, or in a name, and is shown as what it is.

    A terminal that is too narrow gets them broken between words; a pipe or a file gets them whole.
    """
    stream = sys.stderr if error else sys.stdout
    width = _columns(stream)
    print("\n".join(part for each in lines for part in _broken(visible(each), width)), file=stream, flush=error)


def _columns(stream: TextIO) -> int:
    """Return the columns of a terminal; 0 where there is none, or it doesn't say."""
    try:
        return os.get_terminal_size(stream.fileno()).columns if stream.isatty() else 0
    except (OSError, ValueError):
        return 0


def _broken(line: str, width: int) -> list[str]:
    """Break a line that is too long between words; a command stands far to the right, and is to be copied whole."""
    if not width or len(line) <= width or line.startswith(_COMMAND):
        return [line]
    from textwrap import wrap

    indent = " " * (len(line) - len(line.lstrip(" "))) + _COMMAND
    return wrap(line, width, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False) or [line]


def put_json(document: Any) -> None:
    """Print a document exactly; in its texts, what a terminal would obey is written as JSON's escapes."""
    text = json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False)
    print(visible(text, keep="\n", spelled=lambda sign: json.dumps(sign)[1:-1]))
