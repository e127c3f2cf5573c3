"""Writing TOML for a person: tables, values, and comments that line up."""

from __future__ import annotations

import os
from collections.abc import Container, Iterable
from itertools import chain, count
from pathlib import Path

from buswright.channels.carfile.rendering import quoted

FILL_IN = "FILL IN"
"""What stands where only a person can decide."""

_COMMENT_COLUMN = 32


def line(text: str, comment: str = "") -> str:
    """Write a line with its comment."""
    return f"{f'{text} ':{_COMMENT_COLUMN}}# {one_line(comment)}" if comment else text


def one_line(text: str) -> str:
    """Keep a comment on one line, whatever a database holds."""
    return " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())


def listed(items: Iterable[str | int]) -> str:
    """Write a TOML array."""
    return "[" + ", ".join(quoted(item) if isinstance(item, str) else str(item) for item in items) + "]"


def number(value: float) -> str:
    """Write a number without noise: 200, 33.33, 1_000_000."""
    if float(value).is_integer() and abs(value) < 1e15:
        return f"{int(value):_}" if abs(value) >= 10_000 else str(int(value))
    return f"{value:.4g}" if "e" not in f"{value:.4g}" else repr(float(value))


def unused(name: str, taken: Container[str]) -> str:
    """Return a name that nobody has: this one, or with the first number from 2 on that makes it one."""
    return next(each for each in chain([name], (f"{name}_{number}" for number in count(2))) if each not in taken)


def relative(path: Path, folder: Path) -> str:
    """Return a path as it stands in a car file in `folder`: with forward slashes, relative where that is possible."""
    try:
        return Path(os.path.relpath(path.resolve(), folder.resolve())).as_posix()
    except ValueError:  # another drive
        return path.resolve().as_posix()
