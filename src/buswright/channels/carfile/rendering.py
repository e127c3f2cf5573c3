"""Writing TOML for a person: values, keys and whole tables as they stand in a car file."""

from __future__ import annotations

import datetime
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

_WIDEST = 96
"""A list that would be longer than this gets one line an item."""


@dataclass(frozen=True, slots=True)
class Table:
    """One table of the car file.

    Attributes
    ----------
    group
        "bus", "module", "channel" ...
    name
        What it is called there; empty for an entry of a list, like `[[calibration_log]]`.
    text
        Its lines, without a newline at the end.
    """

    group: str
    name: str
    text: str


def table_of(group: str, values: Mapping[str, object], name: str = "") -> Table:
    """Make a table of plain values: `[group.name]`, or without a name `[[group]]`."""
    header = f"[{group}.{key(name)}]" if name else f"[[{group}]]"
    return Table(group, name, "\n".join([header, *(f"{key(at)} = {rendered(value)}" for at, value in values.items())]))


def quoted(text: str) -> str:
    """Write a TOML string."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def key(name: str) -> str:
    """Write one part of a table's name: bare if it can be, quoted if not."""
    bare = name and all(sign.isascii() and (sign.isalnum() or sign in "_-") for sign in name)
    return name if bare else quoted(name)


def rendered(value: object) -> str:
    """Write a value: text, a number, a flag, a day, a list of these, or a table on one line.

    Raises
    ------
    TypeError
        TOML has no such value.
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return repr(float(value))  # a number of NumPy says its type
    if isinstance(value, datetime.date):
        return value.isoformat()
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key(at)} = {rendered(item)}" for at, item in value.items()) + " }" if value else "{}"
    if isinstance(value, Sequence):
        return _list(rendered(item) for item in value)
    raise TypeError(f"{type(value).__name__} is no value of TOML")


def _list(items: Iterable[str]) -> str:
    texts = list(items)
    line = f"[{', '.join(texts)}]"
    return line if len(line) <= _WIDEST else "".join(["[\n", *(f"    {text},\n" for text in texts), "]"])
